"""How well each answer explains a measured size: Bayes over the size classes and "none of them".

The model, for a piece of true sides t = (w, h) and a measured size x = t + error, error ~ N(0, S):

- a class: one of its cuts, each as likely as the other, and t ~ N(cut, u_cut^2 I). So x ~ N(cut, S + u_cut^2 I);
- odd (none of them): either side anywhere between `ODD_SIDES_MM`, no scale favoured (ln w and ln h uniform), which is a
  density of 2 / (w h ln(b/a)^2) over width <= height. It is so broad that S hardly changes it, and it is continued
  beyond its ends, where hardly any class is near;
- before measuring, odd is as probable as all classes together (`ODD_PRIOR`), and no class is favoured.

Which side is called the width is decided by the measured values, so near the diagonal the true sides may be the other
way round: every cut also stands mirrored. (The density of sorted values is the sum over both orders.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from cardmeasure.classes.size_class import SizeClass

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ODD_PRIOR = 0.5
"""Probability, before measuring, that a piece is of no class: nothing is known, so half."""
ODD_SIDES_MM = (25.0, 160.0)
"""Sides between which nearly all flat pieces of games lie; common practice, no source."""
LEAST_SIDE_MM = 1.0
"""Below this side the density of odd sizes is taken as level, so that it stays finite."""
LOG_ODD = math.log(2.0 * ODD_PRIOR) - 2.0 * math.log(math.log(ODD_SIDES_MM[1] / ODD_SIDES_MM[0]))
_NEGLIGIBLE = 20.0
"""A cut whose likelihood is below exp(-20) of that of odd has no say."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CutTable:
    """The cuts of all classes in arrays, the mirrored ones included, in the order of their classes.

    `cuts_mm` (k, 2); `var_cut_mm2` (k,), u_cut squared; `log_weight` (k,), log of the prior; `log_cuts` (k,), log of
    the number of cuts that share the prior of the class; `class_index` (k,).
    """

    cuts_mm: Floats
    var_cut_mm2: Floats
    log_weight: Floats
    log_cuts: Floats
    class_index: Ints


