"""Exports: SI values with units in the headers, gaps kept, cells that are no formulas."""

from __future__ import annotations

import csv
import dataclasses
import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow.parquet
import pytest

from benchrig.errors import LogError
from benchrig.record import export
from benchrig.record.log import RunLog
from benchrig.wire.messages import InputRole
from tests.record import made

RUN = "20260101-000000-0001"


@pytest.fixture
def log(tmp_path: Path) -> Iterator[RunLog]:
    with RunLog.open(tmp_path / "runs.db") as log:
        log.begin_run(RUN, made.plan(), made.rig())
        writer = log.writer(RUN)
        voltage = dataclasses.replace(made.scale(3, InputRole.PART_VOLTAGE), zero_code=0.0)
        writer.set_scales((made.scale(1), voltage), 500)
        for number in (0, 1, 3):
            writer.add_block(made.block(number))
        writer.add_block(made.block(4, inputs=(1,)))
        writer.finish(made.record(RUN))
        yield log


def test_samples_become_si_with_their_gap(log: RunLog) -> None:
    file = io.StringIO()
    assert export.samples_to_csv(log, RUN, file) == 240
    lines = list(csv.DictReader(io.StringIO(file.getvalue())))
    assert list(lines[0]) == [
        *("time_s", "tick", "current_coarse_a", "part_voltage_v", "simulated")
    ]
    first = made.block(0)
    # The scale of the fixture by hand: 10 A over 1024 codes, zero at code 16.
    current = (first.codes[:, 0] - 16.0) * 10.0 / 1024
    assert [float(x["current_coarse_a"]) for x in lines[:60]] == pytest.approx(current.tolist())
    times = np.array([float(x["time_s"]) for x in lines])
    assert times[1] == pytest.approx(200 * 500e-9)  # 200 ticks of 500 ns
    assert times[120] - times[119] == pytest.approx(61 * 200 * 500e-9)  # block 2 is missing
    assert [x["part_voltage_v"] for x in lines[180:]] == [""] * 60
    assert int(lines[0]["tick"]) == first.tick


def test_features_have_a_line_a_cycle_and_their_uncertainty(log: RunLog) -> None:
    file = io.StringIO()
    assert export.features_to_csv(log, RUN, file) == 25
    lines = list(csv.DictReader(io.StringIO(file.getvalue())))
    assert [int(x["cycle"]) for x in lines] == list(range(1, 26))
    cycle = made.cycle(7)
    assert cycle.resistance_ohm is not None
    assert float(lines[6]["resistance_ohm"]) == cycle.resistance_ohm.value
    assert float(lines[6]["resistance_u_ohm"]) == cycle.resistance_ohm.std_uncertainty
    assert lines[6]["motion"] == "moved"
    assert lines[6]["closing_s"] == ""


def test_parquet_holds_the_same(log: RunLog, tmp_path: Path) -> None:
    assert export.samples_to_parquet(log, RUN, tmp_path / "s.parquet") == 240
    table = pyarrow.parquet.read_table(tmp_path / "s.parquet")
    pieces = list(export.sample_columns(log, RUN))
    whole = np.concatenate([p["current_coarse_a"] for p in pieces])
    assert np.array_equal(table["current_coarse_a"].to_numpy(), whole)
    assert table["part_voltage_v"].null_count == 60
    assert table.schema.metadata[b"record"] == RUN.encode()
    assert export.features_to_parquet(log, RUN, tmp_path / "f.parquet") == 25
    features = pyarrow.parquet.read_table(tmp_path / "f.parquet")
    current = made.cycle(1).current_a
    assert current is not None
    assert features["current_a"].to_pylist()[0] == pytest.approx(current.value)


@pytest.mark.parametrize(
    "text",
    [
        "\uff1d1+1",
        "\u00a0=1",
        "=1+1",
        "+1",
        "-1",
        "@x",
        "\t=1",
        "\r=1",
        "\n=1",
        " =cmd|' /C calc'!A0",
        '=x,"y',
    ],
)
def test_no_typed_text_becomes_a_formula(text: str) -> None:
    file = io.StringIO(newline="")
    export.table_to_csv(["tag"], [[text]], file)
    file.seek(0)
    (cell,) = list(csv.reader(file))[1]
    assert cell == "'" + text


def test_numbers_and_plain_words_are_left_alone() -> None:
    file = io.StringIO(newline="")
    export.table_to_csv(["a", "b", "c", "d"], [[-1.5, 3, None, "T-1, left"]], file)
    assert file.getvalue() == 'a,b,c,d\r\n-1.5,3,,"T-1, left"\r\n'


def test_a_list_shows_each_characteristic_with_its_uncertainty(log: RunLog) -> None:
    header, lines = export.list_table(log.list_runs())
    line = dict(zip(header, lines[0], strict=True))
    assert line["resistance_20c_ohm"] == 12.1
    assert line["resistance_20c_ohm_u"] == 0.05
    assert (line["tag"], line["proven_safe"]) == ("T-1", True)


def test_a_run_without_samples_is_told(tmp_path: Path) -> None:
    with RunLog.open(tmp_path / "runs.db") as log:
        log.begin_run("a", made.plan(), made.rig())
        log.writer("a").finish(made.record("a"))
        with pytest.raises(LogError, match="no scales"):
            export.samples_to_csv(log, "a", io.StringIO())
