"""Four benches push 1,000 records each at once while the database crashes twice."""

from __future__ import annotations

import json as json_module
import tempfile
import time
from pathlib import Path

from tests.record.server import running
from tests.record.together import push_together

BENCHES = 4
RUNS = 1_000


def run(json: bool) -> int:
    """Print the figures; an AssertionError when a record is missing, double or different."""
    with tempfile.TemporaryDirectory(prefix="benchrig-push-") as name, running() as server:
        shared = server.new_database("shop")
        before = time.perf_counter()
        retries = push_together(server, shared, Path(name), BENCHES, RUNS)
        result = {
            "benches": BENCHES,
            "records": BENCHES * RUNS,
            "crashes": 2,
            "retries": retries,
            "missing": 0,
            "double": 0,
            "different": 0,
            "seconds_with_filling_and_checking": round(time.perf_counter() - before, 1),
        }
    print(json_module.dumps(result) if json else "\n".join(f"{k:36}{v}" for k, v in result.items()))
    return 0
