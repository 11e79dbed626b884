"""How far a measurement would have to move, in (width, height), before the answer changed.

Rays are shot from the measurement: evenly over the circle, and at every cut that could take over. On each the first
change is bracketed and closed in on; then narrow fans about the shortest rays find the nearest change between them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardmeasure.classes.likelihood import Floats, Likelihoods

MARGIN_LIMIT_MM = 1000.0
"""Nothing is looked for beyond this; the margin of an answer that nothing can change."""
_RAYS = 48
_COARSE = np.geomspace(1e-3, 1.0, 20)
_SUBDIVISION = np.arange(1, 8) / 8.0
_LEVELS = 5
_FANS = ((4, 2.0 * math.pi / _RAYS), (2, 0.2 * math.pi / _RAYS))
"""For each round of fans: about how many of the shortest rays, and half the opening, rad."""
_FAN = np.linspace(-1.0, 1.0, 15)


@dataclass(frozen=True, kw_only=True)
class Change:
    """The nearest change of the answer: its distance, mm, and in which direction, rad from the axis of widths."""

    distance_mm: float
    direction_rad: float


def nearest_change(field: Likelihoods, *, answer: int) -> Change:
    """The nearest place where another answer than `answer`, the one at the measurement, is the most probable.

    The distance is right to 0.01 mm, or a part in ten thousand beyond 100 mm; `MARGIN_LIMIT_MM` where there is none.
    """
    reach = _reach(field, answer)
    field = field.near(reach)
    rays = _first_rays(field, answer=answer, reach=reach)
    for count, half_opening in _FANS:
        if not len(rays):
            return Change(distance_mm=MARGIN_LIMIT_MM, direction_rad=0.0)
        shortest = rays[np.argsort(rays[:, 2])[:count]]
        rays = np.concatenate([shortest[:1], _fan(field, shortest, answer=answer, half_opening=half_opening)])
    best = rays[np.argmin(rays[:, 2])]
    return Change(distance_mm=float(best[1]), direction_rad=float(best[0]))


def _reach(field: Likelihoods, answer: int) -> float:
    """A distance within which the answer surely changes, as it does at the cut of another class; else the limit."""
    changed = field.answers(field.offsets_mm) != answer
    distances = np.hypot(field.offsets_mm[:, 0], field.offsets_mm[:, 1])
    return float(distances[changed].min(initial=MARGIN_LIMIT_MM))


def _first_rays(field: Likelihoods, *, answer: int, reach: float) -> Floats:
    """Rays as rows (angle, last distance known unchanged, first known changed); those without a change left out."""
    dx, dy = field.offsets_mm[:, 0], field.offsets_mm[:, 1]
    angles = np.concatenate([np.arange(_RAYS) * (2.0 * math.pi / _RAYS), np.arctan2(dy, dx)])
    lengths = np.concatenate([np.full(_RAYS, reach), np.hypot(dx, dy)])
    radii = lengths[:, None] * _COARSE
    changed = _changed(field, angles, radii, answer=answer)
    hit = changed.any(axis=1)
    first = changed[hit].argmax(axis=1)
    radii, row = radii[hit], np.arange(int(hit.sum()))
    low = np.where(first > 0, radii[row, np.maximum(first - 1, 0)], 0.0)
    return _closed_in(field, angles[hit], low=low, high=radii[row, first], answer=answer)


def _fan(field: Likelihoods, rays: Floats, *, answer: int, half_opening: float) -> Floats:
    """Rays about the given ones that change within the shortest of them."""
    shortest = rays[0, 2]
    angles = (rays[:, :1] + half_opening * _FAN).ravel()
    angles = angles[_changed(field, angles, np.full((len(angles), 1), shortest), answer=answer)[:, 0]]
    full = np.full(len(angles), shortest)
    return _closed_in(field, angles, low=np.zeros_like(full), high=full, answer=answer)


def _closed_in(field: Likelihoods, angles: Floats, *, low: Floats, high: Floats, answer: int) -> Floats:
    """Rays with their brackets divided by eight, `_LEVELS` times over, always to the first change."""
    row = np.arange(len(angles))
    for _ in range(_LEVELS):
        bounds = np.column_stack([low, low[:, None] + (high - low)[:, None] * _SUBDIVISION, high])
        changed = _changed(field, angles, bounds[:, 1:-1], answer=answer)
        first = np.where(changed.any(axis=1), changed.argmax(axis=1), changed.shape[1])
        low, high = bounds[row, first], bounds[row, first + 1]
    return np.column_stack([angles, low, high])


def _changed(field: Likelihoods, angles: Floats, radii: Floats, *, answer: int) -> NDArray[np.bool_]:
    """Whether the answer is another one at `radii`, (m, n), along `angles`, (m,)."""
    steps = np.stack([radii * np.cos(angles)[:, None], radii * np.sin(angles)[:, None]], axis=-1)
    return np.asarray(field.answers(steps.reshape(-1, 2)) != answer).reshape(radii.shape)
