"""What a benchmark asks of the machine it runs on."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def one_core() -> Iterator[None]:
    """Bind this process, and those it starts, to one core for a while."""
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {max(before)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)
