"""Where each side lies to within a pixel or two: the outermost clear step near the rough outline."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, to_plane
from cardmeasure.edges.points import EdgePoints
from cardmeasure.edges.profiles import Profiles, Reach, Stretches, sample_profiles
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

WINDOW_PX = 4.0
PEAK_PX = 2.5
"""A step must be the strongest within this distance; ripples on another's flank are not."""
OUTERMOST_SHARE = 0.35
"""A step further out counts if it is at least so strong, relative to the strongest one near."""
SHADOW_WINDOWS = 2.5
"""A shadow's rim lies at most so many windows outside its piece's edge."""
AGREEMENT_PX, BOW = 2.0, 0.004
"""How far a step may lie from its side's line: pixels, and a share of the side, as the lens is not known yet."""
NEAR_SHARE = 0.35
"""Standard deviation, as a share of the reach, of where a side found by its edges may be."""
U_STEP_PX = 0.7
"""Standard uncertainty of a step's place."""
STRETCHES = Stretches(length_mm=5.0, corner_mm=4.5, fewest=6, most=24, every=4, fewest_lines=10, phases=1)


@dataclass(frozen=True, kw_only=True, eq=False)
class Located:
    """Quadrilaterals (c, 14) moved onto the steps found, which sides were found (c, 4), and the steps as points."""

    quads: Floats
    found: NDArray[np.bool_]
    points: EdgePoints


def located_quads(
    photo: Photo, camera: Camera, quads: Floats, *, reach_px: float, deep_corners_mm: Floats | None = None,
    clearest: NDArray[np.bool_] | None = None, settled: NDArray[np.bool_] | None = None,
) -> Located:  # fmt: skip
    """Find the sides of quadrilaterals (c, 14) near where they roughly are.

    deep_corners_mm : see `Stretches`. clearest : for which (c,) the clearest step near by is sought rather than the
    outermost one. settled : sides (c, 4) that stay where they are, as a seam is found better from above.
    """
    reach = Reach(inner_px=reach_px, outer_px=reach_px)
    stretches = replace(STRETCHES, deep_mm=deep_corners_mm)
    profiles = sample_profiles(photo, camera, quads, reach=reach, stretches=stretches)
    offsets = _outermost_steps(profiles, WINDOW_PX)
    if clearest is not None and clearest.any():
        offsets = np.where(clearest[profiles.card], clearest_steps(profiles, reach_px=reach_px), offsets)
    if settled is not None:
        offsets = np.where(settled[profiles.card, profiles.side], 0.0, offsets)
    px = profiles.px + offsets[:, None] * profiles.normal
    lines, agree, share = _consensus_lines(px, profiles)
    found = (share >= 0.5).reshape(-1, qd.SIDES)
    # a corner is where a side meets the one before it
    corners = _meet(np.roll(lines.reshape(-1, qd.SIDES, 2, 2), 1, axis=1), lines.reshape(-1, qd.SIDES, 2, 2))
    moved = quads.copy()
    whole = np.flatnonzero(found.all(axis=1))
    elevations = quads[whole, qd.ELEVATION]
    # all at once, as each call costs more than a few points
    world = to_plane(camera, corners[whole].reshape(-1, 2), z_mm=np.repeat(-elevations, qd.SIDES))
    moved[whole] = qd.quads_from_corners(world.reshape(-1, qd.SIDES, 2), elevation_mm=elevations)
    points = EdgePoints(
        card=profiles.card, side=profiles.side, along=profiles.along, px=px, normal=profiles.normal,
        u_px=np.full(len(px), U_STEP_PX), tone_px=np.zeros(len(px)), brighter=np.ones(len(px), bool),
        u_bias_px=np.full(found.shape, U_STEP_PX),
    )  # fmt: skip
    return Located(quads=moved, found=found, points=points.rows(agree))


def _outermost_steps(profiles: Profiles, window_px: float) -> Floats:
    """Offset (n,) of the step nearest the table among the clear ones of each stretch."""
    n, b, _ = profiles.light.shape
    half = max(2, round(window_px))
    # each colour's numbers in rows, along which numpy is fastest, and how many pixels there are in the last ones
    light = np.concatenate([profiles.light.transpose(2, 0, 1), np.ones((1, n, b), np.float32)])
    light *= profiles.weight > 0
    total = np.zeros((4, n, b + 1), np.float32)
    np.cumsum(light, axis=2, out=total[..., 1:])
    cuts = np.arange(half, b - half + 1)
    window = total[..., half:] - total[..., :-half]  # what begins at a cut lies outside it, what ends there within
    full = window[3] > half - 0.5
    whole = full[:, :-half] & full[:, half:]
    # ratios rather than differences: shade dims all of a surface alike, and dark mats count as much as bright ones
    log = np.log(window[:3] / np.float32(half) + np.float32(0.01))
    log_step = log[..., half:] - log[..., :-half]
    score = np.where(whole, np.abs(log_step).sum(axis=0), 0.0)
    peak = score >= _running_maximum(score, round(PEAK_PX))
    clear = peak & (score > OUTERMOST_SHARE * score.max(axis=1, keepdims=True))
    last = _without_shadow(clear, log_step, max_gap=round(SHADOW_WINDOWS * window_px))
    # a cut lies half-way between its pixel and the one before
    d, row, cut = profiles.distance_px, np.arange(n), cuts[last]
    return np.asarray((d[row, cut] + d[row, cut - 1]) / 2)


