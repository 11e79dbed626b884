"""Photo files for tests, built in memory: an asymmetric picture, encoded in every format that phones write."""

from __future__ import annotations

import io
import struct
import zlib
from typing import Any

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image

Array = NDArray[Any]

WIDTH, HEIGHT = 160, 112
CORNERS_RGB = {"top left": (235, 235, 235), "top right": (200, 40, 40), "bottom left": (40, 180, 40)}
"""What stands in three corners of the picture as it is to be looked at; the fourth is dark."""
DARK = (50, 50, 60)

ORIENTATION, MAKE, MODEL, EXIF_IFD = 0x0112, 0x010F, 0x0110, 0x8769
FOCAL_LENGTH, DIGITAL_ZOOM, FOCAL_35MM, LENS_MODEL = 0x920A, 0xA404, 0xA405, 0xA434


def picture(width: int = WIDTH, height: int = HEIGHT) -> Array:
    """The upright picture, (H, W, 3) uint8, red first."""
    pixels = np.full((height, width, 3), DARK, np.uint8)
    h, w = height // 3, width // 3
    pixels[:h, :w] = CORNERS_RGB["top left"]
    pixels[:h, -w:] = CORNERS_RGB["top right"]
    pixels[-h:, :w] = CORNERS_RGB["bottom left"]
    return pixels


def textured(width: int = WIDTH, height: int = HEIGHT) -> Array:
    """A picture with something in every block, so that a change of the data shows, (H, W, 3) uint8."""
    noise = np.random.default_rng(7).integers(0, 255, (height, width, 3)).astype(np.uint8)
    return np.asarray(cv2.GaussianBlur(noise, (0, 0), 1.5))


def as_stored(upright: Array, orientation: int) -> Array:
    """How a camera stores an upright picture under an Exif orientation, in plain numpy (CIPA DC-008, tag 0x0112).

    The tag names where row 0 and column 0 of the stored picture lie in the picture as looked at: 1 top and left,
    2 top and right, 3 bottom and right, 4 bottom and left, 5 left and top, 6 right and top, 7 right and bottom,
    8 left and bottom.
    """
    across = np.swapaxes(upright, 0, 1)
    stored = {
        1: upright,
        2: upright[:, ::-1],
        3: upright[::-1, ::-1],
        4: upright[::-1],
        5: across,
        6: across[::-1],
        7: across[::-1, ::-1],
        8: across[:, ::-1],
    }[orientation]
    return np.ascontiguousarray(stored)


def exif(*, orientation: int | None = None, details: dict[int, object] | None = None, **tags: object) -> Image.Exif:
    """Tags to be written; `details` go into the Exif directory."""
    written = Image.Exif()
    if orientation is not None:
        written[ORIENTATION] = orientation
    for name, value in tags.items():
        written[{"make": MAKE, "model": MODEL}[name]] = value
    if details:
        written.get_ifd(EXIF_IFD).update(details)
    return written


def saved(image: Image.Image | Array, format: str, **options: Any) -> bytes:
    """The file that Pillow writes."""
    file = io.BytesIO()
    (image if isinstance(image, Image.Image) else Image.fromarray(image)).save(file, format, **options)
    return file.getvalue()


def heic(image: Image.Image | Array, *, tags: Image.Exif | None = None, **options: Any) -> bytes:
    """The HEIC file; an orientation in the tags becomes a turn of the container, as phones do it."""
    source = image if isinstance(image, Image.Image) else Image.fromarray(image)
    file = io.BytesIO()
    extra = {"exif": tags.tobytes()} if tags is not None else {}
    pillow_heif.from_pillow(source).save(file, format="HEIF", quality=95, **extra, **options)
    return file.getvalue()


def deep_heic(pixels_rgb: Array) -> bytes:
    """A HEIC file of 10 bits from 16-bit colours, (H, W, 3) red first, lossless but for the conversion."""
    file = io.BytesIO()
    size = (pixels_rgb.shape[1], pixels_rgb.shape[0])
    pillow_heif.from_bytes("RGB;16", size, pixels_rgb.tobytes()).save(file, format="HEIF", quality=-1, chroma=444)
    return file.getvalue()


def encoded(suffix: str, pixels_bgr: Array, *options: int) -> bytes:
    """The file that OpenCV writes."""
    return cv2.imencode(suffix, pixels_bgr, list(options))[1].tobytes()


def png_with_exif(png: bytes, tags: Image.Exif) -> bytes:
    """The PNG with an eXIf chunk (PNG, third edition, 11.3.4.5)."""
    return _png_with(png, b"eXIf", tags.tobytes().removeprefix(b"Exif\0\0"))


def png_with_profile(png: bytes, profile: bytes) -> bytes:
    """The PNG with an iCCP chunk (PNG, third edition, 11.3.2.3)."""
    return _png_with(png, b"iCCP", b"profile\0\0" + zlib.compress(profile))


