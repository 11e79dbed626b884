"""Whether a rectangle stands up from the table, by the shadows at its foot.

What is printed on a table may be framed by a dark line, but then on all sides alike and more of it than so thin a
piece could throw; or by nothing at all. A piece keeps light from the table on some of its sides.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.edges.fitting import Looks
from cardmeasure.edges.looks import SHADE, SHADOW, WIDTH

Floats = NDArray[np.floating[Any]]

INKED = 0.7
"""A line all round that takes away more light than a shadow so many thicknesses wide and quite black is no shadow."""


def is_framed(looks: Looks, thickness_px: float) -> NDArray[np.bool_]:
    """Whether what looks like shadow is a printed line around rectangles (c,), from the looks of their sides (4 c,)."""
    return np.asarray(darkness_px(looks).reshape(-1, qd.SIDES).min(axis=1) > INKED * thickness_px)


def darkness_px(looks: Looks) -> Floats:
    """How much light the foot shadow of each side (n,) takes away: as much as a black strip so many pixels wide."""
    p = looks.parameters
    return np.asarray((1 - p[:, SHADE]) * np.maximum(p[:, SHADOW] + np.minimum(p[:, WIDTH], 0.0), 0.0))
