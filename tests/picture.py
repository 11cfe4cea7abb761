"""Draws the README's picture: ``python -m tests.picture`` writes ``.docs/run.svg``.

A whole simulated run of an invented part; what the program shows on a terminal while it cycles
and at its end, and nothing drawn by hand.
"""

from __future__ import annotations

import io
import re
import tempfile
from pathlib import Path

from rich.console import Console, RenderableType

from benchrig.measure.samples import SampleBlock
from benchrig.patterns import library
from benchrig.record.forms import digest
from benchrig.record.values import EventKind, RunEvent
from benchrig.report.terminal import LiveCard
from benchrig.report.verdict_card import VerdictCard
from tests.bench_room.jobs import plan_for, run_sim

PICTURE = Path(__file__).parents[1] / ".docs" / "run.svg"
SCENARIO = "opens-when-hot"
WIDTH = 96
SHOWN_CYCLE = 7
FONTS = "ui-monospace, Menlo, Consolas, 'DejaVu Sans Mono', monospace"


class Snapshot:
    """A sink that keeps the live card as it stood in the middle of a cycle."""

    essential = False
    failure = None

    def __init__(self, console: Console) -> None:
        self._card = LiveCard(console=console)
        self._looks = 0
        self.taken: RenderableType | None = None

    def accept(self, event: RunEvent) -> None:
        """Fold the event in without drawing; keep the card at its moment."""
        self._card._seen.take(event)
        live = event.kind is EventKind.LIVE and event.data.get("on")
        if live and self._card._seen.cycle == SHOWN_CYCLE:
            self._looks += 1
            if self._looks == 20:
                self.taken = self._card.card()

    def add_block(self, block: SampleBlock) -> None:
        """Nothing: the card lives on events."""


def draw() -> str:
    """The picture as SVG text, without fonts from a network."""
    console = Console(record=True, width=WIDTH, force_terminal=True, file=io.StringIO())
    snapshot = Snapshot(console)
    plan = plan_for(pattern=library.load("six-second"), tag="K-0002")
    with tempfile.TemporaryDirectory() as folder:
        record = run_sim(SCENARIO, Path(folder) / "runs.db", plan=plan, sinks=(snapshot,))
    assert snapshot.taken is not None
    options = "--soaked 22 --tag K-0002 --yes"
    command = f"$ benchrig run demo-injector --rig sim:{SCENARIO} {options}"
    console.print(command, style="bold", highlight=False)
    console.print(snapshot.taken)
    console.print("... while it cycles, and at its end:", style="dim", highlight=False)
    VerdictCard(record, digest=digest(record), where="the run log").print(console)
    svg = console.export_svg(title="benchrig: simulated rig, invented part", unique_id="run")
    svg = re.sub(r"<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"@font-face\s*{.*?}\s*", "", svg, flags=re.DOTALL)
    return re.sub(r"font-family:\s*Fira Code, monospace", f"font-family: {FONTS}", svg)


if __name__ == "__main__":
    PICTURE.parent.mkdir(exist_ok=True)
    PICTURE.write_text(draw(), encoding="utf-8")
