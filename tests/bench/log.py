"""The run log: history of a tag, lists, commit and size against the number of runs kept.

Beside it (a) the plain script: sqlite3 with a row per cycle and an index on the tag, and (b) the
limit of the machine: the same index range by a bare prepared statement, and a written and synced
page. The logs are filled in bulk with the log's own rows and chain; what is timed goes through
``RunLog``.
"""

from __future__ import annotations

import json as json_module
import math
import os
import random
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from sqlalchemy import insert

from benchrig.record.chain import append_row, head
from benchrig.record.codec import pack, unpack
from benchrig.record.database import set_full_sync
from benchrig.record.log import RunLog
from benchrig.record.rowhash import link, row_digest
from benchrig.record.rows import begin_row, end_row
from benchrig.record.schema import begin_table, chain_table, end_table
from benchrig.record.writer import first_digest
from tests.record import made

RUNS_MOST = 100_000
FACTORS = (1, 4, 16)
RUNS_A_TAG = 10
AT_ONCE = 2_000


def _name(number: int) -> str:
    seconds = number % 86_400
    day = 1 + number // 86_400
    clock = f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}"
    return f"202601{day:02d}-{clock}-{number % 65_536:04x}"


def _tag(number: int, first: int, stop: int) -> str:
    """Ten runs a tag, far from each other in the file."""
    return f"T-{stop}-{(number - first) * 7919 % ((stop - first) // RUNS_A_TAG)}"


def fill(log: RunLog, first: int, stop: int) -> None:
    """Runs of the log's own rows, linked into its chain, thousands to a transaction."""
    plan, rig = made.plan(), made.rig()
    begin = begin_row(log.log_id, "x", plan, rig, "")
    end = end_row(log.log_id, made.record(), 0, b"")
    for start in range(first, stop, AT_ONCE):
        rows: dict[Any, list[dict[str, Any]]] = {begin_table: [], end_table: [], chain_table: []}
        with log.connect() as connection, connection.begin():
            number, previous = head(connection, log.log_id)
            for k in range(start, min(start + AT_ONCE, stop)):
                name, tag = _name(k), _tag(k, first, stop)
                own_begin = {**begin, "record_id": name, "tag": tag, "begun_at": name}
                digest = first_digest(row_digest(begin_table, own_begin))
                own_end = {
                    **end,
                    **{"record_id": name, "tag": tag, "begun_at": name, "chunks_digest": digest},
                }
                for kind, table, row in (
                    ("begin", begin_table, own_begin),
                    ("end", end_table, own_end),
                ):
                    number, own = number + 1, row_digest(table, row)
                    previous = link(previous, log.log_id, number, kind, name, own)
                    rows[table].append(row)
                    rows[chain_table].append(
                        {
                            **{"log_id": log.log_id, "number": number, "kind": kind},
                            **{"row_key": name, "digest": own, "link": previous},
                        }
                    )
            for table, values in rows.items():
                connection.execute(insert(table), values)


def _median_ms(work: Callable[[int], object], times: int) -> float:
    taken = []
    for k in range(times):
        before = time.perf_counter()
        work(k)
        taken.append(1e3 * (time.perf_counter() - before))
    return statistics.median(taken)


def _commit(log: RunLog, runs: int) -> Callable[[int], object]:
    def work(k: int) -> None:
        name = f"20270101-{runs % 1_000_000:06d}-{k:04d}"
        record = made_records[k]
        log.begin_run(name, record.plan, record.rig)
        writers.append(log.writer(name))

    writers: list[Any] = []
    made_records = [made.record(f"20270101-{runs % 1_000_000:06d}-{k:04d}") for k in range(100)]
    for k in range(100):
        work(k)
    return lambda k: writers[k].finish(made_records[k])


def _transaction_ms(log: RunLog, runs: int) -> float:
    """The synced transaction that ends a run, alone: no thread, the row made before."""
    names = [f"20270201-{runs:06d}-{k:04d}" for k in range(100)]
    rows = [end_row(log.log_id, made.record(), 0, b"") | {"record_id": n} for n in names]
    with log.connect().execution_options(immediate=True) as connection:
        set_full_sync(connection, True)

        def work(k: int) -> None:
            with connection.begin():
                append_row(connection, log.log_id, "end", end_table, rows[k], names[k])

        return _median_ms(work, 100)


