"""What a person sees on a terminal: the large words, the width, black and white, plain lines."""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.console import Console

from benchrig.judge.verdict import SHAPES, Verdict
from benchrig.record.values import EventKind, RunEvent, RunRecord
from benchrig.report.bigtext import big_lines
from benchrig.report.terminal import LiveCard, sparkline
from benchrig.report.verdict_card import VerdictCard
from benchrig.report.words import quantity, value_text
from tests.report import sample_records as samples

ROOT = Path(__file__).parents[2]
RECORDS: list[Callable[[], RunRecord]] = [
    *(samples.healthy, samples.failing, samples.inconclusive),
    *(samples.not_proven, samples.pump, samples.hostile),
]


def _console(width: int, *, terminal: bool = True, encoding: str = "utf-8") -> Console:
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="strict", newline="\n")
    return Console(
        file=stream,
        width=width,
        force_terminal=terminal,
        no_color=True,
        legacy_windows=False,
        _environ={"TERM": "xterm"} if terminal else {},
    )


def _written(console: Console) -> str:
    console.file.flush()
    buffer = console.file.buffer  # type: ignore[attr-defined]
    return str(buffer.getvalue().decode(console.encoding))


def _verdict_text(record: RunRecord, width: int, **how: object) -> str:
    console = _console(width, **how)  # type: ignore[arg-type]
    VerdictCard(record, digest=samples.DIGEST, where="/shop/log.sqlite").print(console)
    return _written(console)


def _bare(text: str) -> str:
    """Without style sequences."""
    return re.sub(r"\x1b\[[0-9;]*m", "", text)


@pytest.mark.parametrize("width", [80, 100, 120])
@pytest.mark.parametrize("make", RECORDS, ids=lambda make: make.__name__)
def test_no_line_is_wider_than_the_screen(make: Callable[[], RunRecord], width: int) -> None:
    lines = _bare(_verdict_text(make(), width)).splitlines()
    assert len(lines) > 20
    assert max(cell_len(line) for line in lines) <= width


def test_the_largest_words_say_that_the_part_is_off_with_the_measured_current() -> None:
    text = _bare(_verdict_text(samples.healthy(), 80))
    assert "PART IS OFF  measured residual 0.31 mA" in text
    for line in big_lines("PART IS OFF"):
        assert line.rstrip() in text
    # It stands in the last lines: a short screen that scrolled still shows it.
    assert "PART IS OFF" in "\n".join(text.splitlines()[-5:])


def test_a_part_not_proven_off_is_never_called_off() -> None:
    text = _bare(_verdict_text(samples.not_proven(), 80))
    assert "PART IS OFF" not in text
    assert big_lines("PART IS OFF")[0] not in text
    assert "NOT PROVEN SAFE" in text
    assert "Switch off the supply" in text
    assert "0.87 A" in text


def test_verdicts_differ_by_word_and_shape_without_colour() -> None:
    assert len(set(SHAPES.values())) == len(Verdict)
    failing = _bare(_verdict_text(samples.failing(), 120))
    assert "✕ FAIL" in failing
    assert "● PASS" in failing
    assert "○ NOT ASSESSED" in failing
    assert "◆ INCONCLUSIVE" in _bare(_verdict_text(samples.inconclusive(), 120))


def test_no_colour_leaves_no_colour_sequence() -> None:
    text = _verdict_text(samples.failing(), 100)
    colours = [f"\x1b[{code}m" for code in (*range(30, 38), *range(90, 98))]
    assert not any(colour in text for colour in colours)
    assert "\x1b[1m" in text  # but weight stays


def test_everything_a_person_must_know_is_on_the_card() -> None:
    text = " ".join(_bare(_verdict_text(samples.failing(), 120)).replace("│", " ").split())
    for needed in (
        "INVENTED DATA",
        "14.520 ± 0.087 Ω",
        "13 to 16 Ω",
        "limit from: Alder Lane workshop manual (invented), table 4, page 31",
        "does not prove: whether the break is in the coil or in its connector",
        "drop-out in cycle 14 at 160.500 s for 120 µs",
        "fewer than 54.1 % of its cycles",
        "Eye protection always.",
        "20261125-093000-m7qa",
        "9 of 25 cycles",
        "WO-1187",
        "3 (cylinder number, as labelled)",
    ):
        assert needed in text, needed


