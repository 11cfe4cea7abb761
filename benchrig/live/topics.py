"""The topic tree. One bench may write below its own name and nowhere else.

::

    benchrig/v1/BENCH/RIG/link      retained; last will: the rig's program is here, left or gone
    benchrig/v1/BENCH/RIG/state     retained; ENERGISED, OFF or UNKNOWN, since when, in which run
    benchrig/v1/BENCH/RIG/event     what a run tells, as it happens
    benchrig/v1/BENCH/RIG/cycle     the features of each cycle
    benchrig/v1/BENCH/RIG/live      a few numbers a second; may be lost
    benchrig/v1/BENCH/RIG/verdict   retained; each finished run, once and in order by id and number
    benchrig/v1/BENCH/RIG/request/make-safe    the one thing a rig's program may listen to

Each payload is JSON and has a schema of the same name in ``schemas/``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchrig.errors import UsageError

ROOT = "benchrig/v1"
KINDS = ("link", "state", "event", "cycle", "live", "verdict")
_BENCH = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,31}")
_RIG = re.compile(r"[0-9a-f]{16}")


@dataclass(frozen=True, slots=True, kw_only=True)
class RigTopics:
    """The topics of one rig."""

    bench: str
    rig: str  # its unique id, 16 hex digits

    def __post_init__(self) -> None:
        if not _RIG.fullmatch(self.rig):
            raise ValueError(f"{self.rig!r} is no unique id of a rig")
        check_bench_name(self.bench)

    def of(self, kind: str) -> str:
        """The topic of a kind of payload."""
        if kind not in KINDS:
            raise ValueError(f"no topic for {kind!r}")
        return f"{ROOT}/{self.bench}/{self.rig}/{kind}"

    @property
    def make_safe(self) -> str:
        """Where a request to make safe arrives."""
        return f"{ROOT}/{self.bench}/{self.rig}/request/make-safe"


def check_bench_name(bench: str) -> str:
    """The name as it is; UsageError when it cannot be a level of a topic."""
    if not _BENCH.fullmatch(bench):
        raise UsageError(
            f"bench name {bench!r}: up to 32 letters, digits, '-', '_' or '.', "
            "beginning with a letter or digit",
            advice="give --bench-name",
        )
    return bench


def bench_name_from(host: str) -> str:
    """A bench name made from a host's name."""
    cleaned = re.sub(r"[^A-Za-z0-9_.-]", "-", host).lstrip("_.-")[:32]
    return cleaned or "bench"


def parse(topic: str) -> tuple[RigTopics, str] | None:
    """Whose topic it is and the kind of payload; None when it is not one of ours."""
    parts = topic.split("/")
    if len(parts) != 5 or "/".join(parts[:2]) != ROOT or parts[4] not in KINDS:
        return None
    if not _BENCH.fullmatch(parts[2]) or not _RIG.fullmatch(parts[3]):
        return None
    return RigTopics(bench=parts[2], rig=parts[3]), parts[4]


def everything(bench: str = "+") -> str:
    """The filter for all rigs' reports, of one bench or of all."""
    if bench != "+":
        check_bench_name(bench)
    return f"{ROOT}/{bench}/+/+"
