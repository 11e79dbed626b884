"""A photo file in, one upright picture out, with the curve from its code values to linear light.

What a file is, its content tells and never its name. Whatever is wrong with it becomes one `PhotoTrouble` with a
sentence that says what was seen; the caller adds the file's name. Nothing is written to stderr.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.photo.colour import Pixels, Response
from cardmeasure.photo.decoding import decode
from cardmeasure.photo.files import read_head, read_photo_file
from cardmeasure.photo.formats import photo_format
from cardmeasure.photo.tags import CameraTags

__all__ = ["CameraTags", "Photo", "is_photo", "read_photo"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Photo:
    """An upright picture.

    Parameters
    ----------
    pixels_bgr : code values (H, W, 3), blue first, uint8 or uint16, C-contiguous; the EXIF orientation is applied.
    response : linear light, 0..1 float32, by code value: (256,) or (65536,). Display P3 has the tone curve of sRGB
        (IEC 61966-2-1); pictures with another embedded profile have been converted to sRGB.
    sha256 : of the file, in hexadecimal digits.
    camera : what the file says about the camera and its lens.
    format : `JPEG`, `MPO`, `PNG`, `WebP`, `TIFF`, `AVIF` or `HEIC`.
    colour_halved : whether colour was stored for every other pixel only, so that it is blurred more than brightness.
    """

    pixels_bgr: Pixels
    response: Response
    sha256: str
    camera: CameraTags
    format: str
    colour_halved: bool = False

    @property
    def width_px(self) -> int:
        """Width of the upright picture."""
        return int(self.pixels_bgr.shape[1])

    @property
    def height_px(self) -> int:
        """Height of the upright picture."""
        return int(self.pixels_bgr.shape[0])

    @cached_property
    def halved_bgr(self) -> Pixels:
        """Means over 2 x 2 pixels, made once, as every search begins with them; only for even sizes."""
        size = (self.width_px // 2, self.height_px // 2)
        return np.asarray(cv2.resize(self.pixels_bgr, size, interpolation=cv2.INTER_AREA))

    @cached_property
    def quartered_bgr(self) -> Pixels:
        """Means over 2 x 2 of these, for the same reason; only for sizes that can be divided by four."""
        size = (self.width_px // 4, self.height_px // 4)
        return np.asarray(cv2.resize(self.halved_bgr, size, interpolation=cv2.INTER_AREA))

    def linear(self) -> NDArray[np.float32]:
        """The whole picture in linear light, (H, W, 3), blue first: for small pictures, it takes memory."""
        return self.response[self.pixels_bgr]


def read_photo(path: Path, *, max_megapixels: float = 120.0) -> Photo:
    """Read a JPEG, MPO (first picture), PNG, WebP, TIFF, AVIF or HEIC file.

    Parameters
    ----------
    max_megapixels : a larger picture is refused before it is decoded (decompression bombs). WebP and TIFF files of more
        than 179 megapixels are refused in any case.

    Raises
    ------
    PhotoTrouble
        `not-found`, `not-a-file`, `unreadable`, `empty-file`, `not-a-photo`, `truncated`, `damaged`,
        `too-many-pixels` or `too-few-pixels`.
    """
    data = read_photo_file(path, max_megapixels=max_megapixels)
    decoded = decode(data, max_megapixels=max_megapixels)
    return Photo(
        pixels_bgr=decoded.pixels_bgr,
        response=decoded.response,
        sha256=hashlib.sha256(data).hexdigest(),
        camera=decoded.camera,
        format=decoded.format,
        colour_halved=decoded.colour_halved,
    )


def is_photo(path: Path) -> bool:
    """Whether the file begins like a photo. Reads a few bytes, opens nothing but regular files, raises nothing."""
    return photo_format(read_head(path)) is not None
