"""Whether what looks like one rectangle is several cards laid edge to edge.

Two signs: a seam that runs straight across the whole piece, borders included, parallel to a side; and notches, where
rounded corners of neighbours leave the outline on both sides of the piece at the same place.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.numerics import median

Floats = NDArray[np.floating[Any]]

PX_PER_MM = 2.4
NEAREST_MM = 15.0
"""A seam lies at least so far from the piece's ends: no card is narrower."""
RIM_MM = 0.8
"""Left out at the ends of a seam, where the piece's own edge is."""
SEAM_STEP = 0.13
"""Change of the logarithm of brightness that counts, everywhere along a seam but for `SEAM_GAPS` of its length."""
SEAM_GAPS = 0.03
MOST_GAPS_MM = 2.7
"""On a large sheet that share would hide a border on either side."""
SEAM_OVER_REST = 3.0
"""By how much a seam stands out of the other rows: noise and texture run through all of them."""
DARK = 12.0
"""Added to code values before the logarithm: noise in black is no step."""
PER_STEP = 80.0
"""Whole numbers that stand for a logarithm of 1: bytes are compared four times as fast as floats."""
LOGARITHMS = np.rint(PER_STEP * np.log((np.arange(256) + DARK) / DARK)).astype(np.uint8)
HALVES, ROUGH_MM = 0.04, 1.2
"""Halves are equal where the seam is no further from the middle than this share; a rough size is a nominal one where
both sides agree so well."""
BAND_MM, ALIKE, MOSTLY, MOST_IN_ROW = 1.2, 0.3, 0.97, 6
"""Borders laid together are wider than twice this; where all but 3 in 100 places are so much alike, logarithm of
brightness, nothing but a border is there. Longer rows do not fit into a photo."""
NOTCH_MM, NOTCH_MASK_PX = 0.45, 2.0
"""Depth of a notch: at least so many millimetres, and pixels of the mask, whose rim is good to one."""
NOTCH_APART_MM = 3.0


def is_joined(
    bgr: NDArray[np.uint8 | np.uint16], corners_px: Floats, sides_mm: tuple[float, float], *, nominal_mm: Floats,
    near_mm: float = NEAREST_MM,
) -> bool:  # fmt: skip
    """Whether a straight step crosses the quadrilateral (4, 2) from side to side, and is no line of one card's art.

    It is, where the whole has a nominal size, and is not parted into two that have one each, nor into equal halves.

    bgr : a picture in code values, reduced to about `PX_PER_MM`; with a fourth channel, which is not looked at, it is
    seen from above in half the time. sides_mm : length of the first and the second side.
    nominal_mm : (k, 2), the short and long sides of nominal sizes.
    """
    for picture, across, along in _both_ways(bgr, corners_px, sides_mm):
        share = _crossed(picture, near_mm)
        if share is not None and not _is_art(across, along, share, nominal_mm):
            return True
    return False


def is_row(
    bgr: NDArray[np.uint8 | np.uint16], corners_px: Floats, sides_mm: tuple[float, float], *, nominal_mm: Floats
) -> bool:
    """Whether a piece is a row of cards of one nominal size whose borders are so dark that no seam shows.

    At every seam, borders run across the piece from side to side, alike to those at its ends; between, there is more to
    see. The parameters are those of `is_joined`; the picture may be of any resolution.
    """
    if is_nominal(*sides_mm, nominal_mm):
        return False
    return any(_is_row(*way, nominal_mm) for way in _both_ways(bgr, corners_px, sides_mm))


