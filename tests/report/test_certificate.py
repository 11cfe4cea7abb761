"""The part's page as a certificate, and the order's: what they say and in which order."""

from __future__ import annotations

from dataclasses import replace

from benchrig.record.entries import Correction, FlowEntry, ReleaseEntry, WorkEntry
from benchrig.record.values import Stage
from benchrig.report.certificate import NOT_RELEASED, Commission, calibration_text
from benchrig.report.finding import finding_text
from benchrig.report.html import order_page, part_page
from benchrig.report.html.order import OrderPart, OrderSheet
from benchrig.report.html.sheets import TypedLine
from benchrig.report.shop import ShopDetails
from tests.report import sample_records as samples
from tests.report.test_pages import _words

WHO = Commission(
    shop=ShopDetails(name="Invented Works", address=("1 Example Road",), phone="000"),
    customer="Mill Street (invented)",
    asked="quits when warm",
)
AT = "2026-11-25T10:00:00+00:00"


def test_the_head_says_whose_it_is_and_the_verdict_comes_before_the_proof_of_off() -> None:
    text = _words(part_page(samples.failing(), commission=WHO))
    text = text[text.index("computed") :]  # behind title and banner
    order = ("Invented Works", "Mill Street", "quits when warm", "FAIL", "Ran 13 cycles")
    places = [text.index(words) for words in (*order, "Characteristic", "PART IS OFF")]
    assert places == sorted(places)
    assert text.index("Current rise") < text.index("Characteristic")  # curves before the table


def test_what_is_not_proven_off_still_comes_first() -> None:
    text = _words(part_page(samples.not_proven()))
    assert text.index("NOT PROVEN SAFE") < text.index("Tested")


def test_nobody_has_released_a_page_until_somebody_has() -> None:
    record = samples.failing()
    assert NOT_RELEASED in part_page(record)
    entry = ReleaseEntry(at=AT, who="M. Sample", record_id=record.record_id)
    page = part_page(record, entries=[entry])
    assert NOT_RELEASED not in page
    assert "Released by M. Sample, 2026-11-25 10:00" in page


def test_a_correction_prints_as_one_and_what_was_withdrawn_is_struck_through() -> None:
    corrected = Correction(at=AT, who="w", field="tag", old="T-1", new="T-2", why="misread")
    flow = FlowEntry(at=AT, who="w", tag="T-2", stage="single", static_flow_cc_per_min=2400.0)
    page = part_page(samples.healthy(), entries=[corrected], withdrawn=[(flow, "a nought")])
    assert "<strong>Corrected page.</strong> corrected: tag" in page
    assert "<s>single: static flow 2400 cc/min" in page


def test_the_calibration_is_said_plainly() -> None:
    record = samples.healthy()
    assert calibration_text(record).startswith("calibrated 2026-11-02")
    none = replace(record.rig, calibration_date=None, calibration_expired=True)
    assert calibration_text(replace(record, rig=none)).startswith("NOT CALIBRATED")
    old = replace(record.rig, calibration_expired=True)
    assert calibration_text(replace(record, rig=old)).startswith("CALIBRATION EXPIRED")


def test_the_finding_is_made_from_what_was_seen() -> None:
    assert finding_text(samples.healthy()) == "Ran all 25 cycles without a drop-out."
    failing = samples.failing()
    assert finding_text(failing) == (
        "Ran 13 cycles, then the current was lost in cycle 14 with the winding at about 57 °C, "
        "and in 9 of 25 cycles in all."
    )
    # Opened in cycle 21 for good: every cycle from there ends without current.
    first = failing.drop_outs[0]
    dead = tuple(
        replace(first, cycle=c.cycle, start_s=c.start_s, duration_s=c.on_s)
        for c in failing.cycles
        if c.cycle > 20
    )
    assert finding_text(replace(failing, drop_outs=dead)).endswith("and it did not come back.")
    # The last cycle was whole again: it came back.
    assert "did not" not in finding_text(replace(failing, drop_outs=dead[:-1]))
    none = replace(failing, cycles=(), cycles_done=0, drop_outs=())
    assert finding_text(none).startswith("No cycle was run")


def test_an_order_shows_its_stages_what_changed_and_what_was_done() -> None:
    before = replace(samples.failing(), begun_at="2026-11-24T09:00:00+00:00")
    after = samples.healthy()
    part = OrderPart(
        tag="T-0412",
        records={Stage.INCOMING: before, Stage.RETEST: after},
        flows=[("retest", TypedLine(text="static flow 210 cc/min", verdict="FAIL"))],
        set_name="set 1",
    )
    work = WorkEntry(at=AT, who="w", order="O-1", text="cleaned 20 min")
    text = _words(
        order_page(OrderSheet(order="O-1", parts=(part,), commission=WHO, work=[work.text]))
    )
    for needed in (
        "Mill Street (invented)",
        "1 parts, at their last stage: 1 PASS",
        "1 from FAIL to PASS",
        "flow outside its limit: T-0412",
        "cleaned 20 min",
        "Cycles with a drop-out 9 of 25 → 0 of 25",
        "set 1",
    ):
        assert needed in text, needed
