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
    whole = [o for o in outlines if not o.flags]
    return tuple(
        replace(o, beside=True) if not o.flags and any(p is not o and _is_close(o, p) for p in whole) else o
        for o in outlines
    )


def _is_close(a: Outline, b: Outline) -> bool:
    """Whether a corner or a middle of a side of one lies close to the other."""
    middles = a.corners_mm.mean(axis=0), b.corners_mm.mean(axis=0)
    reach = sum(
        float(np.linalg.norm(o.corners_mm - m, axis=1).max()) for o, m in zip((a, b), middles, strict=True)
    )  # fmt: skip
    if float(np.linalg.norm(middles[0] - middles[1])) > reach + CLOSE_MM:
        return False
    return _reaches(a, b) or _reaches(b, a)


def _reaches(one: Outline, other: Outline) -> bool:
    points = np.vstack([one.corners_mm, (one.corners_mm + np.roll(one.corners_mm, -1, axis=0)) / 2])
    polygon = other.corners_mm.astype(np.float32)
    return any(cv2.pointPolygonTest(polygon, (float(x), float(y)), True) > -CLOSE_MM for x, y in points)
