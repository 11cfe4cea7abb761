"""What the family of simulated coils (``motion_family``) says about one sampling grid.

Two questions, two models, both linear algebra on the same moments:

* *Did it move?* The likelihood ratio of "some signature on top of a stuck coil" over "a stuck
  coil", averaged over the signatures. Stuck coils are a mixture of Gaussians, each cluster
  with its own covariance: iron varies much from coil to coil, but not at random. The
  threshold comes from simulated stuck coils with noise.
* *When did it stop?* A mixture of Gaussians: coils are grouped by size of the inductance
  change, end of travel, kind of motion and what the current itself forecasts, and each group
  gives mean and covariance of current, start and end together. The posterior over all groups
  is the answer (before the record a group counts as its share of the coils), with its own
  standard deviation, and how badly the best of them fit is told beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchrig.measure import motion_bank as bank
from benchrig.measure.motion_scale import LAST, TIME_STEP

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

PATH = Path(__file__).with_name("motion_family.npz")
SEED = 20012
STUCK_SLACK = 1.3  # variance of stuck coils unlike the family, over a cluster's
UNLIKE = 2.5e-4  # of the final current, in every sample: what no family gets right of iron
COMMON_SHARE = 0.03  # of the variance of all clusters together that each gets besides
RATE_RESERVE = 0.8  # the threshold is set for this share of the stated rate
SIZE_AIM = 6.0  # of the signatures looked for, over the noise
TRIALS = 2000
PART = 64  # rows worked on at a time
EXPONENT_MAX = 80.0  # of a likelihood ratio, so that it stays finite in single precision
MISMATCH = 0.002  # share of the inductance change that no family gets right, of the current
# Standard uncertainty of a slow or soft landing besides, in time constants: its end hardly
# shows, and coils of another physics were up to a time constant off.
SLOW_MODEL = 0.25
WEIGHT_MIN = 1e-9  # of a group; all such together change nothing that is shown
LAST_MARGIN = 0.3  # an end of travel so close to the record's end cannot be timed


@lru_cache(maxsize=1)
def family() -> dict[str, NDArray[Any]]:
    """The generated file."""
    with np.load(PATH) as file:
        return {name: file[name] for name in file.files}


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """The family's basis on one sampling grid."""

    u: Array  # sample times in time constants
    basis: Floats  # (basis, points)
    middle: Array  # mean current of stuck coils; taken out of every current first

    def on_grid(self, name: str) -> Floats:
        """Rows of the file, given in the basis, as currents on this grid."""
        rows = family()[name].astype(np.float32)
        return np.asarray(rows @ self.basis)


def make_grid(u: Array) -> Grid:
    """The grid of sample times ``u`` in time constants."""
    place = np.clip(u / TIME_STEP, 0, LAST / TIME_STEP - 0.001)
    index = place.astype(np.intp)
    share = place - index
    basis, middle = family()["basis"].astype(np.float64), family()["middle"].astype(np.float64)
    return Grid(
        u,
        (basis[:, index] * (1 - share) + basis[:, index + 1] * share).astype(np.float32),
        middle[index] * (1 - share) + middle[index + 1] * share,
    )


def grid_of(u: Array) -> Grid:
    """The grid of (even) times, found again as long as they differ by rounding only."""
    step = float(u[-1] - u[0]) / (len(u) - 1)
    return _even_grid(round(float(u[0]), 6), round(step, 8), len(u))


@lru_cache(maxsize=64)
def _even_grid(first: float, step: float, points: int) -> Grid:
    return make_grid(first + step * np.arange(points, dtype=np.float64))


def _parts(currents: Array) -> list[Array]:
    """Rows in parts that a cache can hold."""
    return [currents[n : n + PART] for n in range(0, max(len(currents), 1), PART)]


