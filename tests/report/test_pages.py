"""What the pages say, that they are closed in themselves, and that the same gives the same."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from benchrig.errors import UsageError
from benchrig.judge.judge import overall_reason
from benchrig.judge.verdict import Verdict
from benchrig.parts.part import Characteristic
from benchrig.report.html import (
    TrayRow,
    TraySheet,
    control_page,
    label_svg,
    part_page,
    set_page,
    tray_page,
)
from benchrig.report.html.sheets import why_not_passed
from benchrig.report.pdf import pdf_bytes
from benchrig.report.words import bound_text
from tests.report import sample_records as samples
from tests.report.sample_pages import other_pages, part_pages

ROOT = Path(__file__).parents[2]


class _Text(HTMLParser):
    """The words of a page as a reader gets them, and the tags it is made of."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: set[str] = set()
        self.addresses: list[str] = []
        self._hidden = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self._hidden = tag == "style"
        self.addresses += [v or "" for n, v in attrs if n in ("href", "src", "xlink:href")]
        assert not any(name.startswith("on") for name, _ in attrs)

    def handle_endtag(self, tag: str) -> None:
        self._hidden = False

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.words.append(data)


def _read(page: str) -> _Text:
    reader = _Text()
    reader.feed(page)
    return reader


def _words(page: str) -> str:
    return " ".join(" ".join(_read(page).words).split())


def test_a_part_page_says_all_of_it() -> None:
    text = _words(part_pages()["failing"])
    assert "FAIL: Cycles with a drop-out" in text
    for needed in (
        "PART IS OFF measured residual 0.31 mA",
        "FAIL Alder Lane purge solenoid",
        "INVENTED DATA",
        "Tag T-0412",
        "Position 3 (cylinder number, as labelled)",
        "14.520 ± 0.087 Ω",
        "13 to 16 Ω",
        "Alder Lane workshop manual (invented), table 4, page 31",
        "The current fell away in 9 of 25 cycles",
        "Does not prove: whether the break is in the coil or in its connector",
        "fewer than 54.1 % of its cycles",
        "Every drop-out (9)",
        "cycle 14, 160.500 s: 120 µs, 98 % lost, 57 °C",
        "00c0ffee12345678 at sim:healthy",
        "calibrated 2026-11-02",
        "lead null 0.0871 ± 0.0035 Ω",
        "Take care.",
        f"digest {samples.DIGEST}",
        "20261125-093000-m7qa",
    ):
        assert needed in text, needed


def test_a_part_not_proven_safe_is_never_called_off() -> None:
    page = part_pages()["not_proven"]
    text = _words(page)
    assert "PART IS OFF" not in text
    assert "NOT PROVEN SAFE 0.87 A flowed" in text
    assert "Switch off the supply" in text
    assert 'class="safe loud"' in page


def test_every_verdict_has_its_word_and_its_own_shape() -> None:
    def shapes(page: str) -> set[str]:
        found = re.findall(r'<svg class="shape"[^>]*>(.*?)</svg> ([A-Z ]+)</span>', page)
        return {f"{word}|{re.sub('#[0-9a-f]{6}', '', inner)}" for inner, word in found}

    seen = set().union(*(shapes(page) for page in part_pages().values()))
    assert {entry.split("|")[0] for entry in seen} == {
        *("PASS", "FAIL", "INCONCLUSIVE", "NOT ASSESSED")
    }
    assert len({entry.split("|")[1] for entry in seen}) == 4  # without colour, still four


def test_invented_data_are_marked_and_real_ones_are_not() -> None:
    record = samples.healthy()
    real = replace(
        record, plan=replace(record.plan, part=replace(record.plan.part, invented=False))
    )
    assert "INVENTED" in part_page(record)
    assert "INVENTED" not in part_page(real)
    assert "INVENTED" in label_svg(record)
    assert "INVENTED" not in label_svg(real)


@pytest.mark.parametrize("name", [*part_pages(), *other_pages()])
def test_a_page_carries_everything_and_runs_nothing(name: str) -> None:
    page = {**part_pages(), **other_pages()}[name]
    reader = _read(page)
    assert "script" not in reader.tags
    assert not reader.tags & {"img", "iframe", "object", "embed", "form", "base"}
    assert all(a.startswith("data:,") for a in reader.addresses)
    outside = set(re.findall(r"https?://[^\s\"'<]+", page)) - {"http://www.w3.org/2000/svg"}
    assert not outside
    assert "url(" not in page
    assert "@import" not in page


def test_hostile_text_is_shown_and_is_nothing_else() -> None:
    page = part_pages()["hostile"]
    assert "<script" not in page
    assert "\x1b" not in page
    assert "\u202e" not in page
    assert '<script>alert("x")</script>' in _words(page)
    label = other_pages()["labels"]
    assert "<script" not in label
    assert "&lt;script&gt;" in label


