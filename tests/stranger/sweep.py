"""Every lie of the rig built from the document alone, one by one, over conform and a whole run.

    python -m tests.stranger.sweep [SIN ...]

prints what conform said, how the run ended, and what stood behind it on the bench. Beside
`OFF` stands `LIVE` where a current flowed after the program had said that the part is off.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from benchrig.bench.conform import Outcome
from benchrig.errors import BenchrigError
from tests.stranger.built.rig import StrangerRig
from tests.stranger.built.sins import CATALOGUE
from tests.stranger.link import config_of, conform, offered, run_on

LIVE_A = 0.05


@dataclass(frozen=True)
class Seen:
    """How one run ended, and whether a current flowed then."""

    said: str
    why: str
    live: bool


def live_a(rig: StrangerRig) -> float:
    """The greatest current of an output, by the bench and not by what the rig says."""
    return max(abs(rig.bench.current_a(1 << n)) for n in range(len(rig.config.outputs)))


def ran(*sins: str) -> Seen:
    """A whole run on the rig with these sins."""
    with TemporaryDirectory() as folder, offered(config_of(*sins)) as made:
        try:
            record, rig = run_on(*sins, log_path=Path(folder) / "log.db")
        except BenchrigError as error:
            live = bool(made) and live_a(made[-1]) > LIVE_A
            return Seen(type(error).__name__, error.message, live)
        said = record.verdict.value if record.proven_safe else "NOT PROVEN SAFE"
        why = "; ".join((record.ending_reason, record.verdict_reason, *record.warnings))
        return Seen(f"{said}, {record.ending.value}", why, live_a(rig) > LIVE_A)


def conformed(*sins: str) -> str:
    """The checks that failed, or why conform could not be done."""
    try:
        report = conform(*sins)
    except BenchrigError as error:
        return f"{type(error).__name__}: {error.message}"
    return " ".join(c.name for c in report.checks if c.outcome is Outcome.FAIL)


def main() -> None:
    """Print a line for each sin."""
    for sin in sys.argv[1:] or CATALOGUE:
        seen = ran(sin)
        off = "LIVE" if seen.live else "off"
        print(f"{sin:24} | {conformed(sin) or 'keeps quiet'} | {seen.said} | {off} | {seen.why}")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