def clearest_steps(profiles: Profiles, *, reach_px: float) -> Floats:
    """Offset (n,) of the steepest rise or fall of each stretch, in all colours together; what lies far off counts less.

    On a table with a pattern the outermost step is the pattern's.
    """
    log = np.log(profiles.light + 0.01)
    soft = (log[:, :-2] + 2 * log[:, 1:-1] + log[:, 2:]) / 4
    rise = np.linalg.norm(soft[:, 2:] - soft[:, :-2], axis=2)
    d = profiles.distance_px[:, 2:-2]
    seen = (profiles.weight > 0).astype(np.float32)
    whole = seen[:, :-4] * seen[:, 2:-2] * seen[:, 4:]
    score = rise * whole * np.exp(-0.5 * (d / (NEAR_SHARE * reach_px)) ** 2)
    best = score.argmax(axis=1)
    return np.asarray(d[np.arange(len(d)), best])


def _running_maximum(rows: Floats, reach: int) -> Floats:
    """Largest value within `reach` columns on either side, (n, m)."""
    return np.asarray(cv2.dilate(rows, np.ones((1, 2 * reach + 1), np.uint8)))


def _without_shadow(clear: NDArray[np.bool_], log_step: Floats, *, max_gap: int) -> NDArray[np.intp]:
    """Index (n,) of the outermost clear step, or of the next one in where the outermost is the rim of a shadow.

    log_step : (3, n, m). A shadow is darker than the table and of nearly the same colour, and its own piece's edge
    follows close by.
    """
    n, m = clear.shape
    column = np.arange(m)
    last = m - 1 - np.argmax(clear[:, ::-1], axis=1)
    row = np.arange(n)
    step = log_step[:, row, last]
    mean = step.mean(axis=0)
    colour = np.abs(step - mean).max(axis=0)
    shadow_like = (mean > 0) & (colour < 0.2 * mean)
    inner = clear & (column[None] < last[:, None]) & (column[None] >= last[:, None] - max_gap)
    following = m - 1 - np.argmax(inner[:, ::-1], axis=1)
    return np.asarray(np.where(shadow_like & inner.any(axis=1), following, last), np.intp)


def _consensus_lines(points: Floats, profiles: Profiles) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Lines (s, 2, 2), a point and a direction each, on which most points of a side agree; which do (n,); their shares.

    Of all lines through two of a side's points the one with the least sum of bounded distances. The lens may bow them.
    """
    key = profiles.card * qd.SIDES + profiles.side
    count = np.bincount(key)
    first = np.cumsum(count) - count
    place = np.arange(len(key)) - first[key]
    (x, y), here = np.zeros((2, len(count), count.max())), np.zeros((len(count), count.max()), bool)
    x[key, place], y[key, place], here[key, place] = points[:, 0], points[:, 1], profiles.inside
    # every second point will do for that
    i, j = (2 * k for k in np.triu_indices((count.max() + 1) // 2, 1))
    way_x, way_y = x[:, j] - x[:, i], y[:, j] - y[:, i]
    length = np.maximum(np.sqrt(way_x**2 + way_y**2), 1e-9)
    way_x, way_y = (way_x / length)[..., None], (way_y / length)[..., None]
    distance = np.abs((x[:, None] - x[:, i, None]) * way_y - (y[:, None] - y[:, i, None]) * way_x)
    span_x, span_y = (np.ptp(np.where(here, part, part[:, :1]), axis=1) for part in (x, y))
    span = np.sqrt(span_x**2 + span_y**2)
    within = AGREEMENT_PX + BOW * span[:, None]
    score = (np.minimum(distance, within[..., None]) * here[:, None]).sum(axis=2)
    best = np.where(here[:, i] & here[:, j], score, np.inf).argmin(axis=1)
    agree = (distance[np.arange(len(count)), best] < within) & here
    number = np.maximum(agree.sum(axis=1), 1)
    centre = (np.stack([x, y], axis=2) * agree[..., None]).sum(axis=1) / number[:, None]
    dx, dy = ((part - middle[:, None]) * agree for part, middle in zip((x, y), centre.T, strict=True))
    # the axis of largest spread
    angle = 0.5 * np.arctan2(2 * (dx * dy).sum(axis=1), (dx * dx - dy * dy).sum(axis=1))
    lines = np.stack([centre, np.column_stack([np.cos(angle), np.sin(angle)])], axis=1)
    share = np.where(here.sum(axis=1) >= 3, agree.sum(axis=1) / np.maximum(here.sum(axis=1), 1), 0.0)
    return lines, agree[key, place], share


def _meet(a: Floats, b: Floats) -> Floats:
    """Intersections (..., 2) of lines (..., 2, 2); far away where they are parallel."""
    (p, d), (q, e) = (np.moveaxis(line, -2, 0) for line in (a, b))
    across = d[..., 0] * e[..., 1] - d[..., 1] * e[..., 0]
    across = np.where(np.abs(across) < 1e-6, 1e-6, across)
    t = ((q - p)[..., 0] * e[..., 1] - (q - p)[..., 1] * e[..., 0]) / across
    return np.asarray(p + t[..., None] * d)
