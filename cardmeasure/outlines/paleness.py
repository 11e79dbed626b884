"""How pale the table is: white borders hardly differ from a white desk."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

PALE, RING, WHITE_PERCENTILE = 0.45, 1.35, 85
"""A table is pale that has so much of the paper's light, seen in a ring so many times as wide as the paper."""


def is_pale(photo: Photo, papers_px: list[Floats]) -> bool:
    """Whether the table around the reference is so pale that white borders may not differ from it."""
    every = max(1, photo.width_px // 400)
    small = photo.pixels_bgr[::every, ::every]
    inner, outer = (np.zeros(small.shape[:2], np.uint8) for _ in range(2))
    for corners in papers_px:
        for mask, share in ((inner, 0.9), (outer, RING)):
            ring = corners.mean(axis=0) + share * (corners - corners.mean(axis=0))
            cv2.fillPoly(mask, [np.round(ring / every).astype(np.int32)], 1)
    green, within = small[..., 1], inner > 0
    paper, table = (photo.response[green[mask].astype(np.intp)] for mask in (within, (outer > 0) & ~within))
    if not len(paper) or not len(table):
        return False
    # a fourth of the reference is ink
    return bool(np.median(table) > PALE * np.percentile(paper, WHITE_PERCENTILE))
