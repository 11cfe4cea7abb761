"""The card that lives while a part is on the rig: state, current, and one large word.

``LiveCard`` is a sink of ``RunEvent``s and never answers. On a terminal it redraws one card
in place; elsewhere it writes a plain line where something changed. Everything goes to its
console, which is standard error unless another is handed in.

Keys it reads in ``RunEvent.data`` (all optional; what is absent stays as it was)::

    STARTED   part: str, tag: str, pattern: str, cycles: int, invented: bool
              record: str, rig: str                 ids, for those who tell them on
    CHECK     name: str, ok: bool                     message: the finding
    STATE     state: str                              "checking", "cycling", "cooling down",
                                                      "making safe", ...
              energised: bool | None                  None: not known (link lost)
    EDGE      on: bool                                the output's own switch, now
    LIVE      energised: bool | None, on: bool
              current_a: float
              trace: list[float]                      A; samples since the last LIVE, decimated,
                                                      each the greatest of its interval
              winding_c: float | None                 None: cannot be told
              supply_v: float, part_v: float
    CYCLE     cycle: int (from 1), cycles: int, current_a: float, winding_c: float | None,
              drop_outs: int                          cycles with a drop-out so far
    SAFE      residual_current_a: float, feed_opened: bool
    NOT_SAFE  disconnect: list[str], last_current_a: float | None
    ENDED     verdict: str, record: str

``energised`` is True from the feed closing until measurement shows the part off: while the
feed is closed a pulse may come at any moment, whatever the output does just now.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from benchrig.record.values import DISCONNECT, EventKind, RunEvent
from benchrig.report.bigtext import big_lines
from benchrig.report.words import milliamps
from benchrig.text import one_line, speaks_unicode, to_ascii
from benchrig.wire.simulated import MARK, is_simulated

_BARS = "▁▂▃▄▅▆▇█"
_ASCII_BARS = "._-=+*%#"
_TRACE_POINTS = 480
_WARNINGS_SHOWN = 4
CARD_WIDTH_MAX = 100
REDRAW_S = 0.1  # least time between two drawings of the card
PLAIN_S = 10.0  # most silence of the plain lines while a run goes on


def sparkline(values: list[float], width: int, *, unicode: bool = True) -> str:
    """Values as ``width`` blocks from 0 to the greatest; each block shows its greatest value.

    A block also falls to the least value of its interval when that is under half of the
    greatest, so a short drop-out shows as a gap and not as an unbroken bar.
    """
    if not values or width < 1:
        return ""
    bars = _BARS if unicode else _ASCII_BARS
    top = max(max(values), 1e-3)
    columns = min(width, len(values))
    text = []
    for column in range(columns):
        first, last = column * len(values) // columns, (column + 1) * len(values) // columns
        interval = values[first:last]
        shown = max(interval)
        # Only an interior dip is a drop-out; an edge of the pulse is not.
        inner = interval[1:-1]
        if inner and min(inner) < 0.5 * min(interval[0], interval[-1]):
            shown = min(inner)
        level = round(max(shown, 0.0) / top * (len(bars) - 1))
        text.append(bars[level])
    return "".join(text)


@dataclass(slots=True, kw_only=True)
class _Seen:
    """What the events said so far."""

    part: str = ""
    tag: str = ""
    pattern: str = ""
    invented: bool = False
    simulated: bool = False
    state: str = "starting"
    energised: bool | None = None
    on: bool | None = None
    cycle: int = 0
    cycles: int = 0
    current_a: float | None = None
    winding_c: float | None = None
    supply_v: float | None = None
    drop_outs: int = 0
    at_s: float = 0.0
    disconnect: tuple[str, ...] = ()
    residual_current_a: float | None = None
    trace: deque[float] = field(default_factory=lambda: deque(maxlen=_TRACE_POINTS))
    warnings: list[str] = field(default_factory=list)

    def take(self, event: RunEvent) -> None:
        """Fold one event in."""
        data = event.data
        self.at_s = event.at_s
        self._texts(data)
        self._numbers(data)
        if event.kind is EventKind.CHECK and data.get("ok") is False:
            self.warnings.append(one_line(event.message or str(data.get("name", ""))))
        if event.kind in (EventKind.WARNING, EventKind.FAULT):
            self.warnings.append(one_line(event.message))
        if event.kind is EventKind.SAFE:
            self.energised, self.state = False, "made safe"
            self.residual_current_a = data.get("residual_current_a")
            self.disconnect = ()
        if event.kind is EventKind.NOT_SAFE:
            self.energised, self.state = None, "NOT PROVEN SAFE"
            self.disconnect = tuple(data.get("disconnect") or DISCONNECT)
            self.current_a = data.get("last_current_a", self.current_a)

    def _texts(self, data: dict[str, Any]) -> None:
        for name in ("part", "tag", "pattern", "state"):
            if name in data:
                setattr(self, name, one_line(str(data[name])))
        if "rig" in data:
            self.simulated = is_simulated(str(data["rig"]))
        if "invented" in data:
            self.invented = bool(data["invented"])

    def _numbers(self, data: dict[str, Any]) -> None:
        for name in (
            *("energised", "on", "cycle", "cycles", "current_a"),
            *("winding_c", "supply_v", "drop_outs"),
        ):
            if name in data:
                setattr(self, name, data[name])
        trace = data.get("trace")
        if trace:
            self.trace.extend(float(value) for value in trace)
        elif "current_a" in data and data["current_a"] is not None:
            self.trace.append(float(data["current_a"]))

    @property
    def word(self) -> str:
        """The one large word."""
        if self.disconnect:
            return "MAY BE LIVE"
        return {True: "ENERGISED", False: "OFF", None: "NOT KNOWN"}[self.energised]


class LiveCard:
    """Shows a run while it goes on. Use as a context manager and call it with each event.

    ``clock`` (seconds, any origin) spares the terminal: with one, the card is redrawn at most
    every ``REDRAW_S`` of it, so a simulated run of minutes costs no more than what is seen.
    Changes of state, warnings and the end are always drawn.
    """

    def __init__(
        self, *, console: Console | None = None, clock: Callable[[], float] | None = None
    ) -> None:
        self.console = console or Console(stderr=True)
        self._clock = clock
        self._drawn_at: float | None = None
        self._seen = _Seen()
        self._live: Live | None = None
        self._plain_key: tuple[object, ...] = ()
        self._plain_at_s: float | None = None
        self._stands_still = False

    @property
    def redraws(self) -> bool:
        """True on a terminal that can redraw; else plain lines are written."""
        return self.console.is_terminal and not self.console.is_dumb_terminal

    def __enter__(self) -> Self:
        if self.redraws:
            self._live = Live(
                self.card(),
                console=self.console,
                auto_refresh=False,
                transient=True,
                redirect_stdout=False,
                redirect_stderr=False,
            )
            self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def __call__(self, event: RunEvent) -> None:
        """Take an event and show what it changes."""
        self._seen.take(event)
        if event.kind is EventKind.NOT_SAFE and self._live is not None:
            self._stand_still()
        if self._live is not None:
            if event.kind is not EventKind.LIVE or self._is_due():
                self._live.update(self.card(), refresh=True)
        elif self._stands_still or not self.redraws:
            self._plain(event)

    def _stand_still(self) -> None:
        """Redraw no more: what to disconnect must not be drawn over, nor scroll by."""
        if self._live is not None:
            self._live.stop()
            self._live = None
        self._stands_still = True
        self.console.print(self._word_band(self.console.width - 4))

    def card(self) -> RenderableType:
        """The card as it stands now."""
        seen = self._seen
        width = min(self.console.width, CARD_WIDTH_MAX)
        inner = width - 4
        body: list[RenderableType] = [self._word_band(inner), self._facts(inner)]
        trace = sparkline(list(seen.trace), inner, unicode=speaks_unicode(self.console.encoding))
        if trace:
            body.append(self._text(trace, "bold"))
        for number, step in enumerate(seen.disconnect, 1):
            body.append(self._text(f"{number}. {step}", "bold"))
        for warning in seen.warnings[-_WARNINGS_SHOWN:]:
            body.append(self._text(f"! {warning}", "yellow"))
        title = " · ".join(t for t in (seen.part, seen.tag and f"tag {seen.tag}") if t)
        if seen.simulated:
            title = f"{MARK} · {title}" if title else MARK
        if seen.invented:
            title += " · INVENTED DATA"
        return Panel(
            Group(*body),
            title=self._text(title or "benchrig"),
            title_align="left",
            width=width,
            border_style="dim",
        )

    def _is_due(self) -> bool:
        if self._clock is None:
            return True
        now = self._clock()
        if self._drawn_at is not None and 0 <= now - self._drawn_at < REDRAW_S:
            return False
        self._drawn_at = now
        return True

    def _text(self, words: str, style: str = "") -> Text:
        words = words if speaks_unicode(self.console.encoding) else to_ascii(words)
        return Text(words, style=style, overflow="fold")

    def _word_band(self, width: int) -> RenderableType:
        seen = self._seen
        live = seen.energised is not False
        style = "bold reverse red" if live else "bold"
        if not speaks_unicode(self.console.encoding):
            return Padding(Text(" ".join(seen.word), style=style), (0, 1))
        lines = [f"  {line}  " for line in big_lines(seen.word)]
        edge = " " * len(lines[0])
        if live:
            lines = [edge, *lines, edge]
        return Text("\n".join(lines), style=style, no_wrap=True, overflow="crop")

    def _facts(self, width: int) -> RenderableType:
        grid = Table.grid(padding=(0, 2), pad_edge=False)
        columns = 4 if width >= 72 else 2
        for _ in range(columns):
            grid.add_column(no_wrap=True)
        cells: list[Text] = []
        for name, value in self._pairs():
            cells += [self._text(name, "dim"), self._text(value, "bold")]
        for start in range(0, len(cells), columns):
            grid.add_row(*cells[start : start + columns])
        return grid

    def _pairs(self) -> list[tuple[str, str]]:
        seen = self._seen
        state = seen.state
        if seen.on is not None and seen.energised:
            state += ", output on" if seen.on else ", output off"
        cycle = f"{seen.cycle} of {seen.cycles}" if seen.cycles else "–"
        current = (
            "–"
            if seen.current_a is None
            else f"{seen.current_a + 0.0:.3f} A".replace("-0.000", "0.000")
        )
        if seen.residual_current_a is not None:
            current = f"{milliamps(seen.residual_current_a)} measured residual"
        winding = "not known" if seen.winding_c is None else f"about {seen.winding_c:.0f} °C"
        supply = "–" if seen.supply_v is None else f"{seen.supply_v:.2f} V"
        return [
            ("state", state),
            ("cycle", cycle),
            ("current", current),
            ("winding", winding),
            ("supply", supply),
            ("drop-outs", f"{seen.drop_outs} cycles" if seen.drop_outs else "none seen"),
        ]

    def _plain(self, event: RunEvent) -> None:
        seen = self._seen
        key = (seen.state, seen.energised)
        quiet_s = None if self._plain_at_s is None else event.at_s - self._plain_at_s
        seldom = (EventKind.LIVE, EventKind.EDGE, EventKind.CYCLE, EventKind.NOT_SAFE)
        due = event.kind not in (*seldom, EventKind.STATE)
        due = due or key != self._plain_key or quiet_s is None or quiet_s >= PLAIN_S
        if not due:
            return
        self._plain_key, self._plain_at_s = key, event.at_s
        parts = [f"{seen.state}", seen.word]
        if seen.cycles:
            parts.append(f"cycle {seen.cycle} of {seen.cycles}")
        if seen.current_a is not None:
            parts.append(dict(self._pairs())["current"])
        if seen.winding_c is not None:
            parts.append(f"winding about {seen.winding_c:.0f} °C")
        line = f"{event.at_s:8.2f} s  {'  '.join(parts)}"
        if event.kind is EventKind.STARTED:
            line = f"{seen.part}: {seen.pattern}" + (f", tag {seen.tag}" if seen.tag else "")
        elif event.kind is EventKind.NOT_SAFE:
            line = f"{event.at_s:8.2f} s  {one_line(event.message)}"
        elif event.message and event.message != seen.state:
            line += f"  {one_line(event.message)}"
        self._print(line)

    def _print(self, line: str) -> None:
        # Folded between words on a terminal; in a file a line stays one.
        self.console.print(
            self._text(line), soft_wrap=not self.console.is_terminal, highlight=False
        )