def test_the_budget_comes_on_demand_and_adds_up() -> None:
    record = samples.healthy()
    assert "shunt calibration" not in part_page(record)
    text = _words(part_page(record, budget=True))
    assert "shunt calibration B 0.035 Ω 64 %" in text
    assert "repeatability A 0.022 Ω 25 %" in text
    assert "combined 0.044 Ω" in text


def test_what_was_typed_in_is_shown_with_unit_stage_and_person() -> None:
    text = _words(part_page(samples.healthy(), entries=samples.typed()))
    for needed in (
        "incoming: static flow 212 ± 4 cc/min at 300 kPa, test fluid",
        "cleaned: static flow 219 cc/min, dynamic flow 5.1 µL a pulse (J.",
        "cleaned: leak 2 drops in 60 s at 300 kPa (J. Sample, 2026-11-25 10:00)",
        "incoming: spray one-sided",
        'corrected: tag "T-0142" → "T-0412", because digits swapped',
    ):
        assert needed in text, needed
    assert "as typed in" not in _words(part_page(samples.healthy()))


def test_more_drop_outs_than_fit_go_to_a_second_sheet_complete() -> None:
    page = other_pages()["crowded"]
    assert "Every drop-out (45), with its length" in page
    sheet = page.split("Every drop-out of record")[1]
    assert sheet.split("</ul>")[0].count("<li>") == 45


def test_the_tray_keeps_labels_and_order_as_written() -> None:
    page = tray_page(samples.tray())
    slots = re.findall(r'data-name="slot"><strong>([^<]*)', page)
    positions = re.findall(r'data-name="position">([^<]*)', page)
    assert slots == [f"A{n}" for n in range(1, 9)]
    assert positions == ["1", "3", "4", "2", "5R", "6", "7", "8"]
    text = _words(page)
    assert "ALL PARTS ARE OFF greatest measured residual 0.31 mA" in text
    assert "4 PASS, 2 FAIL, 1 INCONCLUSIVE, 1 without a record." in text
    assert "OUTLIER: R20 3.4 sigma" in text
    assert "Before and after: FAIL → PASS; changed more than the uncertainty: R20" in text
    assert "they count: cylinder number" in text


def test_the_tray_shows_what_was_typed_in_and_says_what_it_fails() -> None:
    text = _words(tray_page(samples.tray()))
    assert "Outside its limit by a value typed in: slot A4." in text
    assert text.count("Typed in: static flow") == 3
    assert re.search(r"Typed in: static flow 216 ± 2 cc/min at 300 kPa, test fluid\s+FAIL", text)
    assert "Typed in: leak 2 drops in 60 s at 300 kPa" in text
    assert "<b>wet</b>" not in tray_page(samples.tray())  # what was typed is text, never markup
    sheet = samples.tray()
    sound = replace(sheet, rows=tuple(r for r in sheet.rows if r.slot != "A4"))
    assert "Outside its limit by" not in _words(tray_page(sound))


def test_one_part_not_off_makes_the_whole_tray_loud() -> None:
    sheet = samples.tray()
    rows = (replace(sheet.rows[0], record=samples.not_proven()), *sheet.rows[1:])
    text = _words(tray_page(replace(sheet, rows=rows)))
    assert "NOT PROVEN SAFE slot A1" in text
    assert "ALL PARTS ARE OFF" not in text
    empty = _words(tray_page(TraySheet(order="", rows=sheet.rows[-1:])))
    assert "ALL PARTS ARE OFF" not in empty  # nothing measured, nothing claimed


def test_the_set_page_names_spread_leftovers_and_what_is_proven() -> None:
    matching = samples.matching()
    text = _words(set_page(matching, units=("ohm", "s"), simulated=False))
    for needed in (
        "2 sets of 4 by R20, opening time",
        f"Worst spread {100 * matching.worst_spread:.3g} %",
        "optimal: no other sorting has a smaller one",
        "Left over: T-0419.",
        "14.64 Ω, 1.71 ms",
        f"Spread: {matching.definition.value}.",
    ):
        assert needed in text, needed
    for each in matching.sets:
        assert f"{100 * each.spread:.2f} %" in text
    found = _words(set_page(replace(matching, optimal=False), units=("ohm", "s"), simulated=False))
    assert "optimal" not in found
    assert "best found" in found


def test_the_golden_page_says_when_no_part_may_be_judged() -> None:
    text = _words(control_page(samples.golden(), samples.golden_days(), simulated=False))
    assert "FAIL" in text
    assert "No part is judged until the cause is found." in text
    assert "2026-11-30 outside" in text
    assert "R20 (at 20 °C) of the golden part: 14.710" in text
    good = _words(control_page(samples.golden(14.5), samples.golden_days(), simulated=False))
    assert "PASS" in good
    assert "outside" not in good
    assert "No part is judged" not in good


