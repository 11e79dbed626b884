"""Pieces that lie against each other or nearly: marked, since what is outside a side is then not all table."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.outlines.pieces import Outline, as_sides

Floats = NDArray[np.floating[Any]]

CLOSE_MM = 3.5
TOUCHING_MM, MOSTLY = 0.45, 0.6
"""Nearer cards touch, but for what their cuts leave between them; along so much of a side, as cards may lie askew."""
PLACES = np.linspace(0.1, 0.9, 5)
"""Where along a side: its ends are close to what lies beside the next side, too."""


def beside_each_other(outlines: tuple[Outline, ...]) -> tuple[Outline, ...]:
    """The same outlines; those that lie close to another have the sides marked along which it does."""
    whole = [k for k, outline in enumerate(outlines) if not outline.flags]
    near = _may_be_close(np.array([outlines[k].corners_mm for k in whole]).reshape(-1, 4, 2))
    marked = {k: np.zeros(4, bool) for k in whole}
    for i, j in zip(*np.nonzero(np.triu(near, 1)), strict=True):
        one, other = whole[i], whole[j]
        marked[one] |= _close_sides(outlines[one], outlines[other])
        marked[other] |= _close_sides(outlines[other], outlines[one])
    return tuple(
        replace(outline, beside=as_sides(marked[k])) if k in marked and marked[k].any() else outline
        for k, outline in enumerate(outlines)
    )


def joined_to_each_other(cards: tuple[Outline, ...]) -> tuple[Outline, ...]:
    """The same outlines, good to some tenths of a millimetre; those that touch others have the sides marked."""
    return tuple(
        replace(one, joined=as_sides(np.any([_along(one, other) for other in cards if other is not one], axis=0)))
        if len(cards) > 1 else one
        for one in cards
    )  # fmt: skip


def _along(one: Outline, other: Outline) -> NDArray[np.bool_]:
    """Which sides (4,) of an outline run along another, nearer to it than a gap in which the table shows is wide."""
    return np.asarray((_away_mm(one, other) < TOUCHING_MM).mean(axis=1) >= MOSTLY)


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


def _close_sides(one: Outline, other: Outline) -> NDArray[np.bool_]:
    """Which sides (4,) of an outline come close to another somewhere."""
    return np.asarray((_away_mm(one, other) < CLOSE_MM).any(axis=1))


def _away_mm(one: Outline, other: Outline) -> Floats:
    """How far outside another outline some places along the sides of one lie, (4, places); negative within it."""
    corners, polygon = one.corners_mm, other.corners_mm.astype(np.float32)
    points = corners[:, None] + PLACES[:, None] * (np.roll(corners, -1, axis=0) - corners)[:, None]
    away = [-cv2.pointPolygonTest(polygon, (float(x), float(y)), True) for x, y in points.reshape(-1, 2)]
    return np.array(away).reshape(4, -1)
