"""What each place of a table shows: face of a flat piece, boundary, other thing or table, by a small network.

The network and how it was taught stand in `calibration/training`; `map.md` beside its file says what it is good for.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.detection.view_from_above import TableView

Floats = NDArray[np.floating[Any]]
Singles = NDArray[np.float32]

MODEL = Path(__file__).parent / "map.onnx"
TABLE, FACE, BOUNDARY, OTHER = range(4)
MIDDLE, GAIN = 127.5, 4 / 255
"""Code values become -2..2, as in training."""
STEP_PX = 2
"""The map has a pixel for so many of the view in each direction."""
_own = threading.local()


@dataclass(frozen=True, kw_only=True, eq=False)
class TableMap:
    """likely (4, h, w): probabilities of the classes at each place; seen (h, w): whether the photo shows it; origin_mm
    (2,): of the first pixel's centre; per_mm: pixels per millimetre."""

    likely: Singles
    seen: NDArray[np.bool_]
    origin_mm: Floats
    per_mm: float

    def to_map(self, points_mm: Floats) -> Floats:
        """Pixels of the map (..., 2) of places on the table, mm."""
        return np.asarray((points_mm - self.origin_mm) * self.per_mm)

    def to_mm(self, points: Floats) -> Floats:
        """Places on the table of pixels of the map (..., 2)."""
        return np.asarray(points / self.per_mm + self.origin_mm)


def segmented(view: TableView) -> TableMap:
    """What each place of the view shows; where the photo ends there is table."""
    network = _network()
    network.setInput(cv2.dnn.blobFromImage(view.codes, GAIN, mean=(MIDDLE, MIDDLE, MIDDLE)))
    logits = np.asarray(network.forward(), np.float32)[0]
    likely = np.exp(logits - logits.max(axis=0))
    likely /= likely.sum(axis=0)
    seen = np.asarray(view.seen[::STEP_PX, ::STEP_PX] & view.seen[1::STEP_PX, 1::STEP_PX])
    likely[:, ~seen] = 0.0
    likely[TABLE, ~seen] = 1.0
    middle = (STEP_PX - 1) / 2 / view.per_mm
    return TableMap(likely=likely, seen=seen, origin_mm=view.origin_mm + middle, per_mm=view.per_mm / STEP_PX)


def _network() -> Any:
    """The network, opened once by each thread, as it keeps what it works on."""
    if not hasattr(_own, "network"):
        _own.network = cv2.dnn.readNetFromONNX(str(MODEL))
    return _own.network
