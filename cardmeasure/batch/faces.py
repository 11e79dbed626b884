"""The faces of cards, much reduced: enough to tell whether two photos may show the same card."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.photo.colour import Pixels
from cardmeasure.results import ShotResult

ROWS, COLUMNS = 24, 16
"""Samples of a face along its long and its short side."""
_INSET = 0.08
"""Part of a side that is left out at each end: where the edge was found differs a little from photo to photo."""
_FINER = 4
"""Samples along and across are taken this much finer and then averaged."""
_REDUCED_PX = 700
"""Long side of the picture that is sampled."""

Faces = NDArray[np.float64]


def faces_of(pixels_bgr: Pixels, shot: ShotResult) -> bytes:
    """Luma of each card's face as ROWS x COLUMNS bytes, card after card; nothing for a piece without a size."""
    scale = min(1.0, _REDUCED_PX / max(pixels_bgr.shape[:2]))
    small = cv2.resize(pixels_bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    luma = np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY))
    grey = np.asarray(luma // 256 if luma.dtype == np.uint16 else luma, np.uint8)
    faces = [_face(grey, np.array(card.corners_px), scale=scale) for card in shot.cards if card.is_sized]
    return b"".join(face.tobytes() for face in faces)


def _face(grey: NDArray[np.uint8], corners_px: NDArray[np.floating], *, scale: float) -> NDArray[np.uint8]:
    """The face between the corners (4, 2), the long side upright; which way up is left open."""
    corners = ((corners_px + 0.5) * scale - 0.5).astype(np.float32)
    if np.linalg.norm(corners[1] - corners[0]) > np.linalg.norm(corners[2] - corners[1]):
        corners = np.roll(corners, 1, axis=0)
    (left, right), (top, bottom) = (_reach(n * _FINER) for n in (COLUMNS, ROWS))
    target = np.array([[left, top], [right, top], [right, bottom], [left, bottom]], np.float32)
    matrix = cv2.getPerspectiveTransform(corners, target)
    fine = cv2.warpPerspective(grey, matrix, (COLUMNS * _FINER, ROWS * _FINER), flags=cv2.INTER_LINEAR)
    return np.asarray(cv2.resize(fine, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA), np.uint8)


def _reach(samples: int) -> tuple[float, float]:
    """Where, counted in samples, the ends of a side lie of which the part within the insets is sampled."""
    step = (1 - 2 * _INSET) / samples
    return -_INSET / step - 0.5, (1 - _INSET) / step - 0.5


def likeness(a: bytes, b: bytes) -> float | None:
    """Median over the cards of how alike two lists of faces are, -1 to 1 (normalised cross-correlation).

    The better of both ways up counts. None where that says nothing: different numbers, or faces without drawing.
    """
    first, second = _unpacked(a), _unpacked(b)
    if first.shape != second.shape or not len(first):
        return None
    plain = np.minimum(first.std(axis=(1, 2)), second.std(axis=(1, 2))) < 4.0
    if plain.all():
        return None
    ways = [_correlations(first, other) for other in (second, second[:, ::-1, ::-1])]
    return float(np.median(np.max(ways, axis=0)[~plain]))


def chosen(faces: bytes, order: list[int]) -> bytes:
    """Some of the faces, in the order given."""
    return _unpacked(faces)[order].astype(np.uint8).tobytes()


def _unpacked(faces: bytes) -> Faces:
    return np.frombuffer(faces, np.uint8).reshape(-1, ROWS, COLUMNS).astype(np.float64)


def _correlations(first: Faces, second: Faces) -> NDArray[np.float64]:
    a, b = (f - f.mean(axis=(1, 2), keepdims=True) for f in (first, second))
    norm = np.sqrt((a**2).sum(axis=(1, 2)) * (b**2).sum(axis=(1, 2)))
    return np.asarray((a * b).sum(axis=(1, 2)) / np.maximum(norm, 1e-6), np.float64)
