"""What a phone's sharpening does beside strong edges: blur and unsharp mask, from the averaged profiles of card sides.

Code values, as sharpening works on these. A step between two plain levels, blurred by sigma and sharpened by
`amount` x (itself - itself blurred by `radius`), is a sum of two error functions; it is fitted to the median profile.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

from calibration.real.side_points import profiles_across

Floats = NDArray[np.floating[Any]]

REACH_PX, STEP_PX = 14.0, 0.5
PLATEAU_PX = 8.0
"""From here on a profile counts as level, for the levels it is measured in."""
STRONG = 40.0
"""Least step, in code values, of a side that is asked."""
BRIGHTEST = 250.0
"""A level beyond is burnt out, and cuts halos off."""
DARK_WEIGHT = 0.3
"""Shadows and walls lie on the darker, outer side of most cards, so that it tells less."""
FEWEST_PROFILES = 8


@dataclass(frozen=True, kw_only=True)
class Halo:
    """Blur of the edges and unsharp mask: sigma_px, amount, radius_px. found: whether the photo told it."""

    sigma_px: float
    amount: float
    radius_px: float
    found: bool


def halo_of(grey: Floats, sides_px: Sequence[Floats], *, sigma_px: float) -> Halo:
    """The halo of a photo; grey (h, w): code values; sides_px: of each thing its side points (4, n, 2)."""
    profiles = [one for sides in sides_px for side in sides for one in _profiles(grey, side)]
    if len(profiles) < FEWEST_PROFILES:
        return Halo(sigma_px=sigma_px, amount=0.0, radius_px=1.0, found=False)
    return fitted_halo(np.median(np.array(profiles), axis=0), sigma_px=sigma_px)


def sharpened_step(t: Floats, *, sigma_px: float, amount: float, radius_px: float) -> Floats:
    """A step from 0 to 1 at 0, blurred and sharpened."""
    plain = ndtr(t / sigma_px)
    return np.asarray(plain + amount * (plain - ndtr(t / np.hypot(sigma_px, radius_px))))


def fitted_halo(profile: Floats, *, sigma_px: float) -> Halo:
    """The halo of a profile from dark (0) to bright (1) over -REACH_PX..REACH_PX."""
    t = _places()
    weight = np.where(t < -sigma_px, DARK_WEIGHT, 1.0)

    def miss(x: Floats) -> Floats:
        step = sharpened_step(t - x[3], sigma_px=x[0], amount=x[1], radius_px=x[2])
        return np.asarray(weight * (x[4] + x[5] * step - profile))

    start = [min(max(sigma_px, 0.4), 3.9), 0.2, 2.0, 0.0, 0.0, 1.0]
    limits = ([0.3, 0.0, 0.5, -3.0, -0.3, 0.5], [4.0, 2.0, 8.0, 3.0, 0.3, 1.5])
    sigma, amount, radius = least_squares(miss, start, bounds=limits).x[:3].tolist()
    return Halo(sigma_px=sigma, amount=amount, radius_px=radius, found=True)


def sharpened(difference: Floats, halo: Halo) -> Floats:
    """What the unsharp mask adds to a picture of code values (h, w, 3)."""
    return np.asarray(halo.amount * (difference - cv2.GaussianBlur(difference, (0, 0), max(halo.radius_px, 0.3))))


def _places() -> Floats:
    return np.arange(-REACH_PX, REACH_PX + STEP_PX / 2, STEP_PX)


def _profiles(grey: Floats, side: Floats) -> list[Floats]:
    """The profiles along a side from its darker to its brighter level, scaled to 0..1; none where it is weak."""
    points = side[np.isfinite(side[:, 0])]
    if len(points) < 4:
        return []
    along = (points[-1] - points[0]) / np.linalg.norm(points[-1] - points[0])
    inward = np.array([-along[1], along[0]])
    lanes = np.concatenate([points + shift * along for shift in (-3.0, 0.0, 3.0)])
    values = profiles_across(grey, lanes, inward, reach_px=REACH_PX, step_px=STEP_PX)
    mean = np.median(values, axis=0)
    t = _places()
    outside, inside = float(np.median(mean[t < -PLATEAU_PX])), float(np.median(mean[t > PLATEAU_PX]))
    if abs(inside - outside) < STRONG or max(inside, outside) > BRIGHTEST:
        return []
    scaled = (mean - outside) / (inside - outside)
    return [scaled if inside > outside else 1 - scaled[::-1]]
