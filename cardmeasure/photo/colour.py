"""From code values to light, and from other colour encodings to sRGB: functions on arrays."""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from PIL.Image import Image

Pixels = NDArray[np.uint8 | np.uint16]
Response = NDArray[np.float32]
_Floats = NDArray[np.float64]

SRGB, HLG, PQ = 13, 18, 16
"""Tone curves by their number in ITU-T H.273, table 3 (transfer characteristics)."""
_PQ_WHITE_CD_M2 = 1000.0
_BACKGROUND = 128 / 255
"""Mid grey: white paper, black print and most cards all stand out against it, so a cut-out picture keeps its edges."""
_SAME_TONE_CODES = 2
"""Rounding, and the tables that some sRGB profiles hold instead of the formula; a gamma of 2.2 differs by 7."""


def looked_up(table: Response, codes: Pixels) -> Response:
    """Entries of a table (256,) or (65536,) at code values of any shape: four times as fast as indexing, for bytes."""
    if codes.dtype == np.uint8 and codes.size:
        rows = codes.astype(np.uint8, copy=False).reshape(-1, codes.shape[-1])
        return np.asarray(cv2.LUT(rows, table), np.float32).reshape(codes.shape)
    return np.asarray(table[codes.astype(np.intp)], np.float32)


@lru_cache(maxsize=8)
def response_curve(*, levels: int, white: int, curve: int = SRGB) -> Response:
    """Linear light 0..1 of each code value, (levels,); code `white` and above give 1. Read-only.

    `curve` is a number of ITU-T H.273: sRGB (IEC 61966-2-1), the hybrid log-gamma of ITU-R BT.2100 (light of the
    scene) or its perceptual quantizer (light of the display, 1 at 1000 cd/m2). Any other is taken for sRGB, as
    viewers do.
    """
    coded = np.minimum(np.arange(levels) / white, 1.0)
    table = _CURVES.get(curve, _srgb)(coded).astype(np.float32)
    table.setflags(write=False)
    return table


def _srgb(coded: _Floats) -> _Floats:
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def _hlg(coded: _Floats) -> _Floats:
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    return np.where(coded <= 0.5, coded**2 / 3, (np.exp((coded - c) / a) + b) / 12)


def _pq(coded: _Floats) -> _Floats:
    m1, m2 = 2610 / 16384, 2523 / 32
    c1, c2, c3 = 3424 / 4096, 2413 / 128, 2392 / 128
    root = coded ** (1 / m2)
    return np.minimum(1e4 / _PQ_WHITE_CD_M2 * (np.maximum(root - c1, 0) / (c2 - c3 * root)) ** (1 / m1), 1.0)


_CURVES: dict[int, Callable[[_Floats], _Floats]] = {SRGB: _srgb, HLG: _hlg, PQ: _pq}


def as_bgr(pixels: Pixels) -> Pixels:
    """Grey (H, W), (H, W, 1) or colours (H, W, 3 or 4), blue first, as (H, W, 3); transparent parts become mid grey."""
    if pixels.ndim == 2 or pixels.shape[2] == 1:
        return _array(cv2.cvtColor(pixels, cv2.COLOR_GRAY2BGR))
    if pixels.shape[2] == 3:
        return np.ascontiguousarray(pixels)
    bgr = _array(cv2.cvtColor(pixels, cv2.COLOR_BGRA2BGR))
    alpha, opaque = pixels[..., 3], np.iinfo(pixels.dtype).max
    seen_through = alpha < opaque
    if seen_through.any():
        share = (alpha[seen_through] / np.float32(opaque))[:, None]
        grey = np.float32(_BACKGROUND * opaque)
        bgr[seen_through] = np.rint(grey + share * (bgr[seen_through] - grey)).astype(bgr.dtype)
    return bgr


def swap_red_and_blue(pixels: Pixels) -> Pixels:
    """Red first to blue first or back; the fourth channel stays. Grey is left as it is."""
    if pixels.ndim == 2:
        return pixels
    return _array(cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR if pixels.shape[2] == 3 else cv2.COLOR_RGBA2BGRA))


def to_srgb(pixels_bgr: Pixels, profile: bytes | None, *, is_grey: bool) -> Pixels:
    """Pixels with an embedded ICC profile, as sRGB.

    A profile with the tone curve of sRGB (Display P3 among them) leaves the pixels untouched: what the colours are
    called changes no edge. So does a profile that is damaged or fits no such picture. With any other profile the
    colour engine converts in 8 bits, so 16 bits are reduced to 8.
    """
    space = profile_space(profile) if profile else None
    if not profile or space not in ("RGB", "GRAY") or (space == "GRAY" and not is_grey) or has_srgb_tone(profile):
        return pixels_bgr
    eight = pixels_bgr if pixels_bgr.dtype == np.uint8 else np.rint(pixels_bgr / np.float32(257)).astype(np.uint8)
    from PIL import Image

    source = eight[..., 0] if space == "GRAY" else swap_red_and_blue(eight)
    return swap_red_and_blue(np.asarray(convert_with_profile(Image.fromarray(source), profile)))


def convert_with_profile(image: Image, profile: bytes) -> Image:
    """The picture in sRGB, mode RGB, by relative colorimetry. Raises OSError, ValueError or PyCMSError."""
    from PIL import ImageCms

    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    converted = ImageCms.profileToProfile(
        image, source, ImageCms.createProfile("sRGB"), renderingIntent=intent, outputMode="RGB"
    )
    if converted is None:  # only when it converts in place
        raise ValueError("the profile cannot be applied")
    return converted


@lru_cache(maxsize=16)
def profile_space(profile: bytes) -> str | None:
    """Colour space of an ICC profile (`RGB`, `GRAY`, `CMYK`, ...), None if it is damaged."""
    from PIL import ImageCms

    try:
        space: str = ImageCms.ImageCmsProfile(io.BytesIO(profile)).profile.xcolor_space
    except (OSError, ValueError, ImageCms.PyCMSError):
        return None
    return space.strip()


@lru_cache(maxsize=16)
def has_srgb_tone(profile: bytes) -> bool:
    """Whether greys have the same code values under the profile as in sRGB. True for one that cannot be applied."""
    from PIL import Image, ImageCms

    ramp = np.arange(256, dtype=np.uint8)[None]
    is_grey = profile_space(profile) == "GRAY"
    source = Image.fromarray(ramp if is_grey else np.dstack([ramp] * 3))
    try:
        converted = np.asarray(convert_with_profile(source, profile))
    except (OSError, ValueError, ImageCms.PyCMSError):
        return True
    return bool(np.abs(converted.astype(int) - ramp[..., None]).max() <= _SAME_TONE_CODES)


def _array(pixels: object) -> Pixels:
    """OpenCV's result under the type that it has here."""
    return np.asarray(pixels)
