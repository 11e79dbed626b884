"""Why no reference square could be used: looked into only when the search has failed, so a good photo pays nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.errors import PhotoTrouble
from cardmeasure.geometry import apply_homography, fit_homography
from cardmeasure.photo import Photo
from cardmeasure.reference.check_pattern import MOST_ACROSS, CheckPattern, find_check
from cardmeasure.reference.finding import MAX_TILT_FORESHORTENING, find_squares, reduced_grey
from cardmeasure.reference.glare import glare_share

Floats = NDArray[np.floating[Any]]
Grey = NDArray[np.uint8]

UNEXPLAINED = ("no-reference", "reference-unclear", "too-blurred")
"""Troubles that a closer look may put more exactly."""
SEARCH_SIDES_PX = (1600, 4100)
"""Long sides of the pictures in which the check is sought, the second only where the first shows none."""
FEWEST_CELL_PX = 6.0
SOFT = 0.4
"""An edge of the check that needs this part of a cell from black to white is not sharp."""
NEAR_FRAME = 1.8
"""A check whose crossings come nearer to the frame than this, in cells, goes on beyond it."""
UNBROKEN = ((4, 6), (5, 5), (6, 4))
"""Blocks of crossings without a gap that a square's check does not show: it has 4 x 4 in its corners, and where its
middle is covered some of what lies there may pass for another."""
MIRRORS = 0.2
"""Share of the places where the check is not seen that are as bright as can be."""


def diagnosed(photo: Photo, trouble: PhotoTrouble) -> PhotoTrouble:
    """The trouble put more exactly, where more can be seen; else the same."""
    if trouble.code not in UNEXPLAINED:
        return trouble
    if _is_mirrored(photo):
        return PhotoTrouble("reference-mirrored", "The reference square is there, but the picture is mirrored.")
    for side in SEARCH_SIDES_PX:
        grey = reduced_grey(photo, min(1.0, side / max(photo.width_px, photo.height_px)))
        check = find_check(grey)
        if check is not None:
            return _of_check(grey, check, px=photo.width_px / grey.shape[1]) or trouble
        if max(photo.width_px, photo.height_px) <= side:
            break
    return trouble


def _is_mirrored(photo: Photo) -> bool:
    flipped = replace(photo, pixels_bgr=np.ascontiguousarray(photo.pixels_bgr[:, ::-1]))
    try:
        return bool(find_squares(flipped))
    except PhotoTrouble:
        return False


def _is_unbroken(check: CheckPattern) -> bool:
    """Whether the check has more crossings side by side than a square's, which leaves room for its fiducial: it is
    another's, such as a chessboard."""
    cells = {(int(i), int(j)) for i, j in check.cells}
    blocks = ([(a, b) for a in range(across) for b in range(down)] for across, down in UNBROKEN)
    return any(all((i + a, j + b) in cells for a, b in block) for block in blocks for i, j in cells)


def _of_check(grey: Grey, check: CheckPattern, *, px: float) -> PhotoTrouble | None:
    """What is wrong where the check is seen but its fiducial cannot be read; `px`: the photo's pixels to one of these.

    None where nothing of this kind is.
    """
    short, long = check.steps_px
    reasons: tuple[tuple[str, str, Callable[[], bool]], ...] = (
        (
            "reference-too-small",
            f"The cells of the reference square are only {short * px:.0f} pixels wide.",
            lambda: short * px < FEWEST_CELL_PX,
        ),
        ("too-blurred", "The reference square is too blurred to be read.", lambda: _softness(grey, check) > SOFT),
        (
            "too-slanted",
            "The photo was taken at more than about 55 degrees from straight above.",
            lambda: short < MAX_TILT_FORESHORTENING * long,
        ),
        ("reference-cut", "The reference square is cut off by the photo's edge.", lambda: _meets_frame(grey, check)),
        (
            "reference-glare",
            "Light is mirrored on the reference square, over its middle.",
            lambda: not _is_unbroken(check) and glare_share(grey, _unseen_places(check)) > MIRRORS,
        ),
        (
            "reference-covered",
            "The check of a reference square is seen, but something lies on its middle, or its middle cannot be read.",
            lambda: not _is_unbroken(check),
        ),
    )
    return next((PhotoTrouble(code, words) for code, words, applies in reasons if applies()), None)


def _softness(grey: Grey, check: CheckPattern) -> float:
    """How much of a cell the edges need from black to white: the larger of both axes' medians."""
    i, j = check.pairs.T
    first, second = check.places_px[i], check.places_px[j]
    way = second - first
    length = np.linalg.norm(way, axis=1)
    normal = np.column_stack([way[:, 1], -way[:, 0]]) / length[:, None]
    reach = np.linspace(-0.45, 0.45, 31)
    at = ((first + second) / 2)[:, None] + (reach * length[:, None])[..., None] * normal[:, None]
    # noise must not look like steep edges
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), max(0.05 * check.steps_px[0], 0.3))
    profile = cv2.remap(smooth, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR)
    steepest = np.abs(np.diff(profile, axis=1)).max(axis=1) / (reach[1] - reach[0])
    needed = np.ptp(profile, axis=1) / np.maximum(steepest, 1e-6)
    along = np.abs(check.cells[i, 0] - check.cells[j, 0]) > 0
    return max(float(np.median(needed[which])) for which in (along, ~along) if which.any())


def _meets_frame(grey: Grey, check: CheckPattern) -> bool:
    height, width = grey.shape
    x, y = check.places_px.T
    return bool(min(x.min(), y.min(), width - 1 - x.max(), height - 1 - y.max()) < NEAR_FRAME * check.steps_px[1])


def _unseen_places(check: CheckPattern) -> Floats:
    """Where other crossings of the check may be that are not seen, (n, 2) px."""
    h = fit_homography(check.cells.astype(np.float64), check.places_px)
    low, high = check.cells.min(axis=0), check.cells.max(axis=0)
    room = np.maximum(MOST_ACROSS - 1 - (high - low), 0)
    i, j = np.meshgrid(*(np.arange(a - r, b + r + 1) for a, b, r in zip(low, high, room, strict=True)))
    places = np.column_stack([i.ravel(), j.ravel()])
    seen = {(int(a), int(b)) for a, b in check.cells}
    unseen = np.array([place for place in places.tolist() if tuple(place) not in seen], float).reshape(-1, 2)
    return apply_homography(h, unseen) if len(unseen) else unseen
