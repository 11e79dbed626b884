"""The light beside the sides of cards: on their borders, or on the table."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]


def light_beside(photo: Photo, camera: Camera, quads: Floats, *, along: Floats, outward_mm: float) -> Floats:
    """Linear light (4 c, m, 3), BGR, at places `along` (m,) each side, -1..1, so far outside it; negative: inside.

    quads : (c, 14). Places beyond the frame are taken at it.
    """
    side, each = np.tile(np.arange(qd.SIDES), len(quads)), np.repeat(quads, qd.SIDES, axis=0)
    m = len(along)
    places = qd.side_places(np.repeat(side, m), np.tile(along, len(each)))
    half = np.where(side % 2 == 0, each[:, qd.HEIGHT], each[:, qd.WIDTH]) / 2
    across = (np.repeat(side, m) + 1) % 2
    places[np.arange(len(places)), across] *= np.repeat(1 + outward_mm / half, m)
    px = project(camera, qd.world_points(np.repeat(each, m, axis=0), places))
    x, y = np.clip(np.rint(px), 0, [photo.width_px - 1, photo.height_px - 1]).astype(np.intp).T
    return np.asarray(photo.response[photo.pixels_bgr[y, x]].reshape(len(each), m, 3))
