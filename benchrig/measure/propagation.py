"""Propagation of uncertainty with correlations kept (GUM, JCGM 100:2008, clause 5.2).

Quantities read together share drift, so their covariance is part of the result: a ratio of two
readings taken at the same instants is better known than either, or worse.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchrig.quantity import Contribution, Measured

FloatArray = NDArray[np.float64]

NORMAL_95 = 1.959963984540054
_T_95 = {1: 12.706, 2: 4.303, 3: 3.182}  # Student's t, where the expansion does not reach


def propagate(
    function: Callable[[FloatArray], Sequence[float] | FloatArray],
    values: FloatArray,
    covariance: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Outputs of a function and their covariance matrix, to first order (GUM 5.2.2).

    The sensitivities are central differences with a step far below each uncertainty, but far
    above rounding.
    """
    centre = np.asarray(function(values), dtype=np.float64)
    jacobian = np.empty((centre.size, values.size))
    for k, value in enumerate(values):
        step = 1e-5 * max(abs(float(value)), math.sqrt(float(covariance[k, k])), 1e-30)
        up, down = values.copy(), values.copy()
        up[k] += step
        down[k] -= step
        difference = np.asarray(function(up), dtype=np.float64) - np.asarray(
            function(down), dtype=np.float64
        )
        jacobian[:, k] = difference / (up[k] - down[k])
    return centre, jacobian @ covariance @ jacobian.T


def ratio(top: Measured, bottom: Measured, unit: str, *, shared: Sequence[str] = ()) -> Measured:
    """``top / bottom``; budget lines named in ``shared`` have one common cause in both.

    A shared line (the gain of an input used for both) enters with the difference of its
    relative parts and so mostly cancels; every other line is independent.
    """
    value = top.value / bottom.value
    lines: list[Contribution] = []
    seen: set[str] = set()
    for name in shared:
        a, b = _line(top, name), _line(bottom, name)
        if a is None or b is None:
            continue
        seen.add(name)
        left = a.std_uncertainty / top.value - b.std_uncertainty / bottom.value
        if left != 0.0:
            lines.append(replace(a, std_uncertainty=abs(value * left), note="common, cancels"))
    for measured, what in ((top, ""), (bottom, "reference: ")):
        for line in measured.budget or (_whole(measured),):
            if line.source not in seen:
                part = abs(value * line.std_uncertainty / measured.value)
                lines.append(replace(line, source=what + line.source, std_uncertainty=part))
    return Measured.from_budget(value, unit, tuple(x for x in lines if x.std_uncertainty > 0))


def _line(measured: Measured, source: str) -> Contribution | None:
    return next((line for line in measured.budget if line.source == source), None)


def _whole(measured: Measured) -> Contribution:
    return Contribution(source="value", std_uncertainty=measured.std_uncertainty)


@lru_cache(maxsize=1024)
def few_points(dof: int) -> float:
    """What a standard deviation of so few degrees of freedom grows by, so that k = 2 covers 95 %.

    Taken from few points it is too small about as often as too large, and then by much: an
    interval needs Student's t in place of the normal distribution's factor (GUM G.3).
    """
    return (_T_95[dof] if dof < 4 else t_quantile(NORMAL_95, dof)) / NORMAL_95


def t_quantile(z: float, dof: int) -> float:
    """Student's t where the normal distribution has ``z``; expansion in 1/dof, from 4 upwards."""
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
    )
    return z + sum(term / float(dof) ** (k + 1) for k, term in enumerate(terms))
