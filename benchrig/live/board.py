"""The shop's board: one line or two for each rig, drawn for 80 columns or more.

Calm while all is well: plain type, no boxes. What needs a person stands out by word and shape
before colour: ENERGISED and UNKNOWN reversed, STALE between marks, what to disconnect below.
"""

from __future__ import annotations

from datetime import datetime

from rich.console import Group, RenderableType
from rich.text import Text

from benchrig.judge.verdict import SHAPES
from benchrig.live.shop import RigView, Shop
from benchrig.text import to_ascii
from benchrig.wire.simulated import MARK

RANK = ("ENERGISED", "UNKNOWN", "STALE", "OFF", "AWAY")
_STYLES = {
    "ENERGISED": "bold reverse red",
    "UNKNOWN": "bold reverse yellow",
    "STALE": "bold yellow",
    "OFF": "bold",
    "AWAY": "dim",
}
_MARKS = {verdict.value: shape for verdict, shape in SHAPES.items()}
_PLAIN_MARKS = {verdict.value: to_ascii(shape) for verdict, shape in SHAPES.items()}
_VERDICT_STYLES = {"PASS": "green", "FAIL": "bold red", "INCONCLUSIVE": "yellow"}
_STANDING_WIDTH = 11
_NAME_MAX = 22
_WIDE = 104  # from here on the last verdicts stand beside, not below


def board(
    shop: Shop, now: datetime, *, title: str, trouble: str, width: int, height: int, unicode: bool
) -> RenderableType:
    """The whole picture; rigs that do not fit are counted, the calmest first to go."""
    rigs = shop.rigs
    lines: list[Text] = [_title(rigs, now, title, trouble, width)]
    lines.append(Text(("─" if unicode else "-") * width, style="dim"))
    if not rigs:
        lines.append(Text("No rig has told anything yet.", style="dim"))
    name_width = min(_NAME_MAX, max((len(r.name) for r in rigs), default=0))
    blocks = {id(r): _rig_lines(r, now, name_width, width, unicode) for r in rigs}
    shown, left = _that_fit(rigs, blocks, now, height - len(lines) - 2)
    for rig in shown:
        lines += blocks[id(rig)]
    if left:
        lines.append(Text(f"and {left} more, all off or away", style="dim"))
    if shop.unfit or shop.missing:
        words = [f"{shop.unfit} messages that fit no schema"] if shop.unfit else []
        words += [f"{shop.missing} verdicts missing"] if shop.missing else []
        lines.append(_cut("dropped: " + "; ".join(words), width, "dim"))
    text = [line if unicode else _ascii(line) for line in lines]
    return Group(*text)


def _title(rigs: list[RigView], now: datetime, title: str, trouble: str, width: int) -> Text:
    counts = dict.fromkeys(RANK, 0)
    for rig in rigs:
        counts[rig.standing(now)] += 1
    told = [f"{len(rigs)} rig{'' if len(rigs) == 1 else 's'}"]
    told += [f"{counts[word]} {word}" for word in RANK[:3] if counts[word]]
    right = now.astimezone().strftime("%H:%M:%S")
    words = f"{title}  ·  {'  '.join(told)}"
    line = Text(no_wrap=True, overflow="crop")
    if trouble:
        return _cut(f"NOT CONNECTED: {trouble}", width, "bold yellow")
    line.append(words[: width - len(right) - 1].ljust(width - len(right)), style="bold")
    line.append(right, style="dim")
    return line


def _that_fit(
    rigs: list[RigView], blocks: dict[int, list[Text]], now: datetime, height: int
) -> tuple[list[RigView], int]:
    """Rigs by name; when there is no room, those that need nobody are left out first."""
    by_need = sorted(rigs, key=lambda r: RANK.index(r.standing(now)))
    kept: set[int] = set()
    room = max(height, 1)
    for rig in by_need:
        needed = len(blocks[id(rig)])
        if needed > room and RANK.index(rig.standing(now)) > RANK.index("STALE"):
            continue
        kept.add(id(rig))
        room -= needed
    return [r for r in rigs if id(r) in kept], len(rigs) - len(kept)


