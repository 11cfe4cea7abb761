"""The card at the end of a run: first that the part is off, then what is known of it."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from benchrig.judge.conformity import NO_LIMIT
from benchrig.judge.verdict import SHAPES, Judged, Verdict
from benchrig.record.values import DISCONNECT, RunRecord
from benchrig.report import words
from benchrig.report.bigtext import big_lines
from benchrig.report.standing import left_open_text, why_text
from benchrig.report.terminal import CARD_WIDTH_MAX
from benchrig.text import one_line, speaks_unicode, to_ascii
from benchrig.wire.simulated import MARK, SENTENCE

_COLOURS: dict[Verdict, str] = {
    Verdict.PASS: "green",
    Verdict.FAIL: "red",
    Verdict.INCONCLUSIVE: "yellow",
    Verdict.NOT_ASSESSED: "default",
}
_WIDE_FROM = 100


class VerdictCard:
    """A finished record on a terminal, or as plain lines where there is none."""

    def __init__(self, record: RunRecord, *, digest: str = "", where: str = "") -> None:
        self._record = record
        self._digest = digest
        self._where = where  # where the record is kept, for example the log's path

    def print(self, console: Console | None = None) -> None:
        """Write the card; to standard error unless a console is handed in."""
        console = console or Console(stderr=True)
        console.print(self.render(console), highlight=False, markup=False)

    def render(self, console: Console) -> RenderableType:
        """The card for this console's width and alphabet."""
        return _Card(self._record, self._digest, self._where, console).whole()


class _Card:
    def __init__(self, record: RunRecord, digest: str, where: str, console: Console) -> None:
        self.record = record
        self.digest = digest
        self.where = where
        self.plain = not console.is_terminal
        self.unicode = speaks_unicode(console.encoding)
        limit = console.width if self.plain else min(console.width, CARD_WIDTH_MAX + 20)
        self.inner = limit if self.plain else limit - 4
        self.width = limit

    def whole(self) -> RenderableType:
        # The safe line comes last: on a short screen it is what stays in sight.
        body = Group(
            *self._identity(),
            *self._characteristics(),
            self._rule(),
            *self._foot(),
            self._rule(),
            *self._verdict(),
            *self._safe(),
        )
        if self.plain:
            return body
        border = "green" if self.record.proven_safe else "bold red"
        return Panel(body, width=self.width, border_style=border)

    def _text(self, text: str, style: str = "") -> Text:
        text = one_line(text)
        return Text(text if self.unicode else to_ascii(text), style=style, overflow="fold")

    def _rule(self) -> Text:
        return self._text(("─" if self.unicode else "-") * self.inner, "dim")

    def _safe(self) -> Iterator[RenderableType]:
        record = self.record
        proven = record.proven_safe
        line = words.safe_line(record.made_safe)
        style = "bold" if proven else "bold reverse red"
        big = "PART IS OFF" if proven else "NOT PROVEN SAFE"
        if not self.plain and self.unicode and self.inner >= len(big_lines(big)[0]):
            yield Text("\n".join(big_lines(big)), style=style, no_wrap=True)
        yield self._text(line, style)
        yield self._text(words.safe_detail(record.made_safe), "" if proven else "bold")
        if not proven:
            for number, step in enumerate(DISCONNECT, 1):
                yield self._text(f"{number}. {step}", "bold")

    def _identity(self) -> Iterator[RenderableType]:
        record = self.record
        part = record.plan.part
        yield self._text(f"{part.title}, {part.kind.value}", "bold")
        if record.simulated:
            yield self._text(f" {SENTENCE} ", "bold reverse")
        if part.invented:
            yield self._text("INVENTED DATA: this part and its limits exist in a demo only", "bold")
        if who := words.who_text(record):
            yield self._text(who)
        if record.plan.note:
            yield self._text(f"note: {record.plan.note}")
        yield self._text(f"{words.ending_text(record)}; {words.temperature_text(record)}")

    def _verdict(self) -> Iterator[RenderableType]:
        head = Table.grid(padding=(0, 2))
        head.add_column(no_wrap=True)
        head.add_column(overflow="fold")
        record = self.record
        tail = f"{MARK}  " if record.simulated else ""
        tail += f"record {record.record_id}"
        if self.digest:
            tail += f"  digest {self.digest[:16]}"
        head.add_row(self._shape(record.verdict, large=True), self._text(tail, "bold"))
        yield head
        if why := why_text(record):
            failed = "failed: " if record.verdict is Verdict.FAIL else ""
            yield self._text(failed + words.named(why))
        if self.where:
            yield self._text(f"kept in {self.where}")

    def _shape(self, verdict: Verdict, *, large: bool = False) -> Text:
        style = f"bold {_COLOURS[verdict]}" + (" reverse" if large else "")
        shape = SHAPES[verdict]
        if not self.unicode:
            shape = to_ascii(shape)
        pad = " " if large else ""
        return Text(f"{pad}{shape} {verdict.value}{pad}", style=style, no_wrap=True)

    def _characteristics(self) -> Iterator[RenderableType]:
        for judged in self.record.characteristics:
            yield Text("")
            yield self._row(judged)
            for line in self._reasons(judged):
                yield Padding(line, (0, 0, 0, 4))

    def _row(self, judged: Judged) -> Table:
        wide = self.inner >= _WIDE_FROM - 4
        row = Table.grid(padding=(0, 2, 0, 0))
        row.add_column(width=14 if self.unicode else 16, no_wrap=True)
        row.add_column(width=28 if wide else 22, overflow="fold")
        row.add_column(width=26 if wide else 18, overflow="fold")
        row.add_column(overflow="fold")
        row.add_row(
            self._shape(judged.verdict),
            self._text(words.NAMES[judged.characteristic], "bold"),
            self._text(words.judged_value(judged, self.record), "bold"),
            self._text(words.limit_text(judged.limit, words.judged_scale(judged))),
        )
        return row

    def _reasons(self, judged: Judged) -> Iterator[RenderableType]:
        if judged.limit is not None or judged.reason != NO_LIMIT:
            yield self._text(words.named(judged.reason))
        notes = []
        if judged.limit is not None:
            notes.append(f"limit from: {judged.limit.source}")
        if zone := words.zone_text(judged):
            notes.append(f"zone {zone}")
        if notes:
            yield self._text("; ".join(notes))
        if judged.does_not_prove:
            yield self._text(f"does not prove: {judged.does_not_prove}", "italic")

    def _foot(self) -> Iterator[RenderableType]:
        record = self.record
        yield self._text(words.bound_text(record))
        for drop in record.drop_outs[:8]:
            yield self._text(words.drop_out_text(drop), "bold")
        if len(record.drop_outs) > 8:
            yield self._text(f"and {len(record.drop_outs) - 8} more; all are in the report")
        if record.edges_lost or record.blocks_lost:
            yield self._text(
                f"lost on the link: {record.edges_lost} edges, {record.blocks_lost} sample blocks"
            )
        for warning in record.warnings:
            yield self._text(f"! {warning}", "yellow")
        yield self._text(left_open_text(record))
        yield self._text("Take care: " + " ".join(self._cautions()))

    def _cautions(self) -> tuple[str, ...]:
        return words.cautions((self.record.plan.part,), words.hottest_c(self.record))