def measure(path: Path, runs: int, before: int) -> dict[str, float]:
    """The log's figures at so many runs."""
    chosen = random.Random(runs)
    with RunLog.open(path) as log:
        fill(log, before, runs)
        tags = [_tag(chosen.randrange(before, runs), before, runs) for _ in range(300)]
        names = [_name(chosen.randrange(runs)) for _ in range(100)]
        with closing(sqlite3.connect(path)) as bare:
            bare.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            size = path.stat().st_size / runs
            query = (
                "SELECT record_id, begun_at, verdict, characteristic_values FROM run_end "
                "WHERE tag = ? ORDER BY begun_at DESC LIMIT 1000"
            )
            limit = _median_ms(lambda k: bare.execute(query, (tags[k],)).fetchall(), 300)
        log.history(tags[0])
        return {
            "runs": runs,
            "history_ms": _median_ms(lambda k: log.history(tags[k]), 300),
            "history_limit_ms": limit,
            "list_ms": _median_ms(lambda _: log.list_runs(limit=50), 50),
            "record_ms": _median_ms(lambda k: log.record(names[k]), 100),
            "open_runs_ms": _median_ms(lambda _: log.open_runs(made.RIG_ID), 5),
            "finish_ms": _median_ms(_commit(log, runs), 100),
            "finish_transaction_ms": _transaction_ms(log, runs),
            "bytes_a_run": size,
        }


def plain(path: Path, runs: int) -> dict[str, float]:
    """What a plain script does: a row per cycle, twelve numbers, an index on the tag."""
    columns = ", ".join(f"f{n} REAL" for n in range(12))
    marks = ", ".join("?" * 15)
    chosen = random.Random(runs)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute(f"CREATE TABLE cycle (record TEXT, tag TEXT, n INTEGER, {columns})")
        connection.execute("CREATE INDEX by_tag ON cycle (tag)")
        for k in range(runs):
            tag = _tag(k, 0, runs)
            numbers = [chosen.random() for _ in range(12)]
            rows = [(_name(k), tag, n, *numbers) for n in range(25)]
            connection.executemany(f"INSERT INTO cycle VALUES ({marks})", rows)
        connection.commit()
        tags = [_tag(chosen.randrange(runs), 0, runs) for _ in range(300)]
        query = "SELECT record, n, f0 FROM cycle WHERE tag = ? ORDER BY record"
        history = _median_ms(lambda k: connection.execute(query, (tags[k],)).fetchall(), 300)
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return {"runs": runs, "history_ms": history, "bytes_a_run": path.stat().st_size / runs}


def codec() -> dict[str, float]:
    """Packing one second of 4 inputs at 10 kS/s, 1 code of noise; MB of int16 a second."""
    blocks = [made.block(k, scans=25, inputs=(0, 1, 3, 4)) for k in range(400)]
    packed = pack(blocks)
    raw = 2 * packed.samples
    pack_ms = _median_ms(lambda _: pack(blocks), 30)
    read_ms = _median_ms(lambda _: list(unpack(packed)), 30)
    merged_ms = _median_ms(lambda _: list(unpack(packed, merged=True)), 30)
    return {
        "bytes_a_sample": len(packed.data) / packed.samples,
        "pack_mb_per_s": raw / pack_ms / 1e3,
        "read_mb_per_s": raw / read_ms / 1e3,
        "read_merged_mb_per_s": raw / merged_ms / 1e3,
        "read_merged_times_real_time": 1e3 / merged_ms,
    }


def _synced_page_ms(directory: Path) -> float:
    with (directory / "page").open("wb", buffering=0) as file:

        def work(_: int) -> None:
            file.write(bytes(4096))
            os.fsync(file.fileno())

        return _median_ms(work, 100)


def exponent(rows: list[dict[str, float]], name: str) -> float:
    """Slope of log(figure) over log(runs) from the first to the last size."""
    first, last = rows[0], rows[-1]
    return math.log(last[name] / first[name]) / math.log(last["runs"] / first["runs"])


def run(json: bool) -> int:
    """Print the figures; 0 always, since speed is reported and not judged here."""
    with tempfile.TemporaryDirectory(prefix="benchrig-bench-") as name:
        directory = Path(name)
        least = RUNS_MOST // FACTORS[-1]
        rows, before = [], 0
        for factor in FACTORS:
            rows.append(measure(directory / "runs.db", least * factor, before))
            before = least * factor
        script = plain(directory / "plain.db", least * FACTORS[-1])
        result: dict[str, Any] = {
            "log": rows,
            "exponents": {n: exponent(rows, n) for n in rows[0] if n != "runs"},
            "plain_script": script,
            "synced_page_ms": _synced_page_ms(directory),
            "codec": codec(),
        }
    if json:
        print(json_module.dumps(result, indent=2))
        return 0
    print(f"{'':24}" + "".join(f"{r['runs']:>12,.0f}" for r in rows) + "    exponent   plain")
    for figure in rows[0]:
        if figure != "runs":
            line = f"{figure:24}" + "".join(f"{r[figure]:12.3f}" for r in rows)
            line += f"{result['exponents'][figure]:12.2f}"
            print(line + (f"{script[figure]:10.3f}" if figure in script else ""))
    print(f"{'synced page, ms':24}{result['synced_page_ms']:12.3f}")
    for figure, value in result["codec"].items():
        print(f"{figure:28}{value:12.2f}")
    return 0
