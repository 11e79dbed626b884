"""Whether all sizes of a photo miss the nominal ones by one factor: a print "fitted to the page" shrinks by 2 to 6 %.

Nominal sizes are never used to correct a scale, only to doubt it: a hint that the printed square is not as large as it
says, or that nothing on this table is a usual size.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.classes.size_class import SizeClass
from cardmeasure.classes.table import enabled

Floats = NDArray[np.floating[Any]]

FACTORS = np.arange(0.90, 1.1001, 0.001)
"""By which all sizes are tried; wider than any print dialogue's margins."""
NEAR_ONE = 0.005
"""What a home printer's scale may be off by: within this, nothing is amiss."""
FEWEST_CARDS = 3
MOST_OFF_MM, MOST_U = 0.30, 2.0
"""A size fits a class if both sides are within so much of one of its cuts, and within so many u as well."""
FITTING, UNFITTING = 0.8, 0.35
"""Share of the cards that must fit at a factor other than one, and that must not at one."""


def common_factor(sizes_mm: Floats, u_mm: Floats, *, classes: tuple[SizeClass, ...]) -> float | None:
    """The factor that sizes (n, 2), width <= height, with u (n, 2) must be multiplied by to become nominal; else None.

    None where too few cards lie in the photo, where they are nominal as they are, or where no factor makes them so.
    """
    if len(sizes_mm) < FEWEST_CARDS:
        return None
    cuts = np.array([cut for size_class in enabled(classes) for cut in size_class.cuts_mm])
    room = MOST_OFF_MM + MOST_U * u_mm
    off = np.abs(FACTORS[:, None, None, None] * sizes_mm[:, None] - cuts)
    fits = (off < room[:, None]).all(axis=3)
    share = fits.any(axis=2).mean(axis=1)
    near = np.abs(FACTORS - 1) < NEAR_ONE
    # cards of one size fit some class or other at nearly any factor: two sizes at least must agree
    best = int(np.argmax(np.where(near, -1.0, share)))
    kinds = len({int(k) for k in fits[best].argmax(axis=1)[fits[best].any(axis=1)]})
    if share[near].max() > UNFITTING or share[best] < FITTING or kinds < 2:
        return None
    agreeing = FACTORS[share >= share[best]]
    return float(np.median(agreeing))
