"""Colours and shapes of the drawings. Written into each element, since not every program that
prints a page carries the page's style sheet into its pictures."""

from __future__ import annotations

from benchrig.judge.verdict import Verdict

INK = "#1a2024"
SOFT = "#4b565d"
RULE = "#c4cccb"
PAPER = "#ffffff"
TRACE = "#12485c"
TRACE_PALE = "#7f8f98"
ALARM = "#9c2418"

VERDICT_COLOUR: dict[Verdict, str] = {
    Verdict.PASS: "#17613f",
    Verdict.FAIL: ALARM,
    Verdict.INCONCLUSIVE: "#7a4d00",
    Verdict.NOT_ASSESSED: SOFT,
}

FONTS = "Segoe UI, Helvetica Neue, Liberation Sans, Arial, sans-serif"


def _stroke(colour: str, width: float, dashes: str = "") -> str:
    dash = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'fill="none" stroke="{colour}" stroke-width="{width:g}"{dash}'


def _words(colour: str, anchor: str = "start") -> str:
    return f'font-size="12" fill="{colour}" text-anchor="{anchor}"'


# Look -> attributes; stroke widths in pixels of the view box.
ATTRIBUTES: dict[str, str] = {
    "grid": _stroke(RULE, 0.6),
    "axis": _stroke(INK, 1),
    "limit": _stroke(INK, 1, "7 3"),
    "whisker": _stroke(TRACE_PALE, 1),
    "ring": _stroke(INK, 1.4),
    "dot": f'fill="{TRACE}"',
    "out": f'fill="{ALARM}"',
    "drop": f'fill="{ALARM}"',
    "tick end": _words(SOFT, "end"),
    "tick mid": _words(SOFT, "middle"),
    "name": _words(SOFT),
    "name end": _words(SOFT, "end"),
    "note": _words(INK),
    "note end": _words(INK, "end"),
}
# Look of a curve -> colour, width, dashes.
CURVES: dict[str, tuple[str, float, tuple[float, ...]]] = {
    "first": (TRACE, 1.4, ()),
    "median": (TRACE_PALE, 1.4, ()),
    "last": (INK, 2.0, ()),
    "fit": (ALARM, 1.0, (5, 4)),
    "apart": (ALARM, 1.6, ()),
    "thin": (TRACE, 0.8, ()),
}


def curve(look: str, scale: float = 1.0) -> str:
    """Attributes of a curve whose coordinates are ``scale`` times finer than pixels."""
    colour, width, dashes = CURVES[look]
    dash = " ".join(f"{scale * d:g}" for d in dashes)
    cap = "butt" if dashes else "round"
    return f'{_stroke(colour, scale * width, dash)} stroke-linejoin="round" stroke-linecap="{cap}"'


def shape_inner(verdict: Verdict, colour: str) -> str:
    """A verdict's shape in a field of 20 by 20: disc, square, diamond or ring."""
    if verdict is Verdict.PASS:
        return (
            f'<circle cx="10" cy="10" r="9.5" fill="{colour}"/>'
            f'<path d="M5.4 10.4l3.2 3.3 6-7" {_stroke(PAPER, 2.2)}/>'
        )
    if verdict is Verdict.FAIL:
        return (
            f'<rect x="1" y="1" width="18" height="18" fill="{colour}"/>'
            f'<path d="M5.5 5.5l9 9M14.5 5.5l-9 9" {_stroke(PAPER, 2.4)}/>'
        )
    if verdict is Verdict.INCONCLUSIVE:
        return (
            f'<path d="M10 .4L19.6 10 10 19.6.4 10z" fill="{colour}"/>'
            '<path d="M7.4 8.1a2.6 2.6 0 1 1 3.7 2.4q-1.1.5-1.1 1.7M10 13.8v1.6" '
            f"{_stroke(PAPER, 1.7)}/>"
        )
    return (
        f'<circle cx="10" cy="10" r="8.4" {_stroke(colour, 1.8)}/>'
        f'<path d="M6 10h8" {_stroke(colour, 1.8)}/>'
    )


def shape_svg(verdict: Verdict) -> str:
    """The shape as a picture of its own, in the verdict's colour."""
    inner = shape_inner(verdict, VERDICT_COLOUR[verdict])
    return f'<svg class="shape" viewBox="0 0 20 20" aria-hidden="true">{inner}</svg>'
