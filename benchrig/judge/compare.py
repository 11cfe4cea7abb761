"""Two measurements of one part: changed more than the uncertainty? Still the same part?"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchrig.judge.words import plain, shown_scale, with_uncertainty
from benchrig.parts.part import Characteristic
from benchrig.quantity import Measured

COVERAGE = 2.0  # a change counts from this many standard uncertainties of the difference
FINGERPRINT_SIGMA = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Before and after on one line."""

    before: Measured
    after: Measured
    difference: float  # after - before
    std_uncertainty: float  # of the difference
    significant: bool

    @property
    def sigma(self) -> float:
        """The difference in its own standard uncertainties."""
        return abs(self.difference) / self.std_uncertainty

    @property
    def sentence(self) -> str:
        """The line for people."""
        unit = self.before.unit
        before, after = (
            with_uncertainty(m.value, m.expanded, unit) for m in (self.before, self.after)
        )
        expanded = COVERAGE * self.std_uncertainty
        factor, _ = shown_scale(self.before.value, unit)
        sign = "+" if self.difference * factor >= 0 else "-"
        change = f"{sign}{plain(abs(self.difference), unit, like=self.before.value)}"
        word = "changed" if self.significant else "no change that could be told"
        least = plain(expanded, unit, like=self.before.value)
        return f"{before} before, {after} after: {word} ({change}, uncertainty {least})"


def compare(
    before: Measured, after: Measured, *, shared: Sequence[str] = (), coverage: float = COVERAGE
) -> Change:
    """Whether a value changed by more than the uncertainty of the difference.

    ``shared`` names budget sources that are the same error in both readings, such as a gain
    of one rig that was not calibrated in between: they act on the difference only by how
    differently they act on the two values.
    """
    if before.unit != after.unit:
        raise ValueError(f"{before.unit} cannot be compared with {after.unit}")
    u = _difference_uncertainty(before, after, frozenset(shared))
    difference = after.value - before.value
    return Change(
        before=before,
        after=after,
        difference=difference,
        std_uncertainty=u,
        significant=abs(difference) > coverage * u,
    )


def _difference_uncertainty(before: Measured, after: Measured, shared: frozenset[str]) -> float:
    variance = before.std_uncertainty**2 + after.std_uncertainty**2
    first, second = _shared_lines(before, shared), _shared_lines(after, shared)
    for source in first.keys() & second.keys():
        a, b = first[source], second[source]
        variance += (a - b) ** 2 - a * a - b * b
    # A common error is never known to cancel wholly: a tenth of the greater reading's
    # uncertainty stays, so that two equal readings do not become infinitely sure.
    floor = 0.1 * max(before.std_uncertainty, after.std_uncertainty)
    return math.sqrt(max(variance, floor**2))


def _shared_lines(measured: Measured, shared: frozenset[str]) -> dict[str, float]:
    found: dict[str, float] = {}
    for line in measured.budget:
        if line.source in shared:
            found[line.source] = math.hypot(found.get(line.source, 0.0), line.std_uncertainty)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Fingerprint:
    """Is the part in the clips the one its tag says? By its electrical values."""

    matches: bool | None  # None: nothing on record to compare with
    changes: Mapping[Characteristic, Change]
    reason: str


def fingerprint(
    known: Mapping[Characteristic, Measured],
    now: Mapping[Characteristic, Measured],
    *,
    shared: Sequence[str] = (),
) -> Fingerprint:
    """Compare a part with what its tag has on record; warns beyond 3 sigma."""
    changes = {
        c: compare(known[c], now[c], shared=shared, coverage=FINGERPRINT_SIGMA)
        for c in known
        if c in now
    }
    if not changes:
        return Fingerprint(matches=None, changes={}, reason="nothing on record to compare with")
    off = [c for c, change in changes.items() if change.significant]
    if not off:
        names = ", ".join(c.value for c in changes)
        return Fingerprint(matches=True, changes=changes, reason=f"as on record: {names}")
    words = "; ".join(f"{c.value} is {changes[c].sigma:.1f} sigma from its record" for c in off)
    return Fingerprint(
        matches=False,
        changes=changes,
        reason=f"this may not be the part of this tag: {words}; check the tag, or say that the "
        "part was repaired",
    )
