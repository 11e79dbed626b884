"""Uncertainty budgets in the words of the GUM (JCGM 100:2008), as pure functions.

A contribution is c_i u(x_i): the standard uncertainty of an input times the derivative of the result by it, in the unit
of the result. Its sign matters only where inputs are correlated.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from importlib import import_module
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardmeasure.errors import UsageError
from cardmeasure.results import Contribution

Floats = NDArray[np.float64]

_ROUNDING = 1e-9
"""Share of the largest variance by which rounding may push another one below zero."""


def combined_standard_uncertainty(contributions: Sequence[float], *, correlation: ArrayLike | None = None) -> float:
    """Combined standard uncertainty (JCGM 100, equations 11a and 16).

    Parameters
    ----------
    contributions : c_i u(x_i), (n,), in the unit of the result; empty gives 0.
    correlation : correlation matrix of the inputs, (n, n); None where they are independent.

    Raises
    ------
    UsageError
        Where the matrix is no correlation matrix of n inputs.
    """
    parts = np.asarray(contributions, dtype=np.float64)
    if correlation is None:
        return float(math.hypot(*contributions))
    r = _correlation_matrix(correlation, size=len(parts))
    variance = float(parts @ r @ parts)
    return math.sqrt(_not_negative(variance, scale=float(parts @ parts), what="correlation"))


def effective_degrees_of_freedom(contributions: Sequence[float], degrees_of_freedom: Sequence[float]) -> float:
    """Effective degrees of freedom by the Welch-Satterthwaite formula (JCGM 100, equation G.2b).

    Parameters
    ----------
    contributions : c_i u(x_i), (n,), of independent inputs.
    degrees_of_freedom : those of each, (n,), above 0; infinite where u(x_i) is taken as exactly known.

    Returns
    -------
    float
        Not truncated; infinite where no contribution with finite degrees of freedom is above 0. Examples in the GUM
        truncate it to the next lower integer before they look up the coverage factor (G.4.1, note 1).

    Raises
    ------
    UsageError
        Where the lengths differ or a number of degrees of freedom is not above 0.
    """
    if len(contributions) != len(degrees_of_freedom):
        raise UsageError(
            f"degrees_of_freedom has {len(degrees_of_freedom)} entries and contributions {len(contributions)}; "
            "there must be one for each."
        )
    for dof in degrees_of_freedom:
        if not dof > 0.0:
            raise UsageError(f"degrees_of_freedom holds {dof:g}; degrees of freedom must be above 0.")
    combined = combined_standard_uncertainty(contributions)
    if combined == 0.0:
        return math.inf
    spread = sum((u / combined) ** 4 / dof for u, dof in zip(contributions, degrees_of_freedom, strict=True))
    return 1.0 / spread if spread > 0.0 else math.inf


def coverage_factor(p: float, degrees_of_freedom: float = math.inf) -> float:
    """Coverage factor of a two-sided interval of coverage probability `p`: Student's t (JCGM 100, G.3 and table G.2).

    Raises
    ------
    UsageError
        Unless 0 < p < 1 and `degrees_of_freedom` > 0.
    """
    if not 0.0 < p < 1.0:
        raise UsageError(f"p is {p:g}; a coverage probability must lie between 0 and 1.")
    if not degrees_of_freedom > 0.0:
        raise UsageError(f"degrees_of_freedom is {degrees_of_freedom:g}; it must be above 0.")
    if math.isinf(degrees_of_freedom):
        return NormalDist().inv_cdf(0.5 + 0.5 * p)
    special = import_module("scipy.special")  # late: importing it takes longer than measuring a photo
    return float(special.stdtrit(degrees_of_freedom, 0.5 + 0.5 * p))


def budget_from_covariances(groups: Mapping[str, ArrayLike]) -> tuple[Contribution, ...]:
    """Uncertainty budget of a size from the covariance of (width, height) that each group of influences causes.

    Parameters
    ----------
    groups : covariance matrix, (2, 2), mm^2, for each name; their sum is the covariance of the size (the groups are
        independent of each other, what is correlated within one stays within it).

    Returns
    -------
    tuple of Contribution
        Largest first, by the root sum of squares of both sides; the squares of each column add up to the variance.

    Raises
    ------
    UsageError
        Where a matrix is not 2 x 2, not symmetric, not finite or has a negative variance.
    """
    return _largest_first(
        [_contribution(name, np.asarray(matrix, dtype=np.float64)) for name, matrix in groups.items()]
    )


def budgets_from_covariances(groups: Mapping[str, ArrayLike]) -> list[tuple[Contribution, ...]]:
    """The same of each of n sizes, from their covariances (n, 2, 2) by name, in less time than one by one."""
    matrices = np.array(list(groups.values()), np.float64)
    if not _are_covariances(matrices.reshape(-1, 4)):
        return [budget_from_covariances(dict(zip(groups, own, strict=True))) for own in matrices.swapaxes(0, 1)]
    u = np.sqrt(matrices[..., [0, 1], [0, 1]]).swapaxes(0, 1).tolist()
    return [
        _largest_first(
            Contribution(name=name, u_width_mm=w, u_height_mm=h) for name, (w, h) in zip(groups, own, strict=True)
        )
        for own in u
    ]


def _largest_first(lines: Iterable[Contribution]) -> tuple[Contribution, ...]:
    return tuple(sorted(lines, key=lambda line: (-math.hypot(line.u_width_mm, line.u_height_mm), line.name)))


def conformance_probability(value: float, u: float, *, lower: float | None = None, upper: float | None = None) -> float:
    """Probability that the measured quantity lies within its tolerance (JCGM 106:2012, 7.2 to 7.4).

    The quantity is normally distributed about `value` with standard deviation `u`; a limit that is None does not count.
    With u = 0 it is 1 within or on the limits and 0 beyond.

    Raises
    ------
    UsageError
        Where u is negative or not a number, or `lower` > `upper`.
    """
    if not (u >= 0.0 and math.isfinite(value)):
        raise UsageError(f"value is {value:g}, u is {u:g}; value must be finite and u at least 0.")
    low = -math.inf if lower is None else lower
    high = math.inf if upper is None else upper
    if not low <= high:
        raise UsageError(f"lower is {low:g}, upper is {high:g}; the lower limit must not lie above the upper one.")
    if u == 0.0:
        return float(low <= value <= high)
    return max(0.0, _between((low - value) / u, (high - value) / u))


def _between(low: float, high: float) -> float:
    """Probability of a standard normal variable between two values, taken on the side where nothing cancels."""
    if low > 0.0:
        low, high = -high, -low
    root = math.sqrt(2.0)
    return 0.5 * (math.erfc(-high / root) - math.erfc(-low / root))


def _are_covariances(entries: Floats) -> bool:
    """Whether matrices (n, 4), row by row, are symmetric, finite, and of no negative variance, not even by rounding."""
    scale = np.abs(entries).max(axis=1, initial=0.0)
    even = np.abs(entries[:, 1] - entries[:, 2]) <= _ROUNDING * scale
    return bool((even & (scale < np.inf) & (entries[:, 0] >= 0.0) & (entries[:, 3] >= 0.0)).all())


def _contribution(name: str, matrix: Floats) -> Contribution:
    entries = matrix.ravel().tolist()  # numbers of Python's own are quicker where there are but four
    if matrix.shape != (2, 2) or not all(map(math.isfinite, entries)):
        raise UsageError(f"the covariance of {name!r} must be a finite 2 x 2 matrix.")
    of_width, one, other, of_height = entries
    scale = max(map(abs, entries))
    if abs(one - other) > _ROUNDING * scale:
        raise UsageError(f"the covariance of {name!r} must be symmetric.")
    if min(of_width, of_height) < 0.0:
        _not_negative(min(of_width, of_height), scale=scale, what=f"the covariance of {name!r}")
    return Contribution(name=name, u_width_mm=math.sqrt(max(of_width, 0.0)), u_height_mm=math.sqrt(max(of_height, 0.0)))


def _correlation_matrix(correlation: ArrayLike, *, size: int) -> Floats:
    r = np.asarray(correlation, dtype=np.float64)
    if r.shape != (size, size):
        raise UsageError(f"correlation has shape {r.shape}; it must be {size} x {size}, one row for each contribution.")
    if not (np.allclose(r, r.T) and np.allclose(np.diag(r), 1.0) and np.all(np.abs(r) <= 1.0 + _ROUNDING)):
        raise UsageError("correlation must be symmetric, with ones on its diagonal and nothing beyond -1 to 1.")
    return r


def _not_negative(variance: float, *, scale: float, what: str) -> float:
    if variance < -_ROUNDING * scale:
        raise UsageError(f"{what} gives a negative variance; it is no covariance that quantities can have.")
    return max(variance, 0.0)
