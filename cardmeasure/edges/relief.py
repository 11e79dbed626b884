"""Whether a rectangle stands up from the table, by the shadows at its foot.

What is printed on a table may be framed by a dark line, but then on all sides alike and more of it than so thin a
piece could throw; or by nothing at all. A piece keeps light from the table on some of its sides.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges.fitting import Looks
from cardmeasure.edges.looks import SHADE, seen_shadow_px

Floats = NDArray[np.floating[Any]]


def darkness_px(looks: Looks) -> Floats:
    """How much light the foot shadow of each side (n,) takes away: as much as a black strip so many pixels wide."""
    p = looks.parameters
    return np.asarray((1 - p[:, SHADE]) * seen_shadow_px(p))
