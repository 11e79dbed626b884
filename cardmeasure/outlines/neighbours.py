"""Pieces that lie against each other or nearly: marked, since what is outside a side is then not all table."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.outlines.pieces import Outline

Floats = NDArray[np.floating[Any]]

CLOSE_MM = 3.5


def beside_each_other(outlines: tuple[Outline, ...]) -> tuple[Outline, ...]:
    """The same outlines; those that lie close to another are marked."""
    whole = [k for k, outline in enumerate(outlines) if not outline.flags]
    near = _may_be_close(np.array([outlines[k].corners_mm for k in whole]).reshape(-1, 4, 2))
    marked = set[int]()
    for i, j in zip(*np.nonzero(np.triu(near, 1)), strict=True):
        one, other = outlines[whole[i]], outlines[whole[j]]
        if _reaches(one, other) or _reaches(other, one):
            marked |= {whole[i], whole[j]}
    return tuple(replace(outline, beside=True) if k in marked else outline for k, outline in enumerate(outlines))


def _may_be_close(corners: Floats) -> NDArray[np.bool_]:
    """Which pairs (n, n) of quadrilaterals (n, 4, 2) have no side that parts them by more than `CLOSE_MM`."""
    way = np.roll(corners, -1, axis=1) - corners
    out = np.stack([way[..., 1], -way[..., 0]], axis=2)
    out /= np.maximum(np.linalg.norm(out, axis=2, keepdims=True), 1e-9)
    inside = ((corners.mean(axis=1, keepdims=True) - corners) * out).sum(axis=2, keepdims=True)
    out *= np.where(inside > 0, -1.0, 1.0)
    own = (corners * out).sum(axis=2)
    beyond = (np.einsum("iex,jpx->ijep", out, corners) - own[:, None, :, None]).min(axis=3)
    parted = (beyond > CLOSE_MM).any(axis=2)
    return np.asarray(~(parted | parted.T))


def _reaches(one: Outline, other: Outline) -> bool:
    points = np.vstack([one.corners_mm, (one.corners_mm + np.roll(one.corners_mm, -1, axis=0)) / 2])
    polygon = other.corners_mm.astype(np.float32)
    return any(cv2.pointPolygonTest(polygon, (float(x), float(y)), True) > -CLOSE_MM for x, y in points)
