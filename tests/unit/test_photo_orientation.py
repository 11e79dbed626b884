"""Every format that carries an orientation shows the picture upright, turned exactly once."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from photo_files import (
    CORNERS_RGB,
    HEIGHT,
    ORIENTATION,
    WIDTH,
    Array,
    as_stored,
    deep_tiff,
    encoded,
    exif,
    heic,
    picture,
    png_with_exif,
    saved,
)
from PIL import Image, ImageOps

from cardmeasure.photo import Photo, read_photo


def _deep(pixels_rgb: Array) -> Array:
    return pixels_rgb.astype(np.uint16) * 257


def _jpeg(stored: Array, orientation: int) -> bytes:
    return saved(stored, "JPEG", exif=exif(orientation=orientation), quality=95)


def _grey_jpeg(stored: Array, orientation: int) -> bytes:
    return saved(Image.fromarray(stored).convert("L"), "JPEG", exif=exif(orientation=orientation), quality=95)


def _cmyk_jpeg(stored: Array, orientation: int) -> bytes:
    return saved(Image.fromarray(stored).convert("CMYK"), "JPEG", exif=exif(orientation=orientation), quality=95)


def _mpo(stored: Array, orientation: int) -> bytes:
    second = Image.fromarray(np.full_like(stored, 99))
    return saved(stored, "MPO", save_all=True, append_images=[second], exif=exif(orientation=orientation), quality=95)


def _png(stored: Array, orientation: int) -> bytes:
    return saved(stored, "PNG", exif=exif(orientation=orientation))


def _deep_png(stored: Array, orientation: int) -> bytes:
    return png_with_exif(encoded(".png", _deep(stored)[..., ::-1]), exif(orientation=orientation))


def _webp(stored: Array, orientation: int) -> bytes:
    return saved(stored, "WEBP", exif=exif(orientation=orientation), quality=95)


def _tiff(stored: Array, orientation: int) -> bytes:
    return saved(stored, "TIFF", exif=exif(orientation=orientation), compression="tiff_lzw")


def _deep_tiff(stored: Array, orientation: int) -> bytes:
    return deep_tiff(_deep(stored), orientation=orientation)


def _avif(stored: Array, orientation: int) -> bytes:
    return saved(stored, "AVIF", exif=exif(orientation=orientation), quality=95)


def _heic(stored: Array, orientation: int) -> bytes:
    return heic(stored, tags=exif(orientation=orientation))


_BUILDERS: dict[str, Callable[[Array, int], bytes]] = {
    "JPEG": _jpeg,
    "grey JPEG": _grey_jpeg,
    "CMYK JPEG": _cmyk_jpeg,
    "MPO": _mpo,
    "PNG": _png,
    "PNG of 16 bits": _deep_png,
    "WebP": _webp,
    "TIFF": _tiff,
    "TIFF of 16 bits": _deep_tiff,
    "AVIF": _avif,
    "HEIC": _heic,
}


def _seen_corners(photo: Photo) -> dict[str, tuple[float, ...]]:
    """Mean colours in the corners, red first, 0..255."""
    scale = 255 / (len(photo.response) - 1)
    n = 12
    parts = {"top left": np.s_[:n, :n], "top right": np.s_[:n, -n:], "bottom left": np.s_[-n:, :n]}
    return {name: tuple(photo.pixels_bgr[part].mean((0, 1))[::-1] * scale) for name, part in parts.items()}


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", _BUILDERS)
def test_photo_is_upright_whatever_its_orientation_tag(kind: str, orientation: int, tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"  # the name is wrong for most formats, and must not matter
    path.write_bytes(_BUILDERS[kind](as_stored(picture(), orientation), orientation))
    photo = read_photo(path)
    assert (photo.width_px, photo.height_px) == (WIDTH, HEIGHT)
    assert photo.pixels_bgr.flags.c_contiguous
    for name, colour in _seen_corners(photo).items():
        red, green, blue = CORNERS_RGB[name]
        luma = 0.299 * red + 0.587 * green + 0.114 * blue  # ITU-R BT.601
        expected = (luma, luma, luma) if kind == "grey JPEG" else (red, green, blue)
        assert colour == pytest.approx(expected, abs=6), name


@pytest.mark.parametrize("orientation", range(1, 9))
def test_stored_pictures_of_these_tests_agree_with_another_library(orientation: int) -> None:
    """The numpy definition of the eight orientations against Pillow's own transposition."""
    image = Image.fromarray(as_stored(picture(), orientation))
    image.getexif()[0x0112] = orientation
    assert np.array_equal(np.asarray(ImageOps.exif_transpose(image)), picture())


@pytest.mark.parametrize("value", [0, 9, 65535])
def test_meaningless_orientation_leaves_the_picture_as_stored(value: int, tmp_path: Path) -> None:
    path = tmp_path / "photo"
    path.write_bytes(_png(picture(), value))
    assert np.array_equal(read_photo(path).pixels_bgr[..., ::-1], picture())


def _as_orientation(file: bytes, *, written: int) -> bytes:
    """The file whose Exif tag of that number, a SHORT, has become the orientation."""
    for order in (">", "<"):
        there, wanted = (struct.pack(f"{order}HHI", tag, 3, 1) for tag in (written, ORIENTATION))
        if file.count(there) == 1:
            return file.replace(there, wanted)
    raise AssertionError("the tag is not there, or not alone")


@pytest.mark.parametrize("kind", ["AVIF", "HEIC"])
@pytest.mark.parametrize("turn", [1, 6])
def test_turn_of_the_container_counts_where_the_tag_disagrees(kind: str, turn: int, tmp_path: Path) -> None:
    """ISO/IEC 23008-12 and the AVIF specification: irot and imir turn the picture, the Exif tag is information only."""
    resolution_unit = 0x0128
    tags = exif(orientation=turn)
    tags[resolution_unit] = 3
    stored = as_stored(picture(), turn)
    file = saved(stored, "AVIF", exif=tags, quality=95) if kind == "AVIF" else heic(stored, tags=tags)
    if kind == "HEIC":  # here the tag is written beside the turn: make it something else first
        for order in (">", "<"):
            file = file.replace(struct.pack(f"{order}HHI", ORIENTATION, 3, 1), struct.pack(f"{order}HHI", 0x0103, 3, 1))
    path = tmp_path / "photo"
    path.write_bytes(_as_orientation(file, written=resolution_unit))
    photo = read_photo(path)
    assert (photo.width_px, photo.height_px) == (WIDTH, HEIGHT)
    for name, colour in _seen_corners(photo).items():
        assert colour == pytest.approx(CORNERS_RGB[name], abs=6), name
