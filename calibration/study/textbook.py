"""The textbook way, for comparison: sub-pixel marker corners, one homography, threshold contours, boxes in millimetres.

It knows nothing of lens, thickness, side walls or uncertainty, and is given the same print scale.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.study.records import Findings, Piece
from cardmeasure.reference.design import DESIGNS, FIDUCIAL_DICTIONARY
from cardmeasure.reference.print_profile import PrintProfile

Floats = NDArray[np.floating[Any]]

SIDE_LIMITS_MM = (25.0, 150.0)
"""A box with a side outside these is no card."""
LEAST_FILLED = 0.85
"""Share of its box that a card's contour fills."""


def measure_by_the_textbook(path: Path, profile: PrintProfile) -> Findings:
    """All boxes in a photo (turned upright by its EXIF tag), their sizes in mm of the table."""
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        return Findings(pieces=(), trouble="unreadable")
    homography = _px_to_mm(grey, profile)
    if homography is None:
        return Findings(pieces=(), trouble="no-reference")
    _, shown = cv2.threshold(cv2.GaussianBlur(grey, (5, 5), 0), 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    contours, _ = cv2.findContours(shown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    pieces = [_piece(contour, homography) for contour in contours if _is_whole(contour, grey.shape)]
    return Findings(pieces=tuple(piece for piece in pieces if piece is not None))


def _px_to_mm(grey: NDArray[Any], profile: PrintProfile) -> Floats | None:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(FIDUCIAL_DICTIONARY), parameters)
    corners, ids, _ = detector.detectMarkers(grey)
    for found, marker in zip(corners, [] if ids is None else ids.ravel(), strict=False):
        if int(marker) in DESIGNS:
            true = DESIGNS[int(marker)].fiducial_corners_mm * [profile.scale_x, profile.scale_y]
            return np.asarray(cv2.getPerspectiveTransform(found[0], true.astype(np.float32)))
    return None


def _is_whole(contour: NDArray[Any], shape: tuple[int, ...]) -> bool:
    x, y, w, h = cv2.boundingRect(contour)
    return min(w, h) > 50 and x > 0 and y > 0 and x + w < shape[1] and y + h < shape[0]


def _piece(contour: NDArray[Any], homography: Floats) -> Piece | None:
    flat = cv2.perspectiveTransform(contour.astype(np.float32), homography)
    box = cv2.minAreaRect(flat)
    width, height = sorted(box[1])
    if width < SIDE_LIMITS_MM[0] or height > SIDE_LIMITS_MM[1]:
        return None
    if cv2.contourArea(flat) < LEAST_FILLED * width * height or math.hypot(*box[0]) < 20.0:  # the square itself
        return None
    corners = cv2.perspectiveTransform(cv2.boxPoints(box)[None], np.linalg.inv(homography))[0]
    return Piece(
        corners_px=tuple((float(x), float(y)) for x, y in corners), width_mm=float(width), height_mm=float(height)
    )
