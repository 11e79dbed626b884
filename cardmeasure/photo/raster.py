"""What a decoder hands over: a picture as stored, with what is still to be done to it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from cardmeasure.errors import PhotoTrouble
from cardmeasure.photo.colour import SRGB, Pixels
from cardmeasure.photo.memory import picture_memory
from cardmeasure.photo.tags import CameraTags

FEWEST_PIXELS = 100
"""A shorter side than this is a thumbnail's."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Raster:
    """A decoded picture.

    Parameters
    ----------
    pixels_bgr : code values (H, W, 3), blue first, uint8 or uint16.
    format : the name of the format.
    camera : what the file says about the camera.
    orientation : how `pixels_bgr` lie, 1 to 8 as in Exif; 1 where the decoder has turned them already.
    profile : the embedded ICC profile.
    is_grey : whether the picture was stored without colours.
    bits : how many of the bits of a code value are used.
    curve : tone curve, a number of ITU-T H.273; it counts where there is no profile.
    colour_halved : whether colour was stored for every other pixel only ("4:2:0").
    """

    pixels_bgr: Pixels
    format: str
    camera: CameraTags
    orientation: int = 1
    profile: bytes | None = None
    is_grey: bool = False
    bits: int = 8
    curve: int = SRGB
    colour_halved: bool = False


def require_size(width_px: int, height_px: int, *, max_megapixels: float) -> None:
    """Raises PhotoTrouble `too-many-pixels` or `too-few-pixels`."""
    megapixels = width_px * height_px / 1e6
    seen = f"{width_px} x {height_px} pixels"
    if megapixels > max_megapixels:
        size = f"{megapixels:.1f}" if megapixels >= 1 else f"{megapixels:.3g}"
        message = f"The picture has {seen} ({size} megapixels); the limit is {max_megapixels:g} megapixels."
        raise PhotoTrouble("too-many-pixels", message)
    if min(width_px, height_px) < FEWEST_PIXELS:
        raise PhotoTrouble("too-few-pixels", f"The picture has only {seen}.")


def unsupported(name: str, why: str) -> PhotoTrouble:
    """The trouble with a kind of photo file that cannot be read, though nothing is wrong with it."""
    return PhotoTrouble("not-a-photo", f"The file is a {name} of a kind that cannot be read: {why}.")


def damaged(name: str, why: str) -> PhotoTrouble:
    """The trouble with a photo file whose contents are wrong."""
    return PhotoTrouble("damaged", f"The {name} file is damaged: {why}.")


def turned(pixels: Pixels, orientation: int) -> Pixels:
    """Pixels as they are to be looked at, C-contiguous, from pixels stored with an Exif orientation of 1 to 8."""
    if orientation in _ROTATIONS:
        height, width = pixels.shape[:2] if orientation == 3 else pixels.shape[1::-1]
        upright = picture_memory(pixels.nbytes).view(pixels.dtype).reshape(height, width, 3)
        return np.asarray(cv2.rotate(pixels, _ROTATIONS[orientation], upright))
    if orientation in _FLIPS:
        return np.asarray(cv2.flip(pixels, _FLIPS[orientation]))
    if orientation == 5:
        return np.asarray(cv2.transpose(pixels))
    if orientation == 7:
        return np.asarray(cv2.rotate(cv2.transpose(pixels), cv2.ROTATE_180))
    return np.ascontiguousarray(pixels)


_ROTATIONS = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
_FLIPS = {2: 1, 4: 0}
