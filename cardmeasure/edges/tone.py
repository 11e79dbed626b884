"""What a tone curve that is not sRGB's does to an edge: the same to all edges of a photo, in proportion to this."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.numerics import normal_cdf

Floats = NDArray[np.floating[Any]]

U_TONE = 0.1
"""Standard uncertainty of the exponent by which a photo's tone curve departs from sRGB's. In the study flat curves
shift edges as 0.06 does, curves of mild contrast as -0.06, and of strong contrast as -0.16."""
MOST_TONE = 1.0
"""Largest shift by a tone curve's exponent, in blurs: that of white paper against a nearly black table."""


def tone_shift_px(face: Floats, table: Floats, blur_px: Floats) -> Floats:
    """Outward shift (n,) of a blurred step per unit of an exponent that distorts linear light, L -> L^(1 + e).

    First order: the shift is minus the integral of the distorted, normalised step's change over the distance.
    """
    z = np.linspace(-3.0, 3.0, 25)
    share = normal_cdf(z)
    low, high = np.clip(face, 1e-3, None)[:, None], np.clip(table, 1e-3, None)[:, None]
    difference = np.where(np.abs(high - low) < 1e-3, 1e-3, high - low)
    level = low + difference * share
    bent = level * np.log(level) - low * np.log(low)
    change = (bent - share * (high * np.log(high) - low * np.log(low))) / difference
    return np.clip(-blur_px * np.trapezoid(change, z, axis=1), -MOST_TONE * blur_px, MOST_TONE * blur_px)
