"""The run log: history of a tag, lists, commit and size against the number of runs kept.

Beside it (a) the plain script: sqlite3 with a row per cycle and an index on the tag, and (b) the
limit of the machine: the same index range by a bare prepared statement; as many bytes committed
by bare SQLite, as safe from a power cut; a written and synced page. Commits take turns, so that a
busy disk or processor weighs on all alike; what the processor spends is told apart. The logs are
filled in bulk with the log's own rows and chain; what is timed goes through ``RunLog``.
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
from benchrig.record.writer import RunWriter, first_digest
from tests.record import made

RUNS_MOST = 100_000
FACTORS = (1, 4, 16)
RUNS_A_TAG = 10
AT_ONCE = 2_000
COMMITS = 100


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


def _in_turn(works: dict[str, Callable[[int], object]], times: int) -> dict[str, float]:
    """Median and least wall time and processor time of works that take turns."""
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in works}
    for k in range(times):
        for name, work in works.items():
            wall, spent = time.perf_counter(), time.process_time()
            work(k)
            spent = time.process_time() - spent
            taken[name].append((1e3 * (time.perf_counter() - wall), 1e3 * spent))
    figures = {}
    for name, pairs in taken.items():
        walls, spents = zip(*pairs, strict=True)
        figures[f"{name}_ms"] = statistics.median(walls)
        figures[f"{name}_least_ms"] = min(walls)
        figures[f"{name}_cpu_ms"] = statistics.median(spents)
    return figures


def _one_after_another(log: RunLog, runs: int) -> dict[str, Callable[[int], object]]:
    """Runs of 25 cycles begun and ended, as the program does it on a tray."""
    records = [made.record(f"20270101-{runs % 1_000_000:06d}-{k:04d}") for k in range(COMMITS)]
    writers: list[RunWriter] = []

    def begin(k: int) -> None:
        log.begin_run(records[k].record_id, records[k].plan, records[k].rig)
        writers.append(log.writer(records[k].record_id))

    return {"begin": begin, "finish": lambda k: writers[k].finish(records[k])}


def _commits(log: RunLog, runs: int, directory: Path) -> dict[str, float]:
    """Ending a run, beside its parts and beside what the disk asks for any synced commit."""
    names = [f"20270201-{runs:06d}-{k:04d}" for k in range(COMMITS)]
    rows = [end_row(log.log_id, made.record(), 0, b"") | {"record_id": name} for name in names]
    record = made.record()
    size = len(rows[0]["record"]) + len(rows[0]["features"])
    bare = sqlite3.connect(directory / "bare.db", isolation_level=None)
    bare.execute("PRAGMA journal_mode=WAL")
    bare.execute("PRAGMA synchronous=FULL")
    bare.execute(f"CREATE TABLE run_{runs} (id TEXT PRIMARY KEY, data BLOB)")
    with (
        closing(bare),
        (directory / "page").open("wb", buffering=0) as file,
        log.connect().execution_options(immediate=True) as connection,
    ):
        set_full_sync(connection, True)

        def transaction(k: int) -> None:
            with connection.begin():
                append_row(connection, log.log_id, "end", end_table, rows[k], names[k])

        def bare_commit(k: int) -> None:
            bare.execute("BEGIN IMMEDIATE")
            bare.execute(f"INSERT INTO run_{runs} VALUES (?, ?)", (names[k], bytes(size)))
            bare.execute("COMMIT")

        def page(_: int) -> None:
            file.write(bytes(4096))
            os.fsync(file.fileno())

        return _in_turn(
            {
                **_one_after_another(log, runs),
                "finish_row": lambda _: end_row(log.log_id, record, 0, b""),
                "finish_transaction": transaction,
                "bare_sqlite_commit": bare_commit,
                "synced_page": page,
            },
            COMMITS,
        )


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
            **_commits(log, runs, path.parent),
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
            "codec": codec(),
        }
    if json:
        print(json_module.dumps(result, indent=2))
        return 0
    print(f"{'':28}" + "".join(f"{r['runs']:>12,.0f}" for r in rows) + "    exponent   plain")
    for figure in rows[0]:
        if figure != "runs":
            line = f"{figure:28}" + "".join(f"{r[figure]:12.3f}" for r in rows)
            line += f"{result['exponents'][figure]:12.2f}"
            print(line + (f"{script[figure]:10.3f}" if figure in script else ""))
    for figure, value in result["codec"].items():
        print(f"{figure:28}{value:12.2f}")
    return 0
