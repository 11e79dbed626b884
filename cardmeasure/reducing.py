"""Smaller pictures for the searches, made fast: by halves as far as that goes, the rest by interpolation.

Means over 2 x 2 pixels cost a tenth of means over areas of other sizes, and what is left to reduce, less than a half,
linear interpolation does without aliasing to speak of.
"""

from __future__ import annotations

from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.photo import Photo
from cardmeasure.photo.colour import Pixels

Code = TypeVar("Code", bound=np.generic)


def reduced_photo(photo: Photo, width_px: int, height_px: int) -> Pixels:
    """The whole photo (h, w, 3) at a smaller size; its own pixels where it has that size already."""
    return reduced(halved_photo(photo, width_px, height_px), width_px, height_px)


def halved_photo(photo: Photo, width_px: int, height_px: int) -> Pixels:
    """The whole photo, or half or a quarter as large: the smallest of these that is no smaller than asked for."""
    if not _can_be_halved(photo.pixels_bgr, width_px, height_px):
        return photo.pixels_bgr
    if not _can_be_halved(photo.halved_bgr, width_px, height_px):
        return photo.halved_bgr
    return photo.quartered_bgr


def reduced(pixels: NDArray[Code], width_px: int, height_px: int) -> NDArray[Code]:
    """The whole picture (H, W) or (H, W, n) at a smaller size; the same array where it has that size already."""
    small = pixels
    while _can_be_halved(small, width_px, height_px):
        small = _resized(small, small.shape[1] // 2, small.shape[0] // 2, how=cv2.INTER_AREA)
    if small.shape[:2] == (height_px, width_px):
        return small
    is_near = small.shape[1] < 2 * width_px and small.shape[0] < 2 * height_px
    return _resized(small, width_px, height_px, how=cv2.INTER_LINEAR if is_near else cv2.INTER_AREA)


def _can_be_halved(pixels: NDArray[Code], width_px: int, height_px: int) -> bool:
    height, width = pixels.shape[:2]
    return bool(height % 2 == 0 and width % 2 == 0 and width >= 2 * width_px and height >= 2 * height_px)


def _resized(pixels: NDArray[Code], width_px: int, height_px: int, *, how: int) -> NDArray[Code]:
    # OpenCV keeps the type of the pixels, but its own type hints do not say so
    return cv2.resize(pixels, (width_px, height_px), interpolation=how)  # type: ignore[arg-type,return-value]
