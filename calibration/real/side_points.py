"""Sub-pixel points along the labelled sides of things in a photo: where the averaged profile is steepest.

Code values, not linear light: whatever shift that gives is common to all sides of equal cards, so it falls into their
common size. Points that lie far off a smooth curve through their side are left out.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

POINTS = 14
"""Points a side, each from the profile averaged over its own stretch of the side."""
CORNER_SHARE = 0.12
"""Left out at either end, where corners are round or worn."""
STEP_PX = 0.25
CONTRAST = 6.0
"""Least step of code values; less is texture."""
OFF_CURVE_PX = 1.0


def side_points(grey: Floats, corners_px: Floats, *, sigma_px: float) -> Floats:
    """Points on the four sides of a quadrilateral (4, 2), clockwise: (4, POINTS, 2), nan where none was found.

    grey (h, w): code values, float32. sigma_px : blur of the photo's edges.
    """
    following = np.roll(corners_px, -1, axis=0)
    sides = [_side(grey, a, b, sigma_px=sigma_px) for a, b in zip(corners_px, following, strict=True)]
    return np.array(sides)


def profiles_across(grey: Floats, points_px: Floats, normal: Floats, *, reach_px: float, step_px: float) -> Floats:
    """Code values (n, m) along a normal (2,) through points (n, 2), from -reach to +reach."""
    t = np.arange(-reach_px, reach_px + step_px / 2, step_px)
    x = points_px[:, :1] + t * normal[0]
    y = points_px[:, 1:] + t * normal[1]
    values = cv2.remap(
        grey, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(values)


def _side(grey: Floats, a: Floats, b: Floats, *, sigma_px: float) -> Floats:
    length = float(np.linalg.norm(b - a))
    along = (b - a) / length
    outward = np.array([along[1], -along[0]])  # clockwise in a picture, y down
    reach = float(np.clip(0.012 * length, 4.0, 12.0))
    share = np.linspace(CORNER_SHARE, 1 - CORNER_SHARE, POINTS + 1)
    edges = a + share[:, None] * (b - a)
    per_stretch = max(4, round(length * (share[1] - share[0])))
    steepest = np.full((POINTS, 2), np.nan)
    offsets = np.full(POINTS, np.nan)
    for k in range(POINTS):
        lanes = edges[k] + np.linspace(0.0, 1.0, per_stretch)[:, None] * (edges[k + 1] - edges[k])
        mean = profiles_across(grey, lanes, outward, reach_px=reach, step_px=STEP_PX).mean(axis=0)
        at = steepest_at(mean, sigma_steps=max(sigma_px, 0.5) / STEP_PX)
        if at is not None:
            offsets[k] = at * STEP_PX - reach
            steepest[k] = lanes.mean(axis=0) + offsets[k] * outward
    steepest[~_on_a_curve(offsets)] = np.nan
    return steepest


def steepest_at(profile: Floats, *, sigma_steps: float) -> float | None:
    """Where a profile is steepest, in steps from its first value; None where it hardly changes there."""
    smooth = cv2.GaussianBlur(np.ascontiguousarray(profile[None], np.float32), (0, 0), sigma_steps)[0]
    slope = np.gradient(smooth)
    margin = round(2 * sigma_steps)
    inside = np.abs(slope[margin:-margin])
    if not len(inside):
        return None
    k = int(np.argmax(inside)) + margin
    if not margin < k < len(profile) - margin - 1:
        return None
    span = round(3 * sigma_steps)
    step = abs(float(smooth[min(k + span, len(smooth) - 1)] - smooth[max(k - span, 0)]))
    if step < CONTRAST:
        return None
    low, mid, high = np.abs(slope[k - 1 : k + 2]).tolist()
    return float(k + (low - high) / (2 * (low - 2 * mid + high)))


def _on_a_curve(offsets: Floats) -> NDArray[np.bool_]:
    """Which offsets lie near the parabola through most of them."""
    good = np.isfinite(offsets)
    for _ in range(3):
        if good.sum() < POINTS // 2:
            return np.zeros(len(offsets), bool)
        t = np.linspace(-1, 1, len(offsets))
        curve = np.polyval(np.polyfit(t[good], offsets[good], 2), t)
        limit = max(OFF_CURVE_PX, 3 * float(np.median(np.abs(offsets - curve)[good])))
        good = np.isfinite(offsets) & (np.abs(offsets - curve) < limit)
    return np.asarray(good)
