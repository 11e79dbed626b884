"""How far a solved photo pulls what was known beforehand, and how probable so much is by chance.

A prior is a pseudo-observation, and what a photo leaves between it and the solution is its residual. Residuals of rows
with unit variance have the covariance M = I - J C J^T, C being the covariance of the solution, so that v^T M^+ v of a
group of rows is chi-square distributed with as many degrees of freedom as the photo tells of it (Rao, "Linear
Statistical Inference and Its Applications", 1973, 4a; in geodesy: Baarda's and Teunissen's tests of several
observations). It is also what the weighted sum of squares would lose, were the group not known beforehand.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.priors import BANK_CARD, BEND_GROUP, LENS_PROFILE, PriorRows

Floats = NDArray[np.floating[Any]]

LEAST_TOLD = 0.1
"""A direction of which the photo tells less, as a share of the prior's variance, says nothing for or against it: there
small errors of the model, and its not being linear, pull by more (on rendered photos by 1 u of the focal length where
the photo tells 0.013 of it, two of 70 shots of the study's seeds 1000 to 2002, 2026-12-01)."""
SIGNIFICANCE = 1e-4
"""Share of photos as the camera took them, and prints as they were read, that may be called strained by chance."""
FOCAL = "focal length"
LENS_GROUPS = (FOCAL, "principal point", "lens distortion", LENS_PROFILE)
PRINT_GROUPS = ("print scale", BANK_CARD)


class Cause(StrEnum):
    """What is known beforehand and does not fit the photo."""

    LENS = "lens"
    PRINT = "print"


@dataclass(frozen=True, kw_only=True)
class Pull:
    """Chi-square of a group of priors with its degrees of freedom."""

    chi_square: float
    freedom: int

    @property
    def log_chance(self) -> float:
        """Natural logarithm of the probability of so much, or more, by chance."""
        return log_chi_square_above(self.chi_square, self.freedom)

    @property
    def reduced(self) -> float:
        """Chi-square over its degrees of freedom; 0 where the photo tells nothing."""
        return self.chi_square / self.freedom if self.freedom else 0.0


@dataclass(frozen=True, kw_only=True)
class Strain:
    """The pulls of the priors of lens and print, by the names of their groups, of all of the lens, and of all together.

    A photo is strained where one of these, or all together, is too improbable by `SIGNIFICANCE`, shared out among as
    many tests as there are (Bonferroni). The least probable one names the cause: a wrong group is the one that would
    best explain the photo, were it not known.
    """

    groups: Mapping[str, Pull]
    lens: Pull
    whole: Pull

    @property
    def is_strained(self) -> bool:
        """Whether the photo contradicts what was known of its lens or print."""
        tests = self._tests
        return min(pull.log_chance for _, pull in tests) < math.log(SIGNIFICANCE / len(tests))

    @property
    def cause(self) -> Cause | None:
        """What does not fit; None where the photo is not strained."""
        if not self.is_strained:
            return None
        named = [(cause, pull.log_chance) for cause, pull in self._tests if cause is not None]
        return min(named, key=lambda one: one[1])[0]

    @property
    def factor(self) -> float:
        """By how much all u of a strained photo are enlarged; 1 of any other.

        The Birge ratio (Birge, "The calculation of errors by the method of least squares", 1932), root of the reduced
        chi-square, here the largest of all tests: what contradicts is as wrong as that.
        """
        if not self.is_strained:
            return 1.0
        return math.sqrt(max(1.0, *(pull.reduced for _, pull in self._tests)))

    @property
    def _tests(self) -> list[tuple[Cause | None, Pull]]:
        of_groups = [(Cause.LENS if name in LENS_GROUPS else Cause.PRINT, pull) for name, pull in self.groups.items()]
        return [*of_groups, (Cause.LENS, self.lens), (None, self.whole)]


def strain_of(rows: PriorRows, residuals: Floats, weights: Floats, covariance: Floats) -> Strain:
    """How strained priors are by a solution: residuals and weights (k,) of their rows, covariance (n, n)."""
    names = [name for name in (*LENS_GROUPS, *PRINT_GROUPS) if name in rows.groups]
    scaled = np.sqrt(weights) * residuals
    places = [rows.rows_of(name) for name in names]
    told = np.vstack([rows.times(name, weights, covariance) for name in names])
    told = np.hstack([rows.times(name, weights, told.T).T for name in names])
    of_all = scaled[np.concatenate(places)]
    ends = np.cumsum([len(one) for one in places])
    parts = {name: np.arange(end - len(one), end) for name, one, end in zip(names, places, ends, strict=True)}
    curvature = _focal_change(rows, residuals) ** 2
    of_lens = np.concatenate([part for name, part in parts.items() if name in LENS_GROUPS])

    def pull(part: NDArray[np.intp]) -> Pull:
        return pull_of(of_all[part], told[np.ix_(part, part)], curvature=curvature)

    return Strain(
        groups={name: pull(part) for name, part in parts.items()},
        lens=pull(of_lens),
        whole=pull(np.arange(len(of_all))),
    )


def is_bent(rows: PriorRows, residuals: Floats, weights: Floats, covariance: Floats) -> bool:
    """Whether a square's paper bends by more than paper does, whose prior yields to what the photo shows.

    residuals, weights (k,) of all rows, covariance (n, n) of the solution.
    """
    if BEND_GROUP not in rows.groups:
        return False
    mine, one = rows.rows_of(BEND_GROUP), np.ones(len(residuals))
    told = rows.times(BEND_GROUP, one, rows.times(BEND_GROUP, one, covariance).T)
    pull = pull_of_yielding(residuals[mine], told, weights[mine])
    return pull.log_chance < math.log(SIGNIFICANCE)


def pull_of_yielding(residuals: Floats, told: Floats, weights: Floats) -> Pull:
    """What residuals (k,) say against a prior of unit variance with which the photo was not solved, but with weights.

    told (k, k) : covariance of the solution along these rows. What the photo alone says has the information P = told^-1
    - W, and differs from the prior with the covariance I + P^-1.
    """
    inverse = np.linalg.inv((told + told.T) / 2)
    information, ways = np.linalg.eigh(inverse - np.diag(weights))
    counts = information > LEAST_TOLD
    alone = (ways.T @ inverse @ residuals)[counts] / information[counts]
    chi_square = np.sum(alone**2 / (1 + 1 / information[counts]))
    return Pull(chi_square=float(chi_square), freedom=int(counts.sum()))


def _focal_change(rows: PriorRows, residuals: Floats) -> float:
    """By what share the solution's focal length differs from the prior's, where it was known by itself."""
    if FOCAL not in rows.groups:
        return 0.0
    (mine,) = rows.rows_of(FOCAL)
    return float(residuals[mine] / rows.sharpness[mine])


def pull_of(residuals: Floats, told: Floats, *, curvature: float = 0.0) -> Pull:
    """What residuals (k,) of rows with unit variance say together.

    told (k, k) : J C J^T of these rows, as far as the solution still varies along them. curvature : variance, in units
    of the prior's, that the model's not being linear adds. Derivatives after lens and place change by the same share as
    the focal length does, and residuals with them; only a focal length that was hardly known changes by much.
    """
    shares, ways = np.linalg.eigh(np.eye(len(residuals)) - (told + told.T) / 2)
    counts = shares > LEAST_TOLD
    along = residuals @ ways[:, counts]
    return Pull(chi_square=float(np.sum(along**2 / (shares[counts] + curvature))), freedom=int(counts.sum()))


def log_chi_square_above(value: float, freedom: int) -> float:
    """Natural logarithm of the probability that chi-square with whole degrees of freedom exceeds a value.

    By the recurrence of the incomplete gamma function, Q(a + 1, x) = Q(a, x) + x^a exp(-x) / Gamma(a + 1) (Abramowitz
    and Stegun 6.5.21), with exp(-x) taken out, so that nothing underflows; loading scipy takes longer than measuring a
    photo. With no degrees of freedom the probability is 1.
    """
    if freedom < 1 or value <= 0.0:
        return 0.0
    x, a = value / 2, 0.5 if freedom % 2 else 1.0
    logs = [_log_erfc_of_root(x) + x if freedom % 2 else 0.0]
    while a < freedom / 2:
        logs.append(a * math.log(x) - math.lgamma(a + 1))
        a += 1.0
    top = max(logs)
    return min(0.0, top + math.log(math.fsum(math.exp(one - top) for one in logs)) - x)


def _log_erfc_of_root(x: float) -> float:
    """Logarithm of erfc(sqrt(x)); far out by the first terms of its asymptotic series (7.1.23 there)."""
    if x < 100.0:
        return math.log(math.erfc(math.sqrt(x)))
    return -x - 0.5 * math.log(math.pi * x) + math.log1p(-0.5 / x + 0.75 / x**2)
