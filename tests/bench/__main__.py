"""``python -m tests.bench NAME [--json]``: one benchmark, one table, one run.

Each benchmark is a module of this folder with ``run(json: bool) -> int``; 0 says that every
target was met. Side-by-side figures are ratios within one run, on one core.
"""

from __future__ import annotations

import importlib
import os
import sys
from pathlib import Path

# One core for all sides of a comparison; must stand before numpy is first imported.
for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")


def names() -> list[str]:
    """Benchmarks that exist."""
    files = Path(__file__).parent.glob("*.py")
    return sorted(f.stem for f in files if not f.stem.startswith(("_", "test_", "conftest")))


def main(arguments: list[str]) -> int:
    """Run the named benchmark; its result is the exit code."""
    as_json = "--json" in arguments
    wanted = [a for a in arguments if not a.startswith("-")]
    unknown = [a for a in arguments if a.startswith("-") and a != "--json"]
    if len(wanted) != 1 or unknown or wanted[0] not in names():
        print(f"usage: python -m tests.bench {{{','.join(names())}}} [--json]", file=sys.stderr)
        return 2
    result: int = importlib.import_module(f"tests.bench.{wanted[0]}").run(as_json)
    return result


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