@lru_cache(maxsize=8)
def cut_table(classes: tuple[SizeClass, ...]) -> CutTable:
    """The cuts of at least one class as arrays."""
    rows = [
        (*sides, size_class.u_cut_mm**2, len(size_class.cuts_mm), index)
        for index, size_class in enumerate(classes)
        for cut in size_class.cuts_mm
        for sides in (cut, cut[::-1])
    ]
    columns = np.array(rows, dtype=np.float64)
    log_cuts = np.log(columns[:, 3])
    return CutTable(
        cuts_mm=columns[:, :2].copy(),
        var_cut_mm2=columns[:, 2].copy(),
        log_weight=math.log((1.0 - ODD_PRIOR) / len(classes)) - log_cuts,
        log_cuts=log_cuts,
        class_index=columns[:, 4].astype(np.int64),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Likelihoods:
    """The likelihoods of all answers as functions of where the measurement lies, its covariance being fixed.

    Where it is of many measurements at once, all but `class_index` and `log_cuts` have leading axes, which are left out
    below. `measured_mm` (2,): the measurement itself. Cut by cut, in the order of the classes: `class_index` (k,);
    `offsets_mm` (k, 2), the cut as seen from the measurement; `quadratic` (k, 6), coefficients of the log of prior
    times likelihood in (dw^2, dw dh, dh^2, dw, dh, 1); `principal_mm2` (k, 2), the principal variances, along the
    columns of `axes` (2, 2); `peak` (k,), log of how many times as probable as odd the cut alone would be if the
    measurement lay on it; `log_cuts` (k,), log of the number of cuts that share the prior of the class.
    """

    measured_mm: Floats
    axes: Floats
    class_index: Ints
    offsets_mm: Floats
    quadratic: Floats
    principal_mm2: Floats
    peak: Floats
    log_cuts: Floats

    @cached_property
    def first_cuts(self) -> Ints:
        """Where the cuts of each class that is left begin, (n,)."""
        changes = np.flatnonzero(self.class_index[1:] != self.class_index[:-1]) + 1
        return np.concatenate([[0], changes]) if len(self.class_index) else changes

    def log_joint(self) -> Floats:
        """Log of prior times likelihood of every answer at the measurement, (n + 1,), odd last."""
        by_class = np.logaddexp.reduceat(self.quadratic[..., 5], self.first_cuts, axis=-1)
        return np.concatenate([by_class, _log_odd(self.measured_mm)[..., None]], axis=-1)

    def over_odd(self, angles_rad: Floats, radii_mm: Floats) -> Floats:
        """How many times as probable as odd each class is where the measurement moved, (n, m, r).

        `angles_rad` (m,) are the directions, counted from the axis of widths; `radii_mm`, (r,) or (m, r), how far.
        """
        cos, sin = np.cos(angles_rad), np.sin(angles_rad)
        bend = self.quadratic[..., :3] @ np.stack([cos * cos, cos * sin, sin * sin], axis=-2)
        slope = self.quadratic[..., 3:5] @ np.stack([cos, sin], axis=-2)
        width = np.maximum(self.measured_mm[..., 0, None, None] + radii_mm * cos[..., None], LEAST_SIDE_MM)
        height = np.maximum(self.measured_mm[..., 1, None, None] + radii_mm * sin[..., None], LEAST_SIDE_MM)
        radii = np.atleast_2d(radii_mm)[..., None, :, :]
        log_ratio = (radii * bend[..., None] + slope[..., None]) * radii
        log_ratio += self.quadratic[..., 5, None, None]
        log_ratio += (np.log(width * height) - LOG_ODD)[..., None, :, :]
        return np.asarray(np.add.reduceat(np.exp(log_ratio, out=log_ratio), self.first_cuts, axis=-3))

    def slope_of_odd(self) -> Floats:
        """Derivative of the log of the density of odd by width and height at each cut, 1/mm, (k, 2)."""
        return np.asarray(-1.0 / np.maximum(self.measured_mm + self.offsets_mm, LEAST_SIDE_MM))

    def of(self, which: int | NDArray[np.bool_]) -> Likelihoods:
        """Those of some of many measurements, by an index into the leading axes."""
        return replace(
            self,
            measured_mm=self.measured_mm[which],
            axes=self.axes[which],
            offsets_mm=self.offsets_mm[which],
            quadratic=self.quadratic[which],
            principal_mm2=self.principal_mm2[which],
            peak=self.peak[which],
        )

    def near(self, reach_mm: float) -> Likelihoods:
        """The same without the cuts that have no say within `reach_mm` of the measurement."""
        range_ = np.maximum(self.peak + self.log_cuts + _NEGLIGIBLE, 0.0)
        extent = np.sqrt(2.0 * self.principal_mm2.max(axis=1) * range_)
        return self.only(np.hypot(self.offsets_mm[:, 0], self.offsets_mm[:, 1]) <= reach_mm + extent)

    def only(self, keep: NDArray[np.bool_]) -> Likelihoods:
        """The same with the cuts of the mask, (k,), alone."""
        return replace(
            self,
            class_index=self.class_index[keep],
            offsets_mm=self.offsets_mm[keep],
            quadratic=self.quadratic[keep],
            principal_mm2=self.principal_mm2[keep],
            peak=self.peak[keep],
            log_cuts=self.log_cuts[keep],
        )


def likelihoods(measured_mm: Floats, *, covariance_mm2: Floats, cuts: CutTable) -> Likelihoods:
    """Likelihoods about measured sizes, (..., 2), of the given covariances, (..., 2, 2)."""
    variances, axes = np.linalg.eigh(covariance_mm2)
    principal = np.maximum(variances, 0.0)[..., None, :] + cuts.var_cut_mm2[:, None]
    p, q = np.moveaxis(1.0 / principal, -1, 0)
    of_w, of_h = axes[..., 0, None, :], axes[..., 1, None, :]
    a, b, c = (
        one[..., 0] * other[..., 0] * p + one[..., 1] * other[..., 1] * q
        for one, other in ((of_w, of_w), (of_w, of_h), (of_h, of_h))
    )
    offsets = cuts.cuts_mm - measured_mm[..., None, :]
    dw, dh = np.moveaxis(offsets, -1, 0)
    log_peak = cuts.log_weight - math.log(2.0 * math.pi) + 0.5 * np.log(p * q)
    at_measured = log_peak - 0.5 * (a * dw * dw + 2.0 * b * dw * dh + c * dh * dh)
    return Likelihoods(
        measured_mm=measured_mm,
        axes=axes,
        class_index=cuts.class_index,
        offsets_mm=offsets,
        quadratic=np.stack([-0.5 * a, -b, -0.5 * c, a * dw + b * dh, b * dw + c * dh, at_measured], axis=-1),
        principal_mm2=principal,
        peak=log_peak - _log_odd(cuts.cuts_mm),
        log_cuts=cuts.log_cuts,
    )


def _log_odd(sizes_mm: Floats) -> Floats:
    """Log of prior times density of an odd size, (...), for sizes (..., 2)."""
    sides = np.maximum(sizes_mm, LEAST_SIDE_MM)
    return np.asarray(LOG_ODD - np.log(sides[..., 0] * sides[..., 1]), dtype=np.float64)
