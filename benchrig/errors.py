"""What can go wrong, sorted by what a person can do about it.

::

    BenchrigError
    ├── UsageError       the options or the plan are wrong; change the command        exit 2
    ├── RigError         the rig or the link; look at cable, port, supply, rig        exit 3
    │   ├── LinkError            port missing, busy, unplugged, silent (also ConnectionError)
    │   ├── ProtocolViolation    the rig said something the protocol does not allow
    │   ├── RigRefused           the rig said no, with its reason
    │   └── PrecheckFailed       the rig answers, but starting would not be safe or fair
    ├── InputFileError   a part, pattern, tray or waveform file; carries every finding exit 4
    ├── LogError         the run log, database or broker                              exit 5
    └── NotProvenSafe    the loud one: nothing shows that the part is off             exit 7

A plain bad argument inside the program stays ``ValueError``. Any other exception is a bug.
Messages are one sentence for the person; details are attributes.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class ExitCode(IntEnum):
    """How the program ends; the same table stands in the README."""

    PASS = 0
    PART_FAILED = 1
    USAGE = 2
    RIG = 3
    INPUT_FILE = 4
    LOG = 5
    INCONCLUSIVE = 6
    NOT_PROVEN_SAFE = 7
    BUG = 70  # EX_SOFTWARE of the BSD sysexits.h; Python's own 1 would say that a part failed
    INTERRUPTED = 130


class BenchrigError(Exception):
    """Base of everything this package raises on purpose; ``advice`` says what to do next."""

    exit_code: ExitCode = ExitCode.USAGE

    def __init__(self, message: str, *, advice: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice


class UsageError(BenchrigError):
    """The options or the plan cannot be carried out as given."""


class RigError(BenchrigError):
    """Something between the host and the part: cable, port, rig, supply."""

    exit_code = ExitCode.RIG


class LinkError(RigError, ConnectionError):
    """The link cannot be opened, was lost, or fell silent. A lost link ends a run."""


class ProtocolViolation(RigError):
    """The rig sent something that firmware_protocol.md does not allow."""


class RigRefused(RigError):
    """The rig refused a request; ``reason`` and ``detail`` are the rig's own."""

    def __init__(self, message: str, *, reason: str, detail: int = 0, advice: str = "") -> None:
        super().__init__(message, advice=advice)
        self.reason = reason
        self.detail = detail


class PrecheckFailed(RigError):
    """A check before the first pulse says no; ``findings`` lists every one."""

    def __init__(self, findings: list[str], *, advice: str = "") -> None:
        super().__init__("; ".join(findings), advice=advice)
        self.findings = findings


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault of an input file."""

    file: str
    line: int | None
    message: str

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{where}: {self.message}"


class InputFileError(BenchrigError):
    """A file the person wrote is wrong; every fault is reported at once."""

    exit_code = ExitCode.INPUT_FILE

    def __init__(self, findings: list[Finding], *, advice: str = "") -> None:
        super().__init__("\n".join(str(finding) for finding in findings), advice=advice)
        self.findings = findings


class LogError(BenchrigError):
    """The run log, the database or the broker cannot do what was asked."""

    exit_code = ExitCode.LOG


class NotProvenSafe(BenchrigError):
    """No evidence that the part is off. ``disconnect`` says what to take off, in order."""

    exit_code = ExitCode.NOT_PROVEN_SAFE

    def __init__(self, message: str, *, disconnect: tuple[str, ...]) -> None:
        super().__init__(message, advice="; ".join(disconnect))
        self.disconnect = disconnect