def test_the_same_record_gives_the_same_bytes_in_another_process() -> None:
    code = (
        "import hashlib, sys\n"
        "from tests.report.sample_pages import part_pages, other_pages\n"
        "pages = {**part_pages(), **other_pages()}\n"
        "for name in sorted(pages):\n"
        "    print(name, hashlib.sha256(pages[name].encode()).hexdigest())\n"
    )
    path = os.pathsep.join([str(ROOT), str(ROOT / "sims")])

    def run(seed: str) -> str:
        env = {**os.environ, "PYTHONPATH": path, "PYTHONHASHSEED": seed, "TZ": f"UTC{seed}"}
        command = [sys.executable, "-c", code]
        return subprocess.run(
            command, capture_output=True, check=True, text=True, cwd=ROOT, env=env
        ).stdout

    first = run("1")
    time.sleep(1.1)  # a clock in the page would show
    assert run("5") == first
    assert len(first.splitlines()) == 13


def test_a_page_stays_small() -> None:
    sizes = {name: len(page.encode()) for name, page in {**part_pages(), **other_pages()}.items()}
    assert max(sizes.values()) <= 400_000, sizes


def test_an_unknown_paper_is_refused() -> None:
    with pytest.raises(UsageError, match="paper"):
        part_page(samples.healthy(), paper="a3")


def test_contrast_of_every_text_on_every_ground() -> None:
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text, by its relative luminance."""
    css = (ROOT / "benchrig/report/html/templates/page.css").read_text(encoding="utf-8")
    tokens = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", css))
    grounds = [v for k, v in tokens.items() if k.startswith("ground-")]
    texts = [v for k, v in tokens.items() if k.startswith("text-")]
    assert len(grounds) >= 2
    assert len(texts) >= 6
    for text in texts:
        for ground in grounds:
            assert contrast(text, ground) >= 4.5, (text, ground)
    assert contrast(tokens["loud-text"], tokens["loud-ground"]) >= 4.5
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # known just below


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours as WCAG 2.2 defines it."""

    def luminance(colour: str) -> float:
        parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


@pytest.mark.filterwarnings("ignore")
def test_the_pdf_is_one_page_of_the_paper_asked_for() -> None:
    pytest.importorskip("weasyprint")
    for paper, box in (("a4", b"595.2"), ("letter", b"612")):
        page = part_pages(paper)["failing"]
        made = pdf_bytes(page)
        assert made.startswith(b"%PDF")
        assert made == pdf_bytes(page)
        assert _page_sizes(made) == [box.decode()], paper


def _page_sizes(pdf: bytes) -> list[str]:
    done = subprocess.run(
        ["pdfinfo", "-f", "1", "-l", "9", "-"], input=pdf, capture_output=True, check=True
    )
    return [m[:5] for m in re.findall(r"Page +\d+ size: +([0-9.]+)", done.stdout.decode())]


def test_a_missing_pdf_library_is_said_with_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(UsageError, match="not installed") as caught:
        pdf_bytes("<p>x</p>")
    assert "pip install 'benchrig[pdf]'" in caught.value.advice


@pytest.mark.parametrize(
    ("rate", "words"),
    [
        (0.1129, "fewer than 11.3 % of its cycles"),
        (2.9957e-4, "fewer than 0.03 % of its cycles"),
        (4.571e-5, "fewer than 0.00457 % of its cycles"),
        (1.0, "up to all of its cycles"),
    ],
)
def test_a_bound_is_never_rounded_to_nothing(rate: float, words: str) -> None:
    """0.0 % would say that the part never fails, which no number of cycles shows."""
    assert words in bound_text(replace(samples.healthy(), fault_rate_upper_95=rate))


def test_a_tray_says_why_a_part_was_not_passed_though_no_one_value_says_it() -> None:
    record = samples.healthy()
    known = {Characteristic.RESISTANCE_20C, Characteristic.CURRENT}
    judged = tuple(
        replace(j, verdict=Verdict.NOT_ASSESSED) if j.characteristic in known else j
        for j in record.characteristics
    )
    reason = overall_reason(judged, complete=True)
    open_ = replace(
        record, characteristics=judged, verdict=Verdict.INCONCLUSIVE, verdict_reason=reason
    )
    assert "neither resistance nor current was judged" in why_not_passed(open_)
    assert why_not_passed(record) == ""


def test_a_tray_of_several_kinds_carries_the_cautions_of_all() -> None:
    both = [
        TrayRow(slot=str(n), position=str(n), tag=f"T-{n}", record=make())
        for n, make in enumerate((samples.healthy, samples.pump), 1)
    ]
    page = tray_page(TraySheet(order="WO-1", rows=tuple(both)))
    assert "Armatures and valve flaps pinch." in page
    assert "keep fingers off the coupling" in page
    assert page.count("Eye protection always.") == 1
    waiting = tray_page(TraySheet(order="WO-1", rows=(replace(both[0], record=None),)))
    assert "Take care" in waiting  # parts lie there, though none is measured yet
    assert "Eye protection always." in waiting


def test_a_label_never_says_two_things() -> None:
    label = label_svg(replace(samples.not_proven(), verdict=Verdict.INCONCLUSIVE))
    assert "NOT PROVEN SAFE" in label
    assert "INCONCLUSIVE" not in label