def _rig_lines(
    rig: RigView, now: datetime, name_width: int, width: int, unicode: bool
) -> list[Text]:
    standing = rig.standing(now)
    line = Text(no_wrap=True, overflow="crop")
    line.append(f"{_short_name(rig, name_width):{name_width}}  ")
    line.append(f" {standing} ".ljust(_STANDING_WIDTH), style=_STYLES[standing])
    wide = width >= _WIDE
    verdicts = _verdicts(rig, unicode)
    room = width - name_width - 2 - _STANDING_WIDTH - 2
    if wide:
        room -= verdicts.cell_len + 2
    words = _short(_doing(rig, now, standing), max(room, 10))
    mark = f"  {MARK}" if rig.simulated else ""
    words = _short(words, max(room - len(mark), 10))
    line.append(mark, style="bold")
    line.append(f"  {words}", style="" if standing in RANK[:3] else "dim")
    lines = [line]
    indent = " " * (name_width + 2 + _STANDING_WIDTH + 2)
    if verdicts.cell_len and wide:
        gap = width - line.cell_len - verdicts.cell_len
        line.append(" " * max(gap, 2))
        line.append_text(verdicts)
    elif verdicts.cell_len:
        below = Text(indent, no_wrap=True, overflow="crop")
        below.append_text(verdicts)
        below.truncate(width)
        lines.append(below)
    for number, step in enumerate(rig.disconnect, 1):
        lines.append(_cut(f"{indent}{number}. {step}", width, "bold"))
    if rig.warning and standing in ("ENERGISED", "UNKNOWN"):
        lines.append(_cut(f"{indent}! {rig.warning}", width, "yellow"))
    return lines


def _doing(rig: RigView, now: datetime, standing: str) -> str:
    part = rig.tag or rig.part
    cycles = f"cycle {rig.cycle} of {rig.cycles}" if rig.cycles and rig.cycle else ""
    if standing == "STALE":
        heard = "" if rig.seen is None else f", heard {ago(rig.silent_s(now))} ago"
        gone = "gone" if rig.link == "gone" else "silent"
        return " · ".join(w for w in (f"was {rig.state.value}{heard}", gone, part) if w)
    if standing == "AWAY":
        return " · ".join(w for w in (f"left {_since(rig, now)}", "OFF, measured", part) if w)
    invented = "INVENTED" if rig.invented else ""
    return " · ".join(w for w in (rig.doing, part, cycles, invented) if w)


def _since(rig: RigView, now: datetime) -> str:
    if rig.link_at is None:
        return ""
    return f"{ago(max(0.0, (now - rig.link_at).total_seconds()))} ago"


def _verdicts(rig: RigView, unicode: bool) -> Text:
    text = Text(no_wrap=True)
    for one in reversed(rig.verdicts):
        if text.cell_len:
            text.append("  ")
        mark = (_MARKS if unicode else _PLAIN_MARKS).get(one.verdict, "?")
        style = _VERDICT_STYLES.get(one.verdict, "dim")
        text.append(f"{mark} {one.verdict}", style=style)
        text.append(f" {_short(one.name, 12)}")
        if not one.proven_safe:
            text.append(" NOT PROVEN SAFE", style="bold reverse red")
    return text


def ago(seconds: float | None) -> str:
    """A duration as one looks at a clock."""
    if seconds is None:
        return "?"
    for size, unit in ((86_400, "d"), (3_600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{int(seconds // size)} {unit}"
    return f"{int(seconds)} s"


def plain_line(rig: RigView, now: datetime) -> str:
    """One rig as a line, for a terminal that cannot redraw and for logs."""
    standing = rig.standing(now)
    at = now.astimezone().strftime("%H:%M:%S")
    mark = f"{MARK}  " if rig.simulated else ""
    line = f"{at}  {rig.name}  {standing:9}  {mark}{_doing(rig, now, standing)}"
    if rig.verdicts:
        last = rig.verdicts[-1]
        line += f"  last: {last.verdict} {last.name}"
        line += "" if last.proven_safe else " NOT PROVEN SAFE"
    for number, step in enumerate(rig.disconnect, 1):
        line += f"\n    {number}. {step}"
    return line.rstrip()


def _short_name(rig: RigView, width: int) -> str:
    """The end of the rig's id tells rigs of one bench apart, so it stays."""
    return f"{_short(rig.bench, width - 5)}/{rig.rig[-4:]}"


def _short(words: str, width: int) -> str:
    return words if len(words) <= width else words[: max(width - 1, 0)] + "…"


def _cut(words: str, width: int, style: str) -> Text:
    return Text(_short(words, width), style=style, no_wrap=True, overflow="crop")


def _ascii(line: Text) -> Text:
    table = str.maketrans({"·": "-", "…": "~", "°": "o", "µ": "u", "Ω": "R"})
    plain = line.plain.translate(table).encode("ascii", "replace").decode("ascii")
    copy = Text(plain, style=line.style, no_wrap=True, overflow="crop")
    copy.spans = list(line.spans)
    return copy
