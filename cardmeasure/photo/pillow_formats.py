"""PNG, WebP, TIFF and AVIF by Pillow; 16-bit colours, which Pillow reduces to 8 bits, by OpenCV."""

from __future__ import annotations

import io
from importlib import import_module

import cv2
import numpy as np
from PIL.ImageFile import ImageFile

from cardmeasure.photo.colour import (
    Pixels,
    as_bgr,
    convert_with_profile,
    profile_space,
    swap_red_and_blue,
)
from cardmeasure.photo.completeness import has_wrong_checksum
from cardmeasure.photo.formats import AVIF, PNG, TIFF, WEBP
from cardmeasure.photo.raster import Raster, damaged, require_size, unsupported
from cardmeasure.photo.tags import camera_tags, exif_of, orientation

# The classes themselves, not `Image.open`: it would try every format it knows, and it has a size limit of its own.
_CLASSES = {
    PNG: ("PIL.PngImagePlugin", "PngImageFile"),
    WEBP: ("PIL.WebPImagePlugin", "WebPImageFile"),
    TIFF: ("PIL.TiffImagePlugin", "TiffImageFile"),
    AVIF: ("PIL.AvifImagePlugin", "AvifImageFile"),
}
_PNG_BIT_DEPTH_AT = 24
_SUBFILE_TYPE, _BITS, _PHOTOMETRIC, _SAMPLES = 254, 258, 262, 277
_PLANAR, _SAMPLE_FORMAT, _DNG_VERSION = 284, 339, 50706
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB = 0, 1, 2


def read_with_pillow(data: bytes, *, name: str, max_megapixels: float) -> Raster:
    """Decode a file of one of the formats `PNG`, `WebP`, `TIFF` or `AVIF`."""
    module, cls = _CLASSES[name]
    image: ImageFile = getattr(import_module(module), cls)(io.BytesIO(data))
    if name == TIFF:
        _require_photo(image)
    require_size(*image.size, max_megapixels=max_megapixels)
    if name == PNG:
        _require_sound_png(image, data=data)
    exif = exif_of(image)
    camera = camera_tags(exif)
    # Both decoders turn a TIFF; of an AVIF Pillow reports the container's turns as the tag and leaves the pixels.
    turn = 1 if name == TIFF else orientation(exif)
    is_deep = _is_deep(image, data=data, name=name)
    pixels = _deep_pixels(image, data=data, name=name) if is_deep else pixels_of(image, name=name)
    return Raster(
        pixels_bgr=pixels,
        format=name,
        camera=camera,
        orientation=turn,
        profile=profile_left(image),
        is_grey=image.mode in ("1", "L", "LA") or image.mode.startswith("I;16"),
        bits=16 if is_deep else 8,
        colour_halved=name in (WEBP, AVIF),
    )


def pixels_of(image: ImageFile, *, name: str) -> Pixels:
    """The pixels of a picture opened by Pillow, (H, W, 3) uint8, blue first; CMYK by its profile if it has one."""
    image.load()
    if image.mode in ("I", "F", "LAB", "HSV") or image.mode.startswith("I;16"):
        raise unsupported(name, f"its pixels are of the type {image.mode!r}")
    if image.mode == "CMYK":
        return swap_red_and_blue(_cmyk_as_rgb(image))
    if image.has_transparency_data:
        return as_bgr(swap_red_and_blue(np.asarray(image.convert("RGBA"))))
    if image.mode in ("1", "L"):
        return as_bgr(np.asarray(image.convert("L")))
    return swap_red_and_blue(np.asarray(image if image.mode == "RGB" else image.convert("RGB")))


def profile_left(image: ImageFile) -> bytes | None:
    """The embedded ICC profile, None where it has been used already."""
    profile = image.info.get("icc_profile")
    return profile if isinstance(profile, bytes) and image.mode != "CMYK" else None


def _cmyk_as_rgb(image: ImageFile) -> Pixels:
    profile = image.info.get("icc_profile")
    if isinstance(profile, bytes) and profile_space(profile) == "CMYK":
        try:
            return np.asarray(convert_with_profile(image, profile))
        except Exception:  # a damaged profile: the plain conversion will do
            pass
    return np.asarray(image.convert("RGB"))


def _require_photo(image: ImageFile) -> None:
    """Raises PhotoTrouble for a TIFF whose first picture is the preview of a raw camera file."""
    if _tag(image, _DNG_VERSION) or _number(image, _SUBFILE_TYPE, missing=0) & 1:
        raise unsupported(TIFF, "it is a raw camera file that begins with a small preview")


def _require_sound_png(image: ImageFile, *, data: bytes) -> None:
    """Decodes the picture. Raises PhotoTrouble `damaged`, or what Pillow raises, which checks no sums of pixel data."""
    if has_wrong_checksum(data):
        raise damaged(PNG, "a checksum of its pixel data is wrong")
    image.load()


def _is_deep(image: ImageFile, *, data: bytes, name: str) -> bool:
    if name == PNG:
        return data[_PNG_BIT_DEPTH_AT] == 16
    if name != TIFF or _number(image, _PHOTOMETRIC, missing=_RGB) not in (_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB):
        return False
    bits = _tag(image, _BITS)
    return isinstance(bits, tuple) and set(bits) == {16}


def _deep_pixels(image: ImageFile, *, data: bytes, name: str) -> Pixels:
    """16-bit pixels, (H, W, 3), blue first; a TIFF upright."""
    is_tiff = name == TIFF
    if is_tiff and _number(image, _SAMPLE_FORMAT, missing=1) != 1:
        raise unsupported(name, "its numbers are signed or floating-point")
    if is_tiff and _number(image, _PLANAR, missing=1) != 1 and _number(image, _SAMPLES, missing=1) > 1:
        raise unsupported(name, "its 16-bit colours are stored in separate planes")
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if pixels is None or pixels.dtype != np.uint16 or pixels.shape[1::-1] != image.size:
        raise damaged(name, "its data cannot be decoded")
    if is_tiff and _number(image, _PHOTOMETRIC, missing=_RGB) == _WHITE_IS_ZERO:
        pixels = cv2.bitwise_not(pixels)  # which OpenCV leaves undone
    return as_bgr(np.asarray(pixels))


def _tag(image: ImageFile, tag: int) -> object:
    return image.tag_v2.get(tag)  # type: ignore[attr-defined]


def _number(image: ImageFile, tag: int, *, missing: int) -> int:
    """The first number of a TIFF tag."""
    value = _tag(image, tag)
    if isinstance(value, tuple) and value:
        value = value[0]
    return value if isinstance(value, int) else missing
