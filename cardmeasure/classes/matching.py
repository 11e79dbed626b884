"""Matching a measured size to the nominal size classes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from cardmeasure.classes.likelihood import Floats, cut_table, likelihoods
from cardmeasure.classes.margin import nearest_changes
from cardmeasure.classes.size_class import SizeClass
from cardmeasure.classes.table import enabled
from cardmeasure.errors import UsageError
from cardmeasure.results import NearestClass, SizeMatch

Sides = tuple[float, float]


def match_size(
    width_mm: float,
    height_mm: float,
    *,
    u_width_mm: float,
    u_height_mm: float,
    correlation: float,
    classes: tuple[SizeClass, ...],
) -> SizeMatch:
    """The nominal size class of a measured size, or "odd size", with its probability and margin.

    Bayes' theorem with the likelihoods and priors documented in `cardmeasure.classes.likelihood`. The answer is a
    choice between the enabled classes and odd: a high probability says that no other of these explains the size as
    well, not that the measurement itself is right.

    Parameters
    ----------
    width_mm, height_mm : measured sides, mm, above 0; turned where width > height, their u with them.
    u_width_mm, u_height_mm : standard uncertainties, mm, at least 0.
    correlation : correlation coefficient of the two sides, -1 to 1.
    classes : the table; those that are not on are left out, and one at least must be on.

    Raises
    ------
    UsageError
        For a value outside these ranges.
    """
    (match,) = match_sizes([(width_mm, height_mm)], [(u_width_mm, u_height_mm)], [correlation], classes=classes)
    return match


def match_sizes(
    sizes_mm: Sequence[Sides], u_mm: Sequence[Sides], correlations: Sequence[float], *, classes: tuple[SizeClass, ...]
) -> list[SizeMatch]:
    """What `match_size` says of each of many sizes, for less than the price of one after the other.

    sizes_mm, u_mm : of each its width and height, and their standard uncertainties. correlations : of each.
    """
    for (width, height), (u_width, u_height), correlation in zip(sizes_mm, u_mm, correlations, strict=True):
        _check(width, height, u_width_mm=u_width, u_height_mm=u_height, correlation=correlation)
    choices = enabled(classes)
    if not choices:
        raise UsageError("classes holds no class that is on; at least one is needed to match sizes.")
    if len({size_class.id for size_class in choices}) < len(choices):
        raise UsageError("classes holds the same id twice; each class must stand in the table once.")
    if not len(sizes_mm):
        return []
    measured, u = np.array(sizes_mm, np.float64), np.array(u_mm, np.float64)
    turned = measured[:, 0] > measured[:, 1]
    measured[turned], u[turned] = measured[turned, ::-1], u[turned, ::-1]
    field = likelihoods(measured, covariance_mm2=_covariances(u, np.array(correlations)), cuts=cut_table(choices))
    log_joint = field.log_joint()
    second, first = np.argsort(log_joint, axis=1, kind="stable")[:, -2:].T
    probability = 1.0 / np.exp(log_joint - log_joint[np.arange(len(first)), first][:, None]).sum(axis=1)
    changes = nearest_changes(field, answers=first)
    return [
        SizeMatch(
            size_class=_name(first[k], choices),
            probability=float(probability[k]),
            margin_mm=changes[k].distance_mm,
            runner_up=_name(second[k], choices),
            nearest=nearest_class(*size, classes=choices),
        )
        for k, size in enumerate(measured.tolist())
    ]


def nearest_class(width_mm: float, height_mm: float, *, classes: tuple[SizeClass, ...]) -> NearestClass:
    """The class whose cut lies nearest, in mm in (width, height), and the size minus that cut; at least one class."""
    _, dw, dh, id_ = min(
        (math.hypot(width_mm - w, height_mm - h), width_mm - w, height_mm - h, size_class.id)
        for size_class in classes
        for w, h in size_class.cuts_mm
    )
    return NearestClass(size_class=id_, dw_mm=dw, dh_mm=dh)


def _name(index: int, choices: tuple[SizeClass, ...]) -> str | None:
    """The id of an answer; None for odd, which stands behind the classes."""
    return choices[index].id if index < len(choices) else None


def _covariances(u_mm: Floats, correlations: Floats) -> Floats:
    """Covariances (n, 2, 2) from standard uncertainties (n, 2) and correlation coefficients (n,)."""
    covariances = u_mm[:, :, None] * u_mm[:, None]
    covariances[:, [0, 1], [1, 0]] *= np.clip(correlations, -1.0, 1.0)[:, None]
    return covariances


def _check(width_mm: float, height_mm: float, *, u_width_mm: float, u_height_mm: float, correlation: float) -> None:
    for name, value in (("width_mm", width_mm), ("height_mm", height_mm)):
        if not 0.0 < value < math.inf:
            raise UsageError(f"{name} is {value:g}; a size must be a finite number above 0.")
    for name, value in (("u_width_mm", u_width_mm), ("u_height_mm", u_height_mm)):
        if not 0.0 <= value < math.inf:
            raise UsageError(f"{name} is {value:g}; a standard uncertainty must be a finite number, 0 or above.")
    if not abs(correlation) <= 1.0 + 1e-9:
        raise UsageError(f"correlation is {correlation:g}; it must lie between -1 and 1.")