@dataclass(frozen=True, slots=True, eq=False)
class Detector:
    """The averaged likelihood ratio on one grid, at one noise and false-alarm rate."""

    middle: Array
    means: Array  # (clusters, points)
    whiteners: Array  # (clusters, points, points)
    levels: Array  # (clusters,): log share and determinant
    filters: Floats  # (points, clusters * signatures): covariance inverse times signature
    offsets: Floats  # (clusters * signatures,)
    size: float  # of a typical signature, in units of the noise
    weighed: float  # the size that the filters expect
    threshold: float  # of the evidence

    def evidence(self, currents: Array) -> Array:
        """Log likelihood ratio of moved over stuck."""
        parts = [self._evidence(part) for part in _parts(currents)]
        return np.concatenate(parts)

    def _evidence(self, currents: Array) -> Array:
        rest = currents - self.middle
        alone, clusters = np.empty((len(self.levels), len(rest))), len(self.levels)
        for j in range(clusters):
            white = (rest - self.means[j]) @ self.whiteners[j]
            alone[j] = self.levels[j] - 0.5 * np.einsum("bp,bp->b", white, white)
        product = rest.astype(np.float32) @ self.filters
        product -= self.offsets
        np.minimum(product, np.float32(EXPONENT_MAX), out=product)
        np.exp(product, out=product)
        gain = product.reshape(len(rest), clusters, -1).mean(axis=2, dtype=np.float64).T
        weight = np.exp(alone - alone.max(axis=0))
        ratio = np.sum(weight * gain, axis=0) / np.sum(weight, axis=0)
        return np.asarray(np.log(np.maximum(ratio, 1e-30)))

    def strength(self, currents: Array) -> Array:
        """Evidence over its threshold, both from where noise alone would be; above 1 it moved."""
        middle = 0.5 * self.weighed**2
        return np.asarray(
            np.maximum(self.evidence(currents) + middle, 0) / (self.threshold + middle)
        )


def stuck_clusters(grid: Grid) -> tuple[Array, Array, Array]:
    """Shares, means and covariances of stuck coils on the grid."""
    share = family()["cluster_share"].astype(np.float64)
    means = grid.on_grid("cluster_mean").astype(np.float64)
    factors = grid.on_grid("cluster_factors").astype(np.float64)
    powers = np.einsum("jrp,jrq->jpq", factors, factors)
    about = means - share @ means
    common = np.einsum("j,jpq->pq", share, powers) + (share * about.T) @ about
    level = means + grid.middle
    powers = STUCK_SLACK * powers + COMMON_SHARE * common
    powers += 1e-4 * np.einsum("jp,jq->jpq", level, level)
    return share, means, powers