def test_the_card_says_why_and_what_it_leaves_open() -> None:
    def said(record: RunRecord) -> str:
        return " ".join(_bare(_verdict_text(record, 120)).replace("│", " ").split())

    healthy = said(samples.healthy())
    assert "resistance and current within the published limits, no drop-out" in healthy
    assert "flow, spray, leak and sealing were not measured by this run" in healthy
    cut = replace(
        samples.healthy(),
        verdict=Verdict.INCONCLUSIVE,
        verdict_reason="the run or its data are not complete",
    )
    assert "the run or its data are not complete" in said(cut)
    assert "failed: Cycles with a drop-out" in said(samples.failing())
    silent = replace(samples.healthy(), verdict=Verdict.INCONCLUSIVE, verdict_reason="")
    assert "within the published limits" not in said(silent)


@pytest.mark.parametrize("terminal", [True, False])
def test_hostile_text_moves_no_cursor_and_is_no_markup(terminal: bool) -> None:
    text = _verdict_text(samples.hostile(), 120, terminal=terminal)
    assert "\x1b[31m" not in text
    assert "\u202e" not in text
    assert "<script>" in text  # shown, as text


def test_no_text_can_pass_for_a_line_of_the_cards_own() -> None:
    record = samples.not_proven()
    plan = replace(record.plan, note="as brought in\nPART IS OFF  measured residual 0.00 mA")
    text = _bare(_verdict_text(replace(record, plan=plan), 120, terminal=False))
    assert not any(line.startswith("PART IS OFF") for line in text.splitlines())


@pytest.mark.parametrize("make", RECORDS, ids=lambda make: make.__name__)
def test_an_ascii_terminal_gets_ascii(make: Callable[[], RunRecord]) -> None:
    text = _verdict_text(make(), 80, encoding="ascii")  # strict: anything else would raise
    assert "ohm" in text or "rpm" in text or "1/min" in text


def test_plain_output_has_no_frame_and_no_sequences() -> None:
    text = _verdict_text(samples.healthy(), 80, terminal=False)
    assert "\x1b" not in text
    assert "│" not in text
    assert "PART IS OFF  measured residual 0.31 mA" in text


def _events() -> list[RunEvent]:
    trace = [0.0] * 10 + [0.9] * 60
    started = {"part": "Purge solenoid", "tag": "T-1", "cycles": 25, "invented": True}
    return [
        RunEvent(kind=EventKind.STARTED, at_s=0.0, data=started),
        RunEvent(
            kind=EventKind.CHECK,
            at_s=0.2,
            message="supply 13.6 V",
            data={"name": "supply", "ok": True},
        ),
        RunEvent(
            kind=EventKind.STATE, at_s=1.0, data={"state": "cycling", "energised": True, "on": True}
        ),
        RunEvent(
            kind=EventKind.LIVE,
            at_s=1.5,
            data={"current_a": 0.91, "trace": trace, "winding_c": 44.0, "supply_v": 13.6},
        ),
        RunEvent(kind=EventKind.CYCLE, at_s=7.0, data={"cycle": 1, "cycles": 25}),
        RunEvent(kind=EventKind.WARNING, at_s=8.0, message="supply sagged to 12.9 V"),
    ]


def _card_text(console: Console, card: LiveCard) -> str:
    console.print(card.card())
    return _bare(_written(console))


@pytest.mark.parametrize("width", [80, 120])
def test_the_live_card_shows_state_current_and_the_large_word(width: int) -> None:
    console = _console(width)
    card = LiveCard(console=console)
    for event in _events():
        card(event)
    text = _card_text(console, card)
    assert max(cell_len(line) for line in text.splitlines()) <= width
    for line in big_lines("ENERGISED"):
        assert line.rstrip() in text
    for needed in ("1 of 25", "0.910 A", "about 44 °C", "13.60 V", "supply sagged to 12.9 V"):
        assert needed in text, needed
    assert "INVENTED DATA" in text
    assert "█" * 20 in text  # the trace