def _both_ways(
    bgr: NDArray[np.uint8 | np.uint16], corners_px: Floats, sides_mm: tuple[float, float]
) -> Iterator[tuple[NDArray[np.uint8], float, float]]:
    """The piece as a picture (h, w, 3) of logarithms, its first and second side, mm; and, when asked for, with rows for
    columns."""
    width, height = (max(8, round(side * PX_PER_MM)) for side in sides_mm)
    target = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], np.float32)
    h = cv2.getPerspectiveTransform(corners_px.astype(np.float32), target)
    flat = cv2.warpPerspective(bgr, h, (width, height), flags=cv2.INTER_LINEAR)
    if bgr.shape[2] == 4:
        flat = cv2.cvtColor(flat, cv2.COLOR_BGRA2BGR)
    codes = np.asarray(flat if flat.dtype == np.uint8 else flat // 256, np.uint8)
    log = np.asarray(cv2.LUT(codes, LOGARITHMS), np.uint8)
    yield log, *sides_mm
    yield np.asarray(cv2.transpose(log), np.uint8), *sides_mm[::-1]


def _is_row(log: NDArray[np.uint8], across_mm: float, along_mm: float, nominal_mm: Floats) -> bool:
    """The same, if its height (h, w, 3) runs along the row."""
    bands = round(BAND_MM * PX_PER_MM)
    rim, height = max(1, round(RIM_MM * PX_PER_MM)), log.shape[0]
    for count in range(2, MOST_IN_ROW + 1):
        if not is_nominal(across_mm, along_mm / count, nominal_mm):
            continue
        rows = [round(k * (height - 1) / count) for k in range(1, count)]
        ends = log[rim : rim + bands], log[height - rim - bands : height - rim]
        seams = [log[row - bands // 2 : row - bands // 2 + bands] for row in rows]
        level = np.median(np.concatenate(ends)[:, rim:-rim].reshape(-1, 3), axis=0)
        if not all(_is_like(part[:, rim:-rim], level) for part in (*ends, *seams)):
            continue
        middles = [log[round((k + 0.5) * (height - 1) / count)][None, rim:-rim] for k in range(count)]
        return not any(_is_like(part, level) for part in middles)
    return False


def _is_like(part: NDArray[np.uint8], level: Floats) -> bool:
    """Whether nearly all of a part (n, w, 3) of a picture has one level (3,)."""
    off = np.abs(part.astype(np.float32) - level.astype(np.float32)).max(axis=2)
    return bool(np.mean(off < ALIKE * PER_STEP) > MOSTLY)


def _is_art(across_mm: float, along_mm: float, share: float, nominal_mm: Floats) -> bool:
    """Whether a step at a share of the length of a piece is more likely printed than a seam."""
    if abs(share - 0.5) < HALVES:
        return False
    parts = [is_nominal(across_mm, part * along_mm, nominal_mm) for part in (share, 1 - share)]
    return is_nominal(across_mm, along_mm, nominal_mm) and not all(parts)


def is_nominal(a_mm: float, b_mm: float, nominal_mm: Floats) -> bool:
    """Whether two rough sides are those of one of the sizes (k, 2), short and long."""
    return bool((np.abs(nominal_mm - sorted((a_mm, b_mm))).max(axis=1, initial=0.0) < ROUGH_MM).any())


def is_pair(a_mm: float, b_mm: float, nominal_mm: Floats) -> bool:
    """Whether two alike cards of a nominal size (k, 2), side by side, have two rough sides, and no single one has."""
    if is_nominal(a_mm, b_mm, nominal_mm):
        return False
    return is_nominal(a_mm / 2, b_mm, nominal_mm) or is_nominal(a_mm, b_mm / 2, nominal_mm)


def _crossed(log: NDArray[np.uint8], near_mm: float) -> float | None:
    """Where a step runs along a row of the picture of logarithms (h, w, 3), from end to end: its share of the height.

    None where none does.
    """
    near, rim = round(near_mm * PX_PER_MM), max(1, round(RIM_MM * PX_PER_MM))
    if log.shape[0] < 2 * near + 3:
        return None
    change = np.asarray(cv2.absdiff(log[2:, rim:-rim], log[:-2, rim:-rim]))
    blue, green, red = cv2.split(change)
    step = np.asarray(cv2.max(cv2.max(blue, green), red))
    # a seam may be a pixel off its row
    step = np.maximum(np.maximum(step[:-2], step[1:-1]), step[2:])[near - 2 : -near + 2]
    rank = int(min(SEAM_GAPS * (step.shape[1] - 1), MOST_GAPS_MM * PX_PER_MM))
    changed = (step > int(SEAM_STEP * PER_STEP)).view(np.uint8)  # as steps are whole numbers
    if cv2.reduce(changed, 1, cv2.REDUCE_SUM, dtype=cv2.CV_32S).max() < step.shape[1] - rank:
        return None  # most pieces are done here
    weakest = np.partition(step, rank, axis=1)[:, rank] / PER_STEP
    if weakest.max() <= max(SEAM_STEP, SEAM_OVER_REST * float(np.median(weakest))):
        return None
    return float(int(weakest.argmax()) + near) / float(log.shape[0] - 1)


def has_notches(contour_mm: Floats, corners_mm: Floats, *, mask_px_per_mm: float) -> bool:
    """Whether the contour (n, 2) leaves two opposite sides of the quadrilateral (4, 2) at the same place."""
    depth = max(NOTCH_MM, NOTCH_MASK_PX / mask_px_per_mm)
    sides = _notches(contour_mm, corners_mm, depth)
    return _facing(sides[0], sides[2]) or _facing(sides[1], sides[3])


def _notches(contour: Floats, corners: Floats, least_mm: float) -> list[Floats]:
    """Places of notches along each side, mm from its start; those of the third and fourth run the other way."""
    way = corners[[1, 2, 3, 0]] - corners
    length = np.sqrt((way**2).sum(axis=1))
    way /= length[:, None]
    x, y = contour.T[:, None] - corners.T[:, :, None]
    along, inward = x * way[:, :1] + y * way[:, 1:], y * way[:, :1] - x * way[:, 1:]
    mine = (along > NEAREST_MM) & (along < (length - NEAREST_MM)[:, None]) & (inward < 6.0)
    found = []
    for side in range(4):
        off = inward[side, mine[side]]
        deep = off > median(off) + least_mm if len(off) >= 8 else np.zeros(len(off), bool)
        places = along[side, mine[side]][deep]
        found.append(places if side < 2 else length[side] - places)
    return found


def _facing(a: Floats, b: Floats) -> bool:
    return bool(len(a) and len(b) and np.abs(a[:, None] - b[None]).min() < NOTCH_APART_MM)
