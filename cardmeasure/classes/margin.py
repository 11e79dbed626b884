"""How far a measurement would have to move, in (width, height), before the answer changed.

Rays are shot from the measurement: evenly over the circle, and at every cut that could take over. The shortest distance
at which any of them finds another answer is closed in on, and with it the directions: each round keeps the rays that
change first, puts finer ones beside them and divides the bracket of the distance by six.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from cardmeasure.classes.likelihood import Floats, Likelihoods

MARGIN_LIMIT_MM = 1000.0
"""Nothing is looked for beyond this; the margin of an answer that nothing can change."""
_RAYS = 24
_KEPT_RAYS = 8
_FIRST_RADII = np.geomspace(0.005, 1.0, 11)
_ROUND = np.linspace(-1.0, 1.0, 13)
_FINER = np.array([-1.0, 0.0, 1.0]) / 3.0
_RESOLUTION_MM = 1e-3
_RELATIVE_RESOLUTION = 1e-4
_MOST_ROUNDS = 14


@dataclass(frozen=True, kw_only=True)
class Change:
    """The nearest change of the answer: its distance, mm, and in which direction, rad from the axis of widths."""

    distance_mm: float
    direction_rad: float


def nearest_change(field: Likelihoods, *, answer: int) -> Change:
    """The nearest place where another answer than `answer`, the one at the measurement, is the most probable.

    `answer` is the index of a class, or any other number for odd. The distance is right to `_RESOLUTION_MM`, or to
    `_RELATIVE_RESOLUTION` of itself; it is `MARGIN_LIMIT_MM` where nothing changes the answer.
    """
    reach = _reach(field, answer)
    field = field.near(reach)
    even = np.arange(_RAYS) * (2.0 * math.pi / _RAYS)
    angles = np.concatenate([even, np.arctan2(field.offsets_mm[:, 1], field.offsets_mm[:, 0])])
    spacing, radii = float(even[1]), reach * _FIRST_RADII
    change = Change(distance_mm=MARGIN_LIMIT_MM, direction_rad=0.0)
    for number in range(_MOST_ROUNDS):
        rivals = _rivals(field, angles, radii, answer=answer)
        changed = rivals.max(axis=0, initial=0.0) > 1.0
        if not changed.any():
            break
        first = int(changed.argmax())
        high = float(radii[first])
        low = float(radii[first - 1]) if first else max(0.0, 2.0 * high - float(radii[-1]))
        best = rivals[:, first].argsort()[: -_KEPT_RAYS - 1 : -1]
        kept = angles[best[rivals[best, first] > 1.0]]
        change = Change(distance_mm=low, direction_rad=float(kept[0]))
        if high - low <= max(_RESOLUTION_MM, _RELATIVE_RESOLUTION * high):
            break
        if number == 0:
            field = field.near(high)
        angles = (kept[:, None] + spacing * _FINER).ravel()
        spacing /= 3.0
        radii = np.maximum(low + (high - low) * _ROUND, 0.0)
    return change


def _reach(field: Likelihoods, answer: int) -> float:
    """A distance within which the answer surely changes, as it does at the cut of another class; else the limit."""
    dw, dh = field.offsets_mm[:, 0], field.offsets_mm[:, 1]
    distances = np.hypot(dw, dh)
    rivals = _rivals(field, np.arctan2(dh, dw), distances[:, None], answer=answer)[:, 0]
    return float(distances[rivals > 1.0].min(initial=MARGIN_LIMIT_MM))


def _rivals(field: Likelihoods, angles: Floats, radii: Floats, *, answer: int) -> Floats:
    """How many times as probable as `answer` the best other answer is, (m, r): above 1 the answer has changed."""
    if not len(field.first_cuts):
        return np.zeros((len(angles), radii.shape[-1]))
    ratios = field.over_odd(angles, radii)
    row = np.flatnonzero(field.class_index[field.first_cuts] == answer)
    if not len(row):
        return np.asarray(ratios.max(axis=0))
    own = np.maximum(ratios[row[0]], 1e-300)
    ratios[row[0]] = 1.0  # odd stands in for the answer among its own rivals
    return np.asarray(ratios.max(axis=0) / own)