def test_energised_is_reversed_and_off_is_not() -> None:
    for energised, expected in ((True, True), (False, False), (None, True)):
        console = _console(80)
        card = LiveCard(console=console)
        card(RunEvent(kind=EventKind.STATE, at_s=0.0, data={"energised": energised}))
        console.print(card.card())
        assert ("\x1b[1;7m" in _written(console)) is expected


def test_off_is_only_said_once_it_is_known() -> None:
    console = _console(80)
    card = LiveCard(console=console)
    assert big_lines("NOT KNOWN")[0].rstrip() in _card_text(console, card)
    console = _console(80)
    card = LiveCard(console=console)
    card(RunEvent(kind=EventKind.SAFE, at_s=9.0, data={"residual_current_a": 0.00031}))
    text = _card_text(console, card)
    assert big_lines("OFF")[0].rstrip() in text
    assert "0.31 mA measured residual" in text


def test_not_proven_safe_tells_what_to_disconnect() -> None:
    console = _console(80)
    card = LiveCard(console=console)
    card(
        RunEvent(
            kind=EventKind.NOT_SAFE,
            at_s=9.0,
            data={"disconnect": ["the red lead"], "last_current_a": 0.87},
        )
    )
    text = _card_text(console, card)
    assert "1. the red lead" in text
    assert "NOT PROVEN SAFE" in text
    assert big_lines("OFF")[0].rstrip() not in text.replace(big_lines("NOT KNOWN")[0], "")


def test_plain_lines_are_few_but_miss_no_change() -> None:
    console = _console(100, terminal=False)
    with LiveCard(console=console) as card:
        for event in _events():
            card(event)
        for n in range(1000):
            data = {"current_a": 0.9, "energised": True}
            card(RunEvent(kind=EventKind.LIVE, at_s=10.0 + 0.1 * n, data=data))
        card(RunEvent(kind=EventKind.SAFE, at_s=120.0, data={"residual_current_a": 0.0003}))
    lines = _written(console).splitlines()
    assert "ENERGISED" in lines[2]
    assert "supply sagged" in "\n".join(lines)
    assert "OFF" in lines[-1]
    assert "made safe" in lines[-1]
    assert 12 <= len(lines) <= 20  # one in ten seconds besides the changes


def test_a_clock_spares_the_terminal() -> None:
    def drawn(clock: Callable[[], float] | None) -> int:
        console = _console(80)
        with LiveCard(console=console, clock=clock) as card:
            for n in range(100):
                data = {"current_a": float(n)}
                card(RunEvent(kind=EventKind.LIVE, at_s=float(n), data=data))
        return _written(console).count("current")

    assert drawn(None) > 90
    assert drawn(lambda: 5.0) < 5


def test_a_short_drop_out_is_a_gap_in_the_trace() -> None:
    values = [0.9] * 200
    values[101] = 0.0
    line = sparkline(values, 40)
    assert len(line) == 40
    assert line.count("█") == 39
    assert line.count("▁") == 1
    assert sparkline([0.9] * 200, 40) == "█" * 40


def test_standard_output_stays_empty() -> None:
    code = (
        "from tests.report import sample_records as s, test_terminal as t\n"
        "from benchrig.report.terminal import LiveCard\n"
        "from benchrig.report.verdict_card import VerdictCard\n"
        "with LiveCard() as card:\n"
        "    [card(e) for e in t._events()]\n"
        "VerdictCard(s.healthy()).print()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=True, env=_environment()
    )
    assert done.stdout == b""
    assert b"PART IS OFF" in done.stderr


def _environment() -> dict[str, str]:
    path = os.pathsep.join([str(ROOT), str(ROOT / "sims")])
    return {**os.environ, "PYTHONPATH": path, "PYTHONIOENCODING": "utf-8"}


