"""From a photo with a solved camera to outlines of what may be pieces on its table."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, to_plane
from cardmeasure.detection.candidates import candidates
from cardmeasure.detection.segmentation import segmented
from cardmeasure.detection.view_from_above import view_from_above
from cardmeasure.outlines.neighbours import beside_each_other, joined_to_each_other
from cardmeasure.outlines.pieces import Outline
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]


def proposed(
    photo: Photo, camera: Camera, *, px_per_mm: float, reference_px: list[Floats], nominal_mm: Floats
) -> tuple[Outline, ...]:
    """All pieces that a photo shows beside its references, whose papers' corners in pixels are given."""
    view = view_from_above(photo, camera, px_per_mm=px_per_mm)
    table = segmented(view)
    papers = [table.to_map(to_plane(camera, paper)) for paper in reference_px]
    return beside_each_other(joined_to_each_other(candidates(table, view, nominal_mm=nominal_mm, reference_px=papers)))