def make_detector(grid: Grid, relative_noise: float, false_alarm_rate: float) -> Detector:
    """Filters for every signature in every cluster, and the threshold for the rate."""
    rng = np.random.default_rng(SEED)
    share, means, powers = stuck_clusters(grid)
    points = len(grid.u)
    inverse = np.linalg.inv(powers + (relative_noise**2 + UNLIKE**2) * np.eye(points))
    inverse = 0.5 * (inverse + inverse.transpose(0, 2, 1))
    whiteners = np.asarray(np.linalg.cholesky(inverse), dtype=np.float64)
    signatures = grid.on_grid("signature").astype(np.float64)
    filters = inverse @ signatures.T  # (clusters, points, signatures)
    energy = np.einsum("sp,jps->js", signatures, filters)
    size = float(np.sqrt(np.median(energy)))
    # Weighed for movements that are just visible; larger ones are found all the same.
    gain = min(1.0, SIZE_AIM / size)
    filters, energy = gain * filters, gain**2 * energy
    offsets = np.einsum("jp,jps->js", means, filters) + 0.5 * energy
    detector = Detector(
        grid.middle,
        means,
        whiteners,
        np.log(share) + np.log(np.diagonal(whiteners, axis1=1, axis2=2)).sum(axis=1),
        np.ascontiguousarray(filters.transpose(1, 0, 2).reshape(points, -1), dtype=np.float32),
        offsets.ravel().astype(np.float32),
        size,
        gain * size,
        0.0,
    )
    stuck = grid.on_grid("stuck").astype(np.float64)
    trials = np.concatenate([stuck] * -(-TRIALS // len(stuck)))[:TRIALS]
    trials += relative_noise * rng.normal(size=trials.shape)
    found = detector.evidence(trials + grid.middle)
    return replace(detector, threshold=threshold_of(found, false_alarm_rate))


def threshold_of(evidence: Array, false_alarm_rate: float) -> float:
    """The evidence that coils which did not move pass at the rate, from some of them."""
    rate = RATE_RESERVE * false_alarm_rate
    # Past what so many trials can tell: the tail of a likelihood ratio falls at least as its
    # inverse.
    tail = max(rate, 15 / len(evidence))
    return float(np.quantile(evidence, 1 - tail)) + float(np.log(tail / rate))


def stuck_filter(grid: Grid, relative_noise: float) -> Array:
    """Symmetric (points, points): whitens noise and takes out stuck coils, mean and all."""
    share, means, powers = stuck_clusters(grid)
    level = means + grid.middle
    power = np.einsum("j,jpq->pq", share, powers) + (share * level.T) @ level
    values, vectors = np.linalg.eigh(power)
    keep = 1 / np.sqrt(np.maximum(values, 0) / relative_noise**2 + 1)
    return np.asarray((vectors * keep) @ vectors.T)


@dataclass(frozen=True, slots=True, eq=False)
class Timing:
    """The mixture of Gaussians on one grid at one noise."""

    middle: Array
    means: Floats  # (groups, points)
    powers: Floats  # (groups,): of the means
    noise: Floats  # (groups,)
    filters: Floats  # (groups * rank, points)
    offsets: Floats  # (groups, rank)
    levels: Array  # log prior and determinant
    instants: Array  # (groups, 2): end and start
    slopes: Floats  # (groups, 2, rank)
    variances: Array  # (groups, 2)

    def assess(self, currents: Array) -> tuple[Array, Array, Array, Array, Array]:
        """Ends, their deviations, starts, theirs (in time constants), and the misfit.

        The misfit is the mean square of what the groups leave unexplained over what noise
        and the groups' own spread would leave: about 1 for coils of the family.
        """
        parts = [self._assess(part) for part in _parts(currents)]
        end, deviation, start, other, misfit = (np.concatenate(c) for c in zip(*parts, strict=True))
        return end, deviation, start, other, misfit

    def _assess(self, currents: Array) -> tuple[Array, ...]:
        groups, rank = self.offsets.shape
        rest = (currents - self.middle).astype(np.float32)
        z = (rest @ self.filters.T).reshape(-1, groups, rank) - self.offsets
        power = np.einsum("bp,bp->b", rest, rest)[:, None] - 2 * rest @ self.means.T
        power += self.powers
        square = power / self.noise**2 - np.einsum("bgr,bgr->bg", z, z)
        log = self.levels - 0.5 * square
        weight = np.exp(log - log.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        misfit = np.einsum("bg,bg->b", weight, square) / len(self.middle)
        some = np.flatnonzero((weight > WEIGHT_MIN).any(axis=0))
        weight = weight[:, some]
        values = self.instants[some] + np.einsum("bgr,gtr->bgt", z[:, some], self.slopes[some])
        mean = np.einsum("bg,bgt->bt", weight, values)
        spread = self.variances[some] + (values - mean[:, None]) ** 2
        deviation = np.sqrt(np.einsum("bg,bgt->bt", weight, spread))
        return mean[:, 0], deviation[:, 0], mean[:, 1], deviation[:, 1], misfit


def make_timing(grid: Grid, relative_noise: float) -> Timing:
    """Bring the groups to the grid and solve each against the noise."""
    data = family()
    kind = data["group_kind"].astype(np.intp)
    instants = data["group_instant"].astype(np.float64)
    use = instants[:, 0] < grid.u[-1] - LAST_MARGIN
    means = grid.on_grid("group_mean")[use]
    raw = data["group_factors"][use].astype(np.float32)
    groups, rank, _ = raw.shape
    factors = (raw.reshape(groups * rank, -1) @ grid.basis).reshape(groups, rank, -1)
    sizes = np.array([low * high for low, high in bank.INDUCTANCE_CHANGES])
    left = data["group_left"][use].astype(np.float64)
    noise = np.sqrt(relative_noise**2 + MISMATCH**2 * sizes[kind[use]] + left)
    factors = factors / noise.astype(np.float32)[:, None, None]
    gram = (factors @ factors.transpose(0, 2, 1)).astype(np.float64) + np.eye(rank)
    root = np.linalg.inv(np.linalg.cholesky(gram))
    filters = root.astype(np.float32) @ factors / noise.astype(np.float32)[:, None, None]
    cross = data["group_cross"][use].astype(np.float64)  # (groups, 2, rank)
    slopes = np.einsum("grs,gts->gtr", root, cross)
    variances = data["group_unexplained"][use].astype(np.float64)
    variances = variances + np.sum(slopes**2, axis=2)
    slow = data["group_manner"][use] > 1
    variances[slow] += SLOW_MODEL**2
    prior = np.log(data["group_share"][use].astype(np.float64))
    levels = prior + np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    return Timing(
        grid.middle,
        means,
        np.einsum("gp,gp->g", means, means),
        noise.astype(np.float32),
        np.ascontiguousarray(filters.reshape(groups * rank, -1)),
        np.einsum("grp,gp->gr", filters, means),
        levels - len(grid.u) * np.log(noise),
        instants[use],
        slopes.astype(np.float32),
        variances,
    )
