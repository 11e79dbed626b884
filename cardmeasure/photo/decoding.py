"""From the bytes of a photo file to an upright picture: the one place where decoders may fail."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from cardmeasure.errors import PhotoTrouble
from cardmeasure.photo.colour import Pixels, Response, response_curve, to_srgb
from cardmeasure.photo.completeness import is_cut_short
from cardmeasure.photo.formats import HEIC, JPEG, photo_format
from cardmeasure.photo.heic import read_heic
from cardmeasure.photo.jpeg import read_jpeg
from cardmeasure.photo.native import caught_messages
from cardmeasure.photo.pillow_formats import read_with_pillow
from cardmeasure.photo.raster import Raster, damaged, turned, unsupported
from cardmeasure.photo.tags import CameraTags
from cardmeasure.text import printable, shorten_middle

_NOT_IMPLEMENTED = ("unknown pixel mode", "unknown data organization", "cannot handle", "not implemented", "nsupported")
"""Words of the decoders for a file that is sound but of a kind they do not know."""
_LONGEST_REASON = 80


@dataclass(frozen=True, kw_only=True, eq=False)
class Decoded:
    """An upright picture, (H, W, 3) blue first, with its response curve and what the file says of the camera."""

    pixels_bgr: Pixels
    response: Response
    camera: CameraTags
    format: str
    colour_halved: bool


def decode(data: bytes, *, max_megapixels: float) -> Decoded:
    """Decode the bytes of a photo file whose first bytes are those of a known format. Raises PhotoTrouble only."""
    name = photo_format(data)
    if name is None:
        raise PhotoTrouble("not-a-photo", "The file does not begin like a photo.")
    with caught_messages() as messages:
        try:
            return _finished(_raster(data, name=name, max_megapixels=max_megapixels, messages=messages))
        except Exception as error:  # for hostile bytes decoders raise anything, SyntaxError included
            trouble = _trouble(error, data=data, name=name)
            if trouble is error:
                raise
            raise trouble from error


def _raster(data: bytes, *, name: str, max_megapixels: float, messages: Callable[[], str]) -> Raster:
    if name == JPEG:
        return read_jpeg(data, max_megapixels=max_megapixels, messages=messages)
    if name == HEIC:
        return read_heic(data, max_megapixels=max_megapixels)
    return read_with_pillow(data, name=name, max_megapixels=max_megapixels)


def _finished(raster: Raster) -> Decoded:
    pixels = to_srgb(raster.pixels_bgr, raster.profile, is_grey=raster.is_grey)
    is_converted = pixels is not raster.pixels_bgr
    bits = 8 if is_converted else raster.bits
    levels = int(np.iinfo(pixels.dtype).max) + 1
    white = levels - levels // (1 << bits)
    if raster.profile:
        response = response_curve(levels=levels, white=white)
    else:
        response = response_curve(levels=levels, white=white, curve=raster.curve)
    return Decoded(
        pixels_bgr=turned(pixels, raster.orientation),
        response=response,
        camera=raster.camera,
        format=raster.format,
        colour_halved=raster.colour_halved,
    )


def _trouble(error: Exception, *, data: bytes, name: str) -> PhotoTrouble:
    """What a decoder's failure means for the user."""
    if isinstance(error, PhotoTrouble) and error.code != "damaged":
        return error
    if isinstance(error, MemoryError) or (isinstance(error, cv2.error) and error.code == cv2.Error.StsNoMem):
        return PhotoTrouble("too-many-pixels", "The picture needs more memory than this computer has free.")
    if is_cut_short(data, format=name):
        return PhotoTrouble("truncated", f"The {name} file breaks off after {len(data)} bytes, before its own end.")
    if isinstance(error, PhotoTrouble):
        return error
    if isinstance(error, Image.DecompressionBombError):
        most = 2e-6 * (Image.MAX_IMAGE_PIXELS or 0)
        message = f"The picture has more than {most:.3g} megapixels, the most that can be read of a {name} file."
        return PhotoTrouble("too-many-pixels", message, advice="Make the picture smaller, or save it as JPEG.")
    reason = shorten_middle(printable(str(error).strip().rstrip(".") or type(error).__name__), _LONGEST_REASON)
    if any(words in str(error) for words in _NOT_IMPLEMENTED):
        return unsupported(name, reason)
    return damaged(name, reason)