def _png_with(png: bytes, kind: bytes, body: bytes) -> bytes:
    """The PNG with a chunk put behind its header, which is 33 bytes long with the signature."""
    chunk = struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
    return png[:33] + chunk + png[33:]


def deep_tiff(
    pixels: Array, *, orientation: int = 1, planar: int = 1, photometric: int | None = None, sample_format: int = 1
) -> bytes:
    """An uncompressed TIFF of 16 bits, (H, W) or (H, W, 3 or 4) red first, written by hand after TIFF 6.0."""
    height, width = pixels.shape[:2]
    samples = 1 if pixels.ndim == 2 else pixels.shape[2]
    stored = pixels if planar == 1 else np.moveaxis(pixels, 2, 0)
    raw = stored.astype("<u2").tobytes()
    strips = 1 if planar == 1 else samples
    photometric = (1 if samples == 1 else 2) if photometric is None else photometric
    entries: list[tuple[int, str, list[int]]] = [
        (256, "H", [width]),
        (257, "H", [height]),
        (258, "H", [16] * samples),
        (259, "H", [1]),
        (262, "H", [photometric]),
        (273, "I", [0] * strips),
        (274, "H", [orientation]),
        (277, "H", [samples]),
        (278, "H", [height]),
        (279, "I", [len(raw) // strips] * strips),
        (284, "H", [planar]),
        *([(338, "H", [2])] if samples == 4 else []),
        (339, "H", [sample_format] * samples),
    ]
    extra_at = 8 + 2 + 12 * len(entries) + 4
    raw_at = extra_at + sum(len(v) * struct.calcsize(t) for _, t, v in entries if len(v) * struct.calcsize(t) > 4)
    directory, extra = struct.pack("<H", len(entries)), b""
    for tag, kind, values in entries:
        if tag == 273:
            values = [raw_at + i * len(raw) // strips for i in range(strips)]
        packed = struct.pack(f"<{len(values)}{kind}", *values)
        head = struct.pack("<HHI", tag, 3 if kind == "H" else 4, len(values))
        if len(packed) <= 4:
            directory += head + packed.ljust(4, b"\0")
        else:
            directory += head + struct.pack("<I", extra_at + len(extra))
            extra += packed
    return b"II*\0" + struct.pack("<I", 8) + directory + b"\0" * 4 + extra + raw


SRGB_PRIMARIES = np.array([[0.43607, 0.38515, 0.14307], [0.22249, 0.71687, 0.06061], [0.01392, 0.09708, 0.71410]])
"""Columns: XYZ of red, green, blue, adapted to D50 (public sRGB profiles)."""
WIDE_PRIMARIES = np.array([[0.60974, 0.20528, 0.14919], [0.31111, 0.62567, 0.06322], [0.01947, 0.06087, 0.74457]])
"""The same for the wider colours of many cameras' second choice, whose curve is a gamma of 2.2 (from memory)."""
P3_PRIMARIES = np.array([[0.51512, 0.29198, 0.15710], [0.24120, 0.69225, 0.06657], [-0.00105, 0.04189, 0.78407]])
"""The same for Display P3, whose curve is that of sRGB (public profiles)."""
SRGB_CURVE = b"para\0\0\0\0\0\x03\0\0" + b"".join(
    struct.pack(">i", round(v * 65536)) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
)


def gamma_curve(gamma: float) -> bytes:
    """A curve element with one gamma (ICC.1, curveType)."""
    return b"curv\0\0\0\0\0\0\0\x01" + struct.pack(">H", round(gamma * 256)) + b"\0\0"


def icc_profile(space: bytes, curve: bytes, primaries: Array | None = None) -> bytes:
    """A display profile with primaries and one curve (`RGB `), or with a curve alone (`GRAY`), after ICC.1."""
    elements = {b"wtpt": _xyz([0.9642, 1.0, 0.8249])}
    if primaries is None:
        elements[b"kTRC"] = curve
    else:
        for primary, column in zip((b"r", b"g", b"b"), primaries.T, strict=True):
            elements[primary + b"XYZ"], elements[primary + b"TRC"] = _xyz(list(column)), curve
    at = 128 + 4 + 12 * len(elements)
    table, body = struct.pack(">I", len(elements)), b""
    for name, element in elements.items():
        table += name + struct.pack(">II", at + len(body), len(element))
        body += element
    head = struct.pack(">I4sI4s4s4s", at + len(body), b"", 0x02400000, b"mntr", space, b"XYZ ")
    head = head.ljust(36, b"\0") + b"acsp"
    return head.ljust(68, b"\0") + _xyz([0.9642, 1.0, 0.8249])[8:] + bytes(48) + table + body


def _xyz(values: list[float]) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(struct.pack(">i", round(v * 65536)) for v in values)
