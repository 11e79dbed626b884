"""Light mirrored on the printed square: patches as bright as a picture can be."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

SATURATED = 0.975
"""Share of the largest code value from which a pixel is as bright as can be."""


def glare_share(codes: NDArray[np.uint8 | np.uint16], points_px: NDArray[np.floating[Any]]) -> float:
    """Share of the places (n, 2) inside the picture (h, w) that are as bright as can be; 0 where none is inside."""
    height, width = codes.shape
    x, y = np.round(points_px).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    if not inside.any():
        return 0.0
    return float(np.mean(codes[y[inside], x[inside]] >= SATURATED * np.iinfo(codes.dtype).max))
