"""JPEG and MPO (its first picture): the header by Pillow, the pixels by simplejpeg, which is fastest.

Both simplejpeg and OpenCV decode with libjpeg-turbo, to the same pixels. What the first complains of the second tries
again: its messages tell harmless bytes from damage.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable

import cv2
import numpy as np
from PIL.JpegImagePlugin import JpegImageFile, get_sampling
from simplejpeg import decode_jpeg

from cardmeasure.errors import PhotoTrouble
from cardmeasure.photo.colour import Pixels
from cardmeasure.photo.completeness import is_cut_short, jpeg_end
from cardmeasure.photo.formats import JPEG, MPO
from cardmeasure.photo.memory import picture_memory
from cardmeasure.photo.pillow_formats import pixels_of, profile_left
from cardmeasure.photo.raster import Raster, damaged, require_size
from cardmeasure.photo.tags import camera_tags, exif_of, orientation

_COLOUR_BGR = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
FULL_COLOUR = 0
"""What Pillow calls a sampling of 4:4:4."""
_FLAWS = re.compile(r"Corrupt JPEG data: (?!\d+ extraneous bytes)|[Pp]remature end of|nconsistent progression")
_BYTES_LEFT = re.compile(r"(\d+) extraneous bytes before marker 0xd9")


def read_jpeg(data: bytes, *, max_megapixels: float, messages: Callable[[], str]) -> Raster:
    """Decode a JPEG. `messages` gives what the decoder has written to stderr, its only way to name corrupt data."""
    if is_cut_short(data, format=JPEG):
        # The decoder would fill the missing part with grey and say nothing.
        raise PhotoTrouble("truncated", f"The JPEG file breaks off after {len(data)} bytes, before its end marker.")
    header = JpegImageFile(io.BytesIO(data))
    require_size(*header.size, max_megapixels=max_megapixels)
    if header.mode in ("RGB", "L"):
        pixels = _decoded(data, header.size, messages=messages)
        if pixels.shape[1::-1] != header.size:
            raise damaged(JPEG, "its data cannot be decoded")
    else:  # CMYK and YCCK, inverted as is the custom of such files
        pixels = pixels_of(header, name=JPEG)
    exif = exif_of(header)
    return Raster(
        pixels_bgr=pixels,
        format=MPO if "mp" in header.info else JPEG,
        camera=camera_tags(exif),
        orientation=orientation(exif),
        profile=profile_left(header),
        is_grey=header.mode == "L",
        colour_halved=header.mode == "RGB" and get_sampling(header) != FULL_COLOUR,
    )


def _decoded(data: bytes, size: tuple[int, int], *, messages: Callable[[], str]) -> Pixels:
    try:
        return np.asarray(decode_jpeg(data, "BGR", strict=True, buffer=picture_memory(3 * size[0] * size[1])))
    except ValueError:  # for anything but a sound file that it knows, warnings included
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), _COLOUR_BGR)
        if pixels is None:
            raise damaged(JPEG, "its data cannot be decoded") from None
    _require_sound(messages(), data=data)
    return np.asarray(pixels)


def _require_sound(messages: str, *, data: bytes) -> None:
    """Raises PhotoTrouble `damaged` if the decoder lost its way: part of the picture is then displaced or grey.

    Bytes left over at the end are harmless where they only fill up the space: some cameras write zeros there.
    """
    left = _BYTES_LEFT.search(messages)
    end = jpeg_end(data) if left else None
    unread = data[max(end - int(left[1]), 0) : end] if left and end else b""
    if _FLAWS.search(messages) or (unread.strip(b"\0") and unread.strip(b"\xff")):
        raise damaged(JPEG, "part of its data is corrupt")
