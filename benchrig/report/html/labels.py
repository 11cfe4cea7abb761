"""Tag labels, 62 mm by 29 mm, with the record's id as a QR code (ISO/IEC 18004, by segno)."""

from __future__ import annotations

import io
from collections.abc import Sequence
from html import escape

import segno

from benchrig.judge.verdict import Verdict
from benchrig.record.values import RunRecord
from benchrig.report.html.env import drawn, page_size, render
from benchrig.report.looks import shape_inner
from benchrig.text import one_line
from benchrig.wire.simulated import MARK

_WIDTH, _HEIGHT = 620, 290  # tenths of a millimetre
_QR_SIDE = 250


def qr_svg(text: str, side: float, x: float, y: float) -> str:
    """A QR code with its quiet zone, as a nested SVG of a given side."""
    code = segno.make(text, error="m", micro=False)
    out = io.BytesIO()
    code.save(out, kind="svg", xmldecl=False, svgns=False, omitsize=True, nl=False, border=4)
    body = out.getvalue().decode("ascii")
    return body.replace("<svg ", f'<svg x="{x:g}" y="{y:g}" width="{side:g}" height="{side:g}" ', 1)


def label_svg(record: RunRecord) -> str:
    """One label: QR code, tag, part number, position as written, verdict, record id."""
    plan = record.plan
    lines = [
        (46, "700", plan.tag or "no tag"),
        (24, "400", plan.part_number),
        (24, "400", f"position {plan.position}" if plan.position else ""),
        (24, "400", f"order {plan.order}" if plan.order else ""),
    ]
    y, texts = 52, []
    for size, weight, words in lines:
        if words:
            shown = _fit(words, size)
            texts.append(_text(262, y, size, weight, shown))
            y += size + (12 if size > 30 else 8)
    verdict = record.verdict.value if record.proven_safe else "NOT PROVEN SAFE"
    shape = shape_inner(record.verdict if record.proven_safe else Verdict.FAIL, "#000")
    texts.append(f'<svg x="262" y="186" width="40" height="40" viewBox="0 0 20 20">{shape}</svg>')
    texts.append(_text(312, 220, 36 if len(verdict) <= 12 else 30, "700", verdict))
    texts.append(_text(262, 252, 22, "400", record.record_id))
    texts.append(_text(262, 278, 22, "400", f"tested {record.begun_at[:10]}"))
    if record.simulated:
        texts.append(_mark())
    if plan.part.invented:
        texts.append(_text(20, 282, 20, "400", "INVENTED DATA"))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="62mm" height="29mm" '
        f'viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" '
        'font-family="Liberation Sans, Arial, sans-serif">'
        f"<title>{escape(_fit(plan.tag, 10))} {verdict}{' SIMULATED' if record.simulated else ''}"
        "</title>"
        f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="#fff"/>'
        f"{qr_svg(record.record_id, _QR_SIDE, 4, 8)}{''.join(texts)}</svg>"
    )


def label_page(records: Sequence[RunRecord], *, paper: str = "") -> str:
    """A sheet of labels in the order given."""
    labels = [drawn(label_svg(record)) for record in records]
    return render(
        "label.html.j2",
        simulated=any(record.simulated for record in records),
        page_size=page_size(paper),
        labels=labels,
    )


def _mark() -> str:
    """Large along the right edge, in a frame: it is cut off with nothing but the label."""
    return (
        f'<rect x="{_WIDTH - 44}" y="0" width="44" height="{_HEIGHT}" fill="#fff" '
        'stroke="#000" stroke-width="5"/>'
        f'<text x="{_WIDTH - 12}" y="{_HEIGHT // 2}" text-anchor="middle" '
        f'transform="rotate(-90 {_WIDTH - 12} {_HEIGHT // 2})" font-weight="700" '
        f'style="font-size:34px">{MARK}</text>'
    )


def _fit(words: str, size: int) -> str:
    most = max(8, int(310 / (0.58 * size)))
    words = one_line(words)
    return words if len(words) <= most else words[: most - 1] + "…"


def _text(x: int, y: int, size: int, weight: str, words: str) -> str:
    return (
        f'<text x="{x}" y="{y}" font-weight="{weight}" style="font-size:{size}px">'
        f"{escape(words)}</text>"
    )
