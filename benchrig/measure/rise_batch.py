"""Many rises on one time grid at once, at the accuracy of the single fit.

All curves 1 - exp(-t / tau) of a time grid lie, to rounding, in a space of about ten
dimensions. Each record is projected there once; the search over tau and the last steps happen
in that space, from tables made once for the grid. Records that the tables do not serve (tau
far from the record's length, structure in the residuals, no rise) go through the single fit,
so a batch never says more than ``fit_rise`` would.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.features import RiseFit
from benchrig.measure.propagation import FloatArray
from benchrig.measure.rise import (
    STRUCTURED_POINTS_MIN,
    Solution,
    limit_ratios,
    solve_rise,
    to_fit,
)
from benchrig.quantity import Measured

TAU_LEAST = 1.0 / 40.0  # of the record
TAU_MOST = 4.0
FINE = 2048
COARSE = 24  # their spacing is a whole number of fine ones
RANK_TOLERANCE = 3e-7
CHUNK = 3072  # records at once in the small space; see PROJECT_PRODUCT
# Records projected at once: they are read from memory once, and a matrix product so small is
# done by the linear algebra library on one core and without packing (OpenBLAS: below 1e6).
PROJECT_BYTES = 1 << 19
PROJECT_PRODUCT = 960_000
SMOOTH = 4  # slow waves beside the space of rises, to tell structure from noise
STRUCTURE_SIGMAS = 5.0
_ROUNDING = 1e-13


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RiseBatch:
    """Results of many fits; rows that did not converge hold NaN and have a reason."""

    current_a: FloatArray
    tau_s: FloatArray
    u_current_a: FloatArray
    u_tau_s: FloatArray
    correlation: FloatArray
    residual_sum_squares: FloatArray
    converged: NDArray[np.bool_]
    points: int
    record_s: float
    reasons: dict[int, str] = field(default_factory=dict)
    structured: frozenset[int] = frozenset()

    def solution(self, row: int) -> Solution | str:
        """One row as a solution, or why it has none."""
        if not self.converged[row]:
            return self.reasons[row]
        return Solution(
            current_a=float(self.current_a[row]),
            tau_s=float(self.tau_s[row]),
            u_current_a=float(self.u_current_a[row]),
            u_tau_s=float(self.u_tau_s[row]),
            correlation=float(self.correlation[row]),
            residual_sum_squares=float(self.residual_sum_squares[row]),
            points=self.points,
            record_s=self.record_s,
            structured=row in self.structured,
        )

    def fit(self, row: int, voltage: Measured | None = None) -> RiseFit:
        """One row as the value that travels."""
        found = self.solution(row)
        if isinstance(found, str):
            return RiseFit(converged=False, reason=found, points=self.points)
        return to_fit(found, voltage)


class RiseBank:
    """The tables of one time grid; worth keeping while records of that grid come."""

    def __init__(self, time_s: FloatArray) -> None:
        time = np.asarray(time_s, dtype=np.float64)
        if time.ndim != 1 or time.size < 6 or not np.isfinite(time).all() or (time < 0).any():
            raise ValueError("a time grid has six or more finite times, none before switch-on")
        self.time_s = time
        self.span = float(time.max())
        t = time / self.span
        self._log_tau = np.linspace(np.log(TAU_LEAST), np.log(TAU_MOST), FINE)
        self._du = float(self._log_tau[1] - self._log_tau[0])
        x = t * np.exp(-self._log_tau)[:, None]
        decay = np.exp(-x)
        shape, first, second = -np.expm1(-x), -x * decay, (x - x * x) * decay
        sample = shape[::8]
        unit = sample / np.linalg.norm(sample, axis=1)[:, None]
        _, weights, rows = np.linalg.svd(unit, full_matrices=False)
        rank = int((weights > RANK_TOLERANCE * weights[0]).sum())
        on = (t > 0).astype(np.float64)
        # Behind the basis: the straight line and the constant, the limits of the model; then
        # smooth directions that no rise has, to tell structure in the residuals from noise.
        limits = np.stack((t / np.linalg.norm(t), on / np.linalg.norm(on)))
        smooth = _smooth_rest(rows[:rank], time)
        self._rank, self._smooth = rank, smooth.shape[0]
        slow_dof = rank - 2 + self._smooth
        self._free = max(1, t.size - 2 - slow_dof)
        # Chi-square's far tail by Wilson-Hilferty, and the F distribution's first correction.
        tail = 2.0 / (9.0 * slow_dof)
        chi2 = slow_dof * (1.0 - tail + STRUCTURE_SIGMAS * tail**0.5) ** 3
        self._structure = chi2 * (1.0 + 20.0 / self._free)
        self._basis = np.ascontiguousarray(np.concatenate((rows[:rank], limits, smooth)).T)
        self._tables(shape @ rows[:rank].T, first @ rows[:rank].T, second @ rows[:rank].T)

    def _tables(self, a: FloatArray, b: FloatArray, c: FloatArray) -> None:
        """Unit curves in the small space with two derivatives in ln tau, and their norms."""
        norm = np.linalg.norm(a, axis=1)
        norm1 = (a * b).sum(axis=1) / norm
        norm2 = ((b * b).sum(axis=1) + (a * c).sum(axis=1) - norm1**2) / norm
        h = a / norm[:, None]
        h1 = (b - h * norm1[:, None]) / norm[:, None]
        h2 = (c - 2 * h1 * norm1[:, None] - h * norm2[:, None]) / norm[:, None]
        self._table = np.ascontiguousarray(np.stack((h, h1, h2), axis=1))
        cross, bend = (a * b).sum(axis=1), (b * b).sum(axis=1)
        free = 1.0 / ((self.time_s.size - 2) * (norm**2 * bend - cross**2))
        correlation = -cross / (norm * np.sqrt(bend))
        self._moments = np.stack((norm, correlation, bend, norm1, free), axis=1)
        self._nodes = np.rint(np.linspace(0, FINE - 1, COARSE)).astype(np.int64)
        self._coarse = np.ascontiguousarray(h[self._nodes].T.astype(np.float32))
        # A rise's score about its top, in nodes: since h . h' = 0, h . h''' = -3 h' . h''.
        spacing = float(self._log_tau[self._nodes[1]] - self._log_tau[0])
        third = -3.0 * (h1 * h2)[self._nodes].sum(axis=1)
        self._third = (third * spacing**3).astype(np.float32)

    def fit(self, currents: FloatArray) -> RiseBatch:
        """Fit each row of ``currents[records, points]``."""
        data = np.asarray(currents, dtype=np.float64)
        if data.ndim != 2 or data.shape[1] != self.time_s.size:
            raise ValueError("currents must be records by points of the time grid")
        out = np.empty((6, data.shape[0]))
        fair = np.empty(data.shape[0], dtype=np.bool_)
        room = np.empty((min(CHUNK, data.shape[0]), self._basis.shape[1]))
        for begin in range(0, data.shape[0], CHUNK):
            part = slice(begin, begin + CHUNK)
            fair[part] = self._fit_chunk(data[part], out[:, part], room)
        return self._with_singles(data, out, fair)

    def _fit_chunk(self, data: FloatArray, out: FloatArray, room: FloatArray) -> NDArray[np.bool_]:
        projected = room[: data.shape[0]]
        total = self._project(data, projected)
        z = projected[:, : self._rank]
        n = self.time_s.size
        with np.errstate(divide="ignore", invalid="ignore"):
            node, at_end = self._coarse_search(z)
            s = self._at(node, z)
            # Norms and their products at the node; du moves the norm by its own slope.
            norm, cross, bend, slope, free = self._moments.take(node, axis=0).T
            du = -s[1] / s[2]
            score = s[0] + du * (s[1] + 0.5 * du * s[2])
            square = score * score
            rss = np.maximum(total - square, n * (_ROUNDING**2) * total)
            current = score / (norm + slope * du)
            deviation = np.sqrt(rss * free)
            u_current = deviation * np.sqrt(bend)
            size = np.abs(current)
            u_log = deviation * norm / size
            tau = np.exp(self._log_tau[0] + node * self._du + du) * self.span
            out[0], out[1], out[2], out[3] = current, tau, u_current, u_log * tau
            # d model / d ln tau has the current's sign: so has the correlation of I and tau.
            out[4] = np.copysign(cross, current)
            out[5] = rss
            straight, flat = limit_ratios(n)
            line, constant = projected[:, self._rank], projected[:, self._rank + 1]
            # Comparisons with what is no number are false: such rows go to the single fit.
            good = ~at_end & (np.abs(du) < 3 * self._du)
            good &= (u_log < 0.3) & (u_current < 0.3 * size)
            good &= total - line * line > rss * straight
            good &= total - constant * constant > rss * flat
            if self._smooth:
                wave = projected[:, self._rank + 2 :]
                slow = np.einsum("ij,ij->i", wave, wave) + np.einsum("ij,ij->i", z, z) - square
                good &= slow * self._free < self._structure * (rss - slow)
        return np.asarray(good)

    def _at(self, node: NDArray[np.int64], z: FloatArray) -> FloatArray:
        """Score, slope and curvature in ln tau at each record's node, one row each."""
        found: FloatArray = np.einsum("nkr,nr->kn", self._table.take(node, axis=0), z)
        return found

    def _project(self, data: FloatArray, projected: FloatArray) -> FloatArray:
        """Coordinates in the small space, and sums of squares, in one pass over the data."""
        total = np.empty(data.shape[0])
        rows = min(PROJECT_BYTES // (8 * data.shape[1]), PROJECT_PRODUCT // self._basis.size)
        rows = max(16, rows)
        for begin in range(0, data.shape[0], rows):
            part = data[begin : begin + rows]
            np.dot(part, self._basis, out=projected[begin : begin + rows])
            np.vecdot(part, part, out=total[begin : begin + rows])
        return total

    def _coarse_search(self, z: FloatArray) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """The fine node nearest the top of a cubic about the best coarse node; if that is an end.

        The cubic's third difference is that of a rise, so that three scores are enough.
        """
        score = z.astype(np.float32) @ self._coarse
        best = np.abs(score).argmax(axis=1)
        at_end = (best == 0) | (best == COARSE - 1)
        best = np.clip(best, 1, COARSE - 2)
        flat, place = score.ravel(), best + np.arange(0, score.size, COARSE)
        left, top, right = flat.take(place - 1), flat.take(place), flat.take(place + 1)
        third = self._third.take(best) * top
        bend = left - 2 * top + right
        shift = (0.5 * (left - right) + third / 6) / bend
        shift -= 0.5 * shift * shift * third / bend
        spacing = (FINE - 1) // (COARSE - 1)
        node = np.rint(spacing * (best + np.fmax(-1.0, np.fmin(shift, 1.0))))
        return node.astype(np.int64), at_end

    def _with_singles(
        self, data: FloatArray, out: FloatArray, fair: NDArray[np.bool_]
    ) -> RiseBatch:
        reasons: dict[int, str] = {}
        structured = set()
        for row in np.flatnonzero(~fair):
            found = solve_rise(self.time_s, data[row])
            if isinstance(found, str):
                reasons[int(row)] = found
                out[:, row] = np.nan
                continue
            fair[row] = True
            if found.structured:
                structured.add(int(row))
            out[:, row] = (
                found.current_a,
                found.tau_s,
                found.u_current_a,
                found.u_tau_s,
                found.correlation,
                found.residual_sum_squares,
            )
        return RiseBatch(
            current_a=out[0],
            tau_s=out[1],
            u_current_a=out[2],
            u_tau_s=out[3],
            correlation=out[4],
            residual_sum_squares=out[5],
            converged=fair,
            points=self.time_s.size,
            record_s=self.span,
            reasons=reasons,
            structured=frozenset(structured),
        )


def _smooth_rest(basis: FloatArray, time: FloatArray) -> FloatArray:
    """Up to SMOOTH slow waves over the record with every rise taken out of them."""
    n, rank = time.size, basis.shape[0]
    if n < max(STRUCTURED_POINTS_MIN, rank + 2 * SMOOTH):
        return np.empty((0, n))
    order = np.argsort(np.argsort(time, kind="stable"), kind="stable")
    waves = np.cos(np.pi * np.arange(1, rank + SMOOTH + 1)[:, None] * (order + 0.5) / n)
    waves -= (waves @ basis.T) @ basis
    _, _, rows = np.linalg.svd(waves, full_matrices=False)
    return np.asarray(rows[:SMOOTH])
