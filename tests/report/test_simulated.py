"""What was simulated says so in every output, by the rig's own id and whatever a person names."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from rich.console import Console

from avr.emulator import UNIQUE_ID
from benchrig.cli.records import summary_to_json, verdict_of
from benchrig.judge.verdict import Verdict
from benchrig.live import payloads
from benchrig.live.board import plain_line
from benchrig.live.shop import RigView, as_json
from benchrig.live.topics import RigTopics
from benchrig.record.export import features_table, list_table
from benchrig.record.forms import digest, record_to_json
from benchrig.record.rows import RunSummary
from benchrig.record.values import EventKind, RunEvent, RunRecord
from benchrig.report import html
from benchrig.report.certificate import Commission
from benchrig.report.history import before_after_line, history_lines
from benchrig.report.html.order import OrderPart, OrderSheet
from benchrig.report.terminal import LiveCard
from benchrig.report.verdict_card import VerdictCard
from benchrig.wire.simulated import SIMULATED_HIGH, is_simulated, simulated_id
from benchrig_sim.scenario import open_scenario, packaged
from tests.report import sample_records as samples

SIM = f"{simulated_id(7):016x}"
REAL = "00c0ffee12345678"


def record_of(unique_id: str, url: str = "/dev/ttyUSB0") -> RunRecord:
    """A sound part under a user's own names, of a rig behind a port of the user's own naming."""
    made = samples.healthy()
    part = replace(made.plan.part, invented=False, title="Fern pump")
    plan = replace(made.plan, part=part, operator="no simulation", note="a real part, really")
    return replace(made, plan=plan, rig=replace(made.rig, unique_id=unique_id, url=url))


def summary_of(unique_id: str) -> RunSummary:
    record = record_of(unique_id)
    return RunSummary(
        record_id=record.record_id,
        log_id="l",
        begun_at=record.begun_at,
        ended_at=record.ended_at,
        tag="T-1",
        part="fern",
        part_number="",
        order="",
        position="",
        stage="single",
        operator="",
        rig_unique_id=unique_id,
        verdict="PASS",
        ending="complete",
        proven_safe=True,
        cycles_done=3,
        drop_outs=0,
        values={},
    )


def _tray(record: RunRecord) -> str:
    row = html.TrayRow(slot="1", position="1", tag="T-1", record=record)
    return html.tray_page(html.TraySheet(order="O-1", rows=(row,)))


def _order(record: RunRecord) -> str:
    part = OrderPart(tag="T-1", records={record.plan.stage: record})
    return html.order_page(OrderSheet(order="O-1", parts=(part,), commission=Commission()))


PAGES: dict[str, Callable[[RunRecord], str]] = {
    "part_page": lambda record: html.part_page(record),
    "tray_page": _tray,
    "label_page": lambda record: html.label_page([record]),
    "order_page": _order,
    "label_svg": html.label_svg,
    "history_page": lambda record: html.history_page("T-1", [record]),
    "set_page": lambda record: html.set_page(
        samples.matching(), units=("ohm", "s"), simulated=record.simulated
    ),
    "control_page": lambda record: html.control_page(
        samples.golden(), samples.golden_days(), simulated=record.simulated
    ),
}


def _printed(draw: Callable[[Console], None], *, terminal: bool) -> str:
    out = io.StringIO()
    draw(Console(file=out, force_terminal=terminal, width=100))
    return out.getvalue()


def _live_card(unique_id: str) -> str:
    def draw(console: Console) -> None:
        card = LiveCard(console=console)
        data = {"rig": unique_id, "part": "Fern pump", "cycles": 3}
        card._seen.take(RunEvent(kind=EventKind.STARTED, at_s=0.0, data=data))
        console.print(card.card())

    return _printed(draw, terminal=True)


LINES: dict[str, Callable[[str], str]] = {
    "card": lambda i: _printed(VerdictCard(record_of(i)).print, terminal=False),
    "card on a terminal": lambda i: _printed(VerdictCard(record_of(i)).print, terminal=True),
    "live card": _live_card,
    "before and after": lambda i: before_after_line(record_of(i), record_of(REAL)),
    "history": lambda i: "".join(history_lines([record_of(i)])),
    "list": lambda i: verdict_of(summary_of(i)),
    "wall": lambda i: plain_line(RigView(bench="b", rig=i), samples_now()),
}


def samples_now() -> datetime:
    return datetime(2026, 12, 1, tzinfo=UTC)


def test_every_kind_of_page_is_looked_at() -> None:
    makers = {name for name in html.__all__ if name.endswith(("_page", "_svg"))}
    assert makers == set(PAGES)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_of_a_simulated_part_says_so_and_of_a_real_one_does_not(name: str) -> None:
    assert "SIMULATED" in PAGES[name](record_of(SIM))
    assert "SIMULATED" not in PAGES[name](record_of(REAL))
    # The link alone tells too, for what was kept under another id.
    assert "SIMULATED" in PAGES[name](record_of(REAL, "sim:healthy"))


@pytest.mark.parametrize("name", [n for n in PAGES if n != "label_svg"])
def test_a_page_bears_banner_watermark_and_title(name: str) -> None:
    page = PAGES[name](record_of(SIM))
    assert '<div class="watermark" aria-hidden="true">SIMULATED</div>' in page
    assert '<p class="simulated">SIMULATED RIG' in page
    assert "<title>SIMULATED · " in page


@pytest.mark.parametrize("name", LINES)
def test_a_line_that_stands_alone_says_so(name: str) -> None:
    assert "SIMULATED" in LINES[name](SIM)
    assert "SIMULATED" not in LINES[name](REAL)


def test_json_lists_and_tables_say_so() -> None:
    for unique_id, simulated in ((SIM, True), (REAL, False)):
        assert record_to_json(record_of(unique_id))["simulated"] is simulated
        assert summary_to_json(summary_of(unique_id))["simulated"] is simulated
        header, (line,) = list_table([summary_of(unique_id)])
        assert line[header.index("simulated")] is simulated
        assert as_json(RigView(bench="b", rig=unique_id), samples_now())["simulated"] is simulated
    header, lines = features_table(samples.healthy().cycles, {"simulated": True})
    assert all(line[header.index("simulated")] is True for line in lines)


def test_every_message_to_the_shop_says_so() -> None:
    happened = RunEvent(kind=EventKind.CYCLE, at_s=1.0)
    for unique_id, simulated in ((SIM, True), (REAL, False)):
        topics = RigTopics(bench="b", rig=unique_id)
        told = [
            payloads.link(topics, payloads.Link.HERE, "2026-12-01T10:00:00+00:00"),
            payloads.state(topics, payloads.StateNow(), "2026-12-01T10:00:00+00:00"),
            payloads.event(topics, "r", happened, "2026-12-01T10:00:00+00:00"),
            payloads.cycle(topics, "r", happened, "2026-12-01T10:00:00+00:00"),
            payloads.live(topics, "r", happened, "2026-12-01T10:00:00+00:00"),
            payloads.verdict(topics, record_of(unique_id)),
        ]
        assert all(payload["simulated"] is simulated for payload in told)


@pytest.mark.parametrize("name", packaged())
def test_no_scenario_and_no_seed_gives_a_board_s_id(name: str) -> None:
    for seed in (0, 1, 2**31, 2**40 + 5):
        assert is_simulated(open_scenario(f"{name}?seed={seed}").rig.identity.unique_id)


def test_the_emulated_board_is_no_board() -> None:
    assert is_simulated(UNIQUE_ID)


def test_only_ids_of_the_range_are_simulated() -> None:
    assert not is_simulated((SIMULATED_HIGH + 1) << 32)
    assert not is_simulated((SIMULATED_HIGH << 32) - 1)
    assert is_simulated(simulated_id(-1))
    assert not is_simulated("rig")


def test_the_mark_changes_no_digest_of_a_record() -> None:
    """It follows from what is kept; a flag that were kept could be kept false."""
    record = record_of(SIM)
    assert "simulated" not in type(record.rig).__dataclass_fields__
    assert record.verdict is Verdict.PASS
    assert len(digest(record)) == 64
