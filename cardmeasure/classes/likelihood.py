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
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from cardmeasure.classes.size_class import SizeClass

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ODD_PRIOR = 0.5
"""Probability, before measuring, that a piece is of no class: nothing is known, so half."""
ODD_SIDES_MM = (25.0, 160.0)
"""Sides between which nearly all flat pieces of games lie; common practice, no source."""
_LEAST_SIDE_MM = 1.0
"""Below this side the density of odd sizes is taken as level, so that it stays finite."""
_LOG_ODD = math.log(2.0 * ODD_PRIOR) - 2.0 * math.log(math.log(ODD_SIDES_MM[1] / ODD_SIDES_MM[0]))
_NEGLIGIBLE = 20.0
"""A cut whose likelihood is below exp(-20) of that of odd has no say."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CutTable:
    """The cuts of all classes in arrays, the mirrored ones included, in the order of their classes.

    `cuts_mm` (k, 2); `var_cut_mm2` (k,), u_cut squared; `log_weight` (k,), the prior; `class_index` (k,).
    """

    class_count: int
    cuts_mm: Floats
    var_cut_mm2: Floats
    log_weight: Floats
    class_index: Ints


@lru_cache(maxsize=8)
def cut_table(classes: tuple[SizeClass, ...]) -> CutTable:
    """The cuts of at least one class as arrays."""
    rows = [
        (*sides, size_class.u_cut_mm**2, (1.0 - ODD_PRIOR) / (len(classes) * len(size_class.cuts_mm)), index)
        for index, size_class in enumerate(classes)
        for cut in size_class.cuts_mm
        for sides in (cut, cut[::-1])
    ]
    columns = np.array(rows, dtype=np.float64)
    return CutTable(
        class_count=len(classes),
        cuts_mm=columns[:, :2].copy(),
        var_cut_mm2=columns[:, 2].copy(),
        log_weight=np.log(columns[:, 3]),
        class_index=columns[:, 4].astype(np.int64),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Likelihoods:
    """The likelihoods of all answers as functions of where the measurement lies, its covariance being fixed.

    `measured_mm` (2,): the measurement itself. Cut by cut: `offsets_mm` (k, 2), the cut as seen from the measurement;
    `quadratic` (6, k), coefficients of the log of prior times likelihood in (dx^2, dx dy, dy^2, dx, dy, 1);
    `extent_mm` (k,), how far from the cut it has any say; `membership` (k, n): 1 where the cut is of the class.
    """

    measured_mm: Floats
    offsets_mm: Floats
    quadratic: Floats
    extent_mm: Floats
    membership: Floats

    @property
    def odd(self) -> int:
        """The index that stands for "none of the classes" among the answers."""
        return int(self.membership.shape[1])

    def log_joint(self) -> Floats:
        """Log of prior times likelihood of every answer at the measurement, (n + 1,), odd last."""
        first_cut = self.membership.argmax(axis=0)
        by_class = np.logaddexp.reduceat(self.quadratic[5], first_cut)
        return np.append(by_class, _log_odd(self.measured_mm))

    def answers(self, steps_mm: Floats) -> Ints:
        """The most probable answer, (m,), where the measurement moved by each of `steps_mm`, (m, 2)."""
        dx, dy = steps_mm[:, 0], steps_mm[:, 1]
        terms = np.stack([dx * dx, dx * dy, dy * dy, dx, dy, np.ones_like(dx)], axis=1)
        over_odd = terms @ self.quadratic - _log_odd(self.measured_mm + steps_mm)[:, None]
        ratios = np.exp(over_odd) @ self.membership
        return np.where(ratios.max(axis=1) > 1.0, ratios.argmax(axis=1), self.odd)

    def near(self, reach_mm: float) -> Likelihoods:
        """The same without the cuts that have no say within `reach_mm` of the measurement."""
        keep = np.hypot(self.offsets_mm[:, 0], self.offsets_mm[:, 1]) <= reach_mm + self.extent_mm
        return replace(
            self,
            offsets_mm=self.offsets_mm[keep],
            quadratic=self.quadratic[:, keep],
            extent_mm=self.extent_mm[keep],
            membership=self.membership[keep],
        )


def likelihoods(measured_mm: Floats, *, covariance_mm2: Floats, cuts: CutTable) -> Likelihoods:
    """Likelihoods about a measured size, (2,), of the given covariance, (2, 2)."""
    var_w = covariance_mm2[0, 0] + cuts.var_cut_mm2
    var_h = covariance_mm2[1, 1] + cuts.var_cut_mm2
    cov = covariance_mm2[0, 1]
    determinant = var_w * var_h - cov * cov
    a, b, c = var_h / determinant, -cov / determinant, var_w / determinant
    offsets = cuts.cuts_mm - measured_mm
    dx, dy = offsets[:, 0], offsets[:, 1]
    log_peak = cuts.log_weight - math.log(2.0 * math.pi) - 0.5 * np.log(determinant)
    at_measured = log_peak - 0.5 * (a * dx * dx + 2.0 * b * dx * dy + c * dy * dy)
    quadratic = np.stack([-0.5 * a, -b, -0.5 * c, a * dx + b * dy, b * dx + c * dy, at_measured])
    over_odd = log_peak - _log_odd(cuts.cuts_mm)
    widest = 0.5 * (var_w + var_h) + np.hypot(0.5 * (var_w - var_h), cov)
    membership = np.zeros((len(offsets), cuts.class_count))
    membership[np.arange(len(offsets)), cuts.class_index] = 1.0
    return Likelihoods(
        measured_mm=measured_mm,
        offsets_mm=offsets,
        quadratic=quadratic,
        extent_mm=np.sqrt(2.0 * widest * np.maximum(over_odd + _NEGLIGIBLE, 0.0)),
        membership=membership,
    )


def _log_odd(sizes_mm: Floats) -> Floats:
    """Log of prior times density of an odd size, (...), for sizes (..., 2)."""
    sides = np.maximum(sizes_mm, _LEAST_SIDE_MM)
    return np.asarray(_LOG_ODD - np.log(sides[..., 0] * sides[..., 1]), dtype=np.float64)
