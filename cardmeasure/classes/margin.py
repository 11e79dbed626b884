"""How far a measurement would have to move, in (width, height), before the answer changed.

Rays are shot from the measurement: evenly over the circle, and at every cut that could take over. The shortest distance
at which any of them finds another answer is closed in on, and with it the directions: each round keeps the rays that
change first, puts finer ones beside them and divides the bracket of the distance by six.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from cardmeasure import kernels
from cardmeasure.classes.likelihood import LEAST_SIDE_MM, LOG_ODD, Floats, Ints, Likelihoods

MARGIN_LIMIT_MM = 1000.0
"""Nothing is looked for beyond this; the margin of an answer that nothing can change."""
_RAYS = 20
"""Directions at first; finer ones are put beside those that are kept."""
_KEPT_RAYS = 8
_FIRST_RADII = np.geomspace(0.01, 1.0, 9)
_WITHIN = np.linspace(1.0, 0.0, 9)[1:]
_ROUND = np.linspace(1.0, 0.0, 13)
"""Distances of a round: from the one known changed down through its window."""
_STEEPEST = 0.25
"""The window is at least this part of the step aside, so that a slanting edge can be followed."""
_FINER = np.array([-1.0, 0.0, 1.0]) / 3.0
_RESOLUTION_MM = 5e-3
_RELATIVE_RESOLUTION = 1e-4
_MOST_ROUNDS = 14
_NEWTON_STEPS = 6
_NEAREST_CUTS = 10


@dataclass(frozen=True, kw_only=True)
class Change:
    """The nearest change of the answer: its distance, mm, and in which direction, rad from the axis of widths."""

    distance_mm: float
    direction_rad: float


def nearest_changes(field: Likelihoods, *, answers: Ints) -> list[Change]:
    """The nearest places where others than `answers` (n,), those at the measurements (n,), are the most probable.

    An answer is the index of a class, or any other number for odd. The distances are right to `_RESOLUTION_MM`, or to
    `_RELATIVE_RESOLUTION` of themselves; they are `MARGIN_LIMIT_MM` where nothing changes the answer.
    """
    reach = _reach(field, answers).tolist()
    each = zip(reach, answers.tolist(), strict=True)
    return [_change_within(field.of(k), within, answer=answer) for k, (within, answer) in enumerate(each)]


def _change_within(field: Likelihoods, reach: float, *, answer: int) -> Change:
    """The nearest change, which is no farther away than `reach`."""
    field = field.near(reach)
    rays, radii = _first_rays(field, answer=answer, reach=reach)
    if kernels.compiled is not None and len(rays) <= kernels.MOST_RAYS:
        return _closed_in_by_kernel(field, rays, radii, answer=answer)
    return _closed_in(field, rays, radii, answer=answer)


def _closed_in_by_kernel(field: Likelihoods, rays: Floats, radii: Floats, *, answer: int) -> Change:
    """What `_closed_in` finds."""
    first = field.first_cuts.astype(np.int64)
    row = np.flatnonzero(field.class_index[first] == answer)
    found = kernels.compiled.nearest_change(
        (len(field.class_index), len(first), int(row[0]) if len(row) else -1, LOG_ODD, LEAST_SIDE_MM),
        (len(_WITHIN), len(_ROUND), len(_FINER), _KEPT_RAYS, _MOST_ROUNDS, 1.0 / _RAYS, _STEEPEST, _RESOLUTION_MM,
         _RELATIVE_RESOLUTION),
        len(rays), radii.shape[1], kernels.doubles(field.measured_mm), kernels.doubles(field.quadratic), first,
        kernels.doubles(rays), kernels.doubles(radii), kernels.doubles(_WITHIN), kernels.doubles(_ROUND),
        kernels.doubles(_FINER),
    )  # fmt: skip
    distance, direction = found or (MARGIN_LIMIT_MM, 0.0)
    return Change(distance_mm=distance, direction_rad=direction)


def _closed_in(field: Likelihoods, rays: Floats, radii: Floats, *, answer: int) -> Change:
    """The nearest change from rays (m,) and distances (m, r) along them."""
    angles, low, high = _brackets(field, rays, radii, answer=answer)
    if not len(angles):
        return Change(distance_mm=MARGIN_LIMIT_MM, direction_rad=0.0)
    field = field.near(float(high[0]))
    rays, radii = angles, high[:, None] - (high - low)[:, None] * _WITHIN
    spacing = 2.0 * math.pi / _RAYS
    for _ in range(_MOST_ROUNDS):
        found = _brackets(field, rays, radii, answer=answer)
        if not len(found[0]):  # the change at the last distance was lost to rounding
            break
        angles, low, high = found
        if high[0] - low[0] <= max(_RESOLUTION_MM, _RELATIVE_RESOLUTION * high[0]):
            break
        rays = (angles[:_KEPT_RAYS, None] + spacing * _FINER).ravel()
        window = max(2.0 * (high[0] - low[0]), _STEEPEST * spacing * high[0])
        radii = np.tile(np.maximum(high[0] - window * _ROUND, 0.0), (len(rays), 1))
        spacing /= 3.0
    return Change(distance_mm=float(low[0]), direction_rad=float(angles[0]))


def _brackets(field: Likelihoods, angles: Floats, radii: Floats, *, answer: int) -> tuple[Floats, Floats, Floats]:
    """The rays that may be the shortest, the likeliest first: angle, and the distances about their first change.

    `radii` (m, r) rises along each ray. Where a ray has changed at its first distance already, the lower one is guessed
    as far below as the last one lies above, and the next round looks there. Among equals a ray whose answer has changed
    more decidedly comes first. Empty where no ray changes.
    """
    rivals = _rivals(field, angles, radii, answer=answer)
    changed = rivals > 1.0
    hit = np.flatnonzero(changed.any(axis=1))
    first = changed[hit].argmax(axis=1)
    high = radii[hit, first]
    below = np.maximum(2.0 * radii[hit, 0] - radii[hit, -1], 0.0)
    low = np.where(first > 0, radii[hit, np.maximum(first - 1, 0)], below)
    order = np.lexsort((-rivals[hit, first], high))
    order = order[low[order] < high.min(initial=np.inf)]
    return angles[hit[order]], low[order], high[order]


def _reach(field: Likelihoods, answer: Ints) -> Floats:
    """Distances (n,) within which answers (n,) surely change, as at the cut of another class; else the limit."""
    order = np.argsort(np.hypot(field.offsets_mm[..., 0], field.offsets_mm[..., 1]), axis=-1, kind="stable")
    reach = _nearest_changed(field, order[..., :_NEAREST_CUTS], answer)
    beyond = np.isinf(reach)  # one of the nearest is mostly enough
    if beyond.any():
        reach[beyond] = _nearest_changed(field.of(beyond), order[beyond, _NEAREST_CUTS:], answer[beyond])
    return np.minimum(reach, MARGIN_LIMIT_MM)


def _nearest_changed(field: Likelihoods, cuts: Ints, answer: Ints) -> Floats:
    """Distance (n,) of the nearest of some cuts (n, m) at which another answer is likelier, or infinity."""
    dw, dh = np.moveaxis(np.take_along_axis(field.offsets_mm, cuts[..., None], axis=-2), -1, 0)
    distance = np.hypot(dw, dh)
    rivals = _rivals(field, np.arctan2(dh, dw), distance[..., None], answer=answer)[..., 0]
    return np.asarray(np.where(rivals > 1.0, distance, np.inf).min(axis=-1, initial=np.inf))


def _first_rays(field: Likelihoods, *, answer: int, reach: float) -> tuple[Floats, Floats]:
    """Directions, (m,), and distances to look at along each, (m, r)."""
    even = np.arange(_RAYS) * (2.0 * math.pi / _RAYS)
    if answer in field.class_index:
        aims = field.offsets_mm
        start = np.zeros(len(aims))
        length = np.hypot(aims[:, 0], aims[:, 1])
    else:
        aims, start, length = _nearest_points(field)
    angles = np.concatenate([even, np.arctan2(aims[:, 1], aims[:, 0])])
    start = np.concatenate([np.zeros(_RAYS), start])
    length = np.concatenate([np.full(_RAYS, reach), length])
    return angles, start[:, None] + length[:, None] * _FIRST_RADII


def _nearest_points(field: Likelihoods) -> tuple[Floats, Floats, Floats]:
    """Where the region of each cut begins, seen from an odd size: direction, (k, 2), distance, and depth beyond it, mm.

    The region where a lone cut beats odd is an ellipse if the log of the density of odd is taken as linear about the
    cut. A cut that does not beat odd alone is given the prior of its whole class, since it may do so together with the
    others.
    """
    field = field.only(field.peak + field.log_cuts > 0.0)
    peak = np.where(field.peak > 0.0, field.peak, field.peak + field.log_cuts)
    slope = field.slope_of_odd() @ field.axes
    shift = -field.principal_mm2 * slope
    level = 2.0 * peak - (slope * shift).sum(axis=1)
    centres = field.offsets_mm @ field.axes + shift
    nearest = _nearest_on_ellipse(centres, variances=field.principal_mm2, level=level) @ field.axes.T
    distance = np.hypot(nearest[:, 0], nearest[:, 1])
    depth = np.sqrt(level * field.principal_mm2.min(axis=1))
    inside = distance == 0.0
    depth[inside] = np.hypot(field.offsets_mm[inside, 0], field.offsets_mm[inside, 1])
    return np.where(inside[:, None], field.offsets_mm, nearest), distance, depth


def _nearest_on_ellipse(centres: Floats, *, variances: Floats, level: Floats) -> Floats:
    """The point nearest to the origin of each ellipse (x - c)' V^-1 (x - c) = level along the axes; 0 from within it.

    It is c - (1 + s V^-1)^-1 c, with s the root of a falling function (Lagrange); the inverse root of that function is
    nearly straight, so Newton's method on it needs few steps (More and Sorensen, SIAM J. Sci. Stat. Comput. 4, 1983).
    """
    s = np.zeros(len(level))
    for _ in range(_NEWTON_STEPS):
        spread = variances + s[:, None]
        terms = variances * (centres / spread) ** 2
        value = terms.sum(axis=1)
        s = np.maximum(
            s + value * (np.sqrt(value / level) - 1.0) / np.maximum((terms / spread).sum(axis=1), 1e-300), 0.0
        )
    return centres * (s[:, None] / (variances + s[:, None]))


def _rivals(field: Likelihoods, angles: Floats, radii: Floats, *, answer: Ints | int) -> Floats:
    """How many times as probable as `answer` the best other answer is, (..., m, r): above 1 the answer has changed."""
    if not len(field.first_cuts):
        return np.zeros((*angles.shape, radii.shape[-1]))
    ratios = field.over_odd(angles, radii)
    is_own = field.class_index[field.first_cuts] == np.asarray(answer)[..., None]
    # odd, which is 1, has no row of its own, and stands in for the answer among its own rivals
    is_class, row = is_own.any(axis=-1)[..., None, None, None], is_own.argmax(axis=-1)[..., None, None, None]
    own = np.take_along_axis(ratios, row, axis=-3)
    np.put_along_axis(ratios, row, np.where(is_class, 1.0, own), axis=-3)
    best = ratios.max(axis=-3, keepdims=True) / np.where(is_class, np.maximum(own, 1e-300), 1.0)
    return np.asarray(best[..., 0, :, :])