@pytest.mark.parametrize("columns", [80, 120])
def test_a_real_terminal_of_24_rows_still_shows_the_safe_line(columns: int, tmp_path: Path) -> None:
    if shutil.which("tmux") is None:
        if os.environ.get("BENCHRIG_REQUIRE_SERVERS"):
            pytest.fail("tmux is missing")
        pytest.skip("needs tmux: apt-get install tmux")
    code = (
        "from tests.report import sample_records as s\n"
        "from benchrig.report.verdict_card import VerdictCard\n"
        "VerdictCard(s.failing()).print()\n"
    )
    script = tmp_path / "show.py"
    script.write_text(code, encoding="utf-8")
    server = ["tmux", "-L", f"benchrig-{os.getpid()}-{columns}", "-f", os.devnull]
    command = f"{sys.executable} {script}; sleep 60"
    size = ["-x", str(columns), "-y", "24"]
    environment = {**_environment(), "LC_ALL": "C.UTF-8", "TERM": "xterm-256color"}
    environment.pop("TMUX", None)
    subprocess.run(
        [*server, "-u", "new-session", "-d", *size, command], check=True, env=environment, cwd=ROOT
    )
    try:
        for _ in range(100):
            shown = subprocess.run(
                [*server, "capture-pane", "-p"],
                check=True,
                capture_output=True,
                text=True,
                encoding="utf-8",
            ).stdout
            if "PART IS OFF" in shown:
                break
            time.sleep(0.1)
        assert "PART IS OFF  measured residual 0.31 mA" in shown
        assert "✕ FAIL" in shown
        assert big_lines("PART IS OFF")[1].rstrip() in shown
    finally:
        subprocess.run([*server, "kill-server"], check=False)


def test_numbers_carry_two_digits_of_uncertainty() -> None:
    # GUM (JCGM 100:2008) 7.2.6: uncertainty to at most two digits, the value rounded to match.
    assert value_text(samples.measured(14.52, 0.003, "ohm")) == "14.520 ± 0.087 Ω"
    assert value_text(samples.measured(0.0123, 0.01, "H")) == "12.30 ± 0.25 mH"
    assert value_text(samples.measured(4672.0, 0.05, "1/min")) == "4670 ± 470 1/min"
    assert quantity(0.00031, "A") == "0.31 mA"
    assert quantity(4.7e7, "ohm") == "47 MΩ"


def test_what_to_disconnect_is_never_drawn_over() -> None:
    console = _console(80)
    with LiveCard(console=console) as card:
        for event in _events():
            card(event)
        drawn = len(_written(console))
        for n in range(30):
            card(
                RunEvent(
                    kind=EventKind.NOT_SAFE,
                    at_s=20.0 + n,
                    message="THE PART MAY BE LIVE: 900 mA still flows",
                    data={"disconnect": ["the red lead"], "last_current_a": 0.9},
                )
            )
        after = _written(console)[drawn:]
    for line in big_lines("MAY BE LIVE"):
        assert line.rstrip() in _bare(after)
    first = after.index("900 mA still flows")
    assert "\x1b[1A" not in after[first:]  # no cursor goes up again
    assert 2 <= after.count("900 mA still flows") <= 5  # told again, and seldom


def test_what_may_be_live_is_folded_between_words_on_a_terminal() -> None:
    message = "THE PART MAY BE LIVE: 903 mA still flows though all was switched off"
    console = _console(width=40)
    with LiveCard(console=console) as card:
        card(
            RunEvent(
                kind=EventKind.NOT_SAFE,
                at_s=7.6,
                message=message,
                data={"disconnect": ["the supply"]},
            )
        )
    said = _bare(_written(console)).split("7.60 s", 1)[1]
    lines = said.rstrip("\n").split("\n")
    assert len(lines) > 1
    assert max(map(len, lines[1:])) <= 40
    assert [word for line in lines for word in line.split()] == message.split()
