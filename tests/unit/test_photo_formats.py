"""Formats are told apart by content, and every kind of pixel arrives as blue, green, red of 8 or 16 bits."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from photo_files import (
    HEIGHT,
    WIDTH,
    Array,
    deep_heic,
    deep_tiff,
    encoded,
    exif,
    heic,
    picture,
    saved,
    textured,
)
from PIL import Image

from cardmeasure.errors import PhotoTrouble
from cardmeasure.photo import Photo, is_photo, read_photo

Read = Callable[[bytes], Photo]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def read_bytes(file: bytes) -> Photo:
        path = tmp_path / "photo"
        path.write_bytes(file)
        return read_photo(path)

    return read_bytes


def _mpo() -> bytes:
    second = Image.fromarray(np.full_like(picture(), 99))
    return saved(picture(), "MPO", save_all=True, append_images=[second], quality=95)


FILES: dict[str, bytes] = {
    "JPEG": saved(picture(), "JPEG", quality=95),
    "MPO": _mpo(),
    "PNG": saved(picture(), "PNG"),
    "WebP": saved(picture(), "WEBP", lossless=True),
    "TIFF": saved(picture(), "TIFF", compression="tiff_deflate"),
    "AVIF": saved(picture(), "AVIF", quality=95),
    "HEIC": heic(picture()),
}
NAMES = ("photo.jpg", "photo.heic", "photo.txt", "photo")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", FILES)
def test_format_is_told_by_content_whatever_the_name(kind: str, name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(FILES[kind])
    photo = read_photo(path)
    assert is_photo(path)
    assert photo.format == kind
    assert photo.pixels_bgr.shape == (HEIGHT, WIDTH, 3)
    assert photo.pixels_bgr.dtype == np.uint8
    assert np.abs(photo.pixels_bgr[..., ::-1].astype(int) - picture()).mean() < 4
    assert photo.sha256 == hashlib.sha256(FILES[kind]).hexdigest()


@pytest.mark.parametrize("mode", ["RGB", "L"])
@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("subsampling", ["4:4:4", "4:2:2", "4:2:0"])
def test_jpeg_has_the_very_pixels_of_the_plain_decoder(
    subsampling: str, progressive: bool, mode: str, read: Read
) -> None:
    image = Image.fromarray(textured()).convert(mode)
    file = saved(image, "JPEG", quality=90, subsampling=subsampling, progressive=progressive)
    expected = cv2.imdecode(np.frombuffer(file, np.uint8), cv2.IMREAD_COLOR)
    assert expected is not None
    assert np.array_equal(read(file).pixels_bgr, expected)


def test_progressive_jpeg_is_read(read: Read) -> None:
    file = saved(textured(), "JPEG", quality=95, progressive=True)
    assert np.array_equal(read(file).pixels_bgr, read(saved(textured(), "JPEG", quality=95)).pixels_bgr)


def _close(photo: Photo, expected_rgb: Array, *, within: float) -> None:
    levels = len(photo.response)
    seen = photo.pixels_bgr[..., ::-1].astype(float) * 255 / (levels - 1)
    assert np.abs(seen - expected_rgb).max() <= within


@pytest.mark.parametrize(
    "kind", ["JPEG", "PNG", "PNG with alpha", "TIFF", "WebP", "AVIF", "HEIC", "1 bit", "16 bit PNG", "16 bit TIFF"]
)
def test_grey_pictures_come_as_three_equal_channels(kind: str, read: Read) -> None:
    grey = Image.fromarray(picture()).convert("L")
    if kind == "1 bit":
        grey = grey.point(lambda value: 255 * (value > 100))
    deep = np.asarray(grey).astype(np.uint16) * 257
    file = {
        "JPEG": lambda: saved(grey, "JPEG", quality=98),
        "PNG": lambda: saved(grey, "PNG"),
        "PNG with alpha": lambda: saved(grey.convert("LA"), "PNG"),
        "TIFF": lambda: saved(grey, "TIFF"),
        "WebP": lambda: saved(grey, "WEBP", lossless=True),
        "AVIF": lambda: saved(grey, "AVIF", quality=95),
        "HEIC": lambda: heic(grey),
        "1 bit": lambda: saved(grey.convert("1", dither=Image.Dither.NONE), "PNG"),
        "16 bit PNG": lambda: encoded(".png", deep),
        "16 bit TIFF": lambda: deep_tiff(deep),
    }[kind]()
    photo = read(file)
    assert np.ptp(photo.pixels_bgr.astype(int), axis=2).max() == 0
    _close(photo, np.asarray(grey)[..., None], within=8 if kind in ("JPEG", "AVIF", "HEIC") else 0)


def test_cmyk_jpeg_is_not_a_negative(read: Read) -> None:
    """Such files hold inverted values by custom."""
    photo = read(saved(Image.fromarray(picture()).convert("CMYK"), "JPEG", quality=98))
    _close(photo, picture(), within=12)


def test_ycck_jpeg_is_read_like_cmyk(read: Read) -> None:
    """The Adobe segment's transform flag 2 says that the four channels are YCCK (ITU-T T.872, 6.5.3)."""
    cmyk = np.asarray(Image.fromarray(picture()).convert("CMYK"))
    luma_chroma = np.asarray(Image.fromarray(cmyk[..., :3]).convert("YCbCr"))
    # A decoder subtracts the colours of the first three channels from 255 and the custom inverts them once more, so
    # they are those of the inks. The writer inverts what it is given.
    inverted_for_writer = np.dstack([255 - luma_chroma, cmyk[..., 3]])
    file = saved(Image.fromarray(inverted_for_writer, "CMYK"), "JPEG", quality=98, subsampling=0)
    adobe = file.index(b"Adobe")
    assert file[adobe + 11] == 0
    photo = read(file[: adobe + 11] + b"\x02" + file[adobe + 12 :])
    _close(photo, picture(), within=12)


def test_palette_pictures_are_read(read: Read) -> None:
    image = Image.fromarray(picture()).quantize(16)
    photo = read(saved(image, "PNG"))
    _close(photo, np.asarray(image.convert("RGB")), within=0)


def _deep_picture() -> Array:
    """16-bit colours whose lower bytes matter, red first."""
    high = textured().astype(np.uint16) << 8
    return high | np.random.default_rng(3).integers(0, 256, high.shape).astype(np.uint16)


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "TIFF, LZW", "PNG with alpha", "TIFF with alpha"])
def test_sixteen_bits_stay_sixteen_bits(kind: str, read: Read) -> None:
    deep = _deep_picture()
    opaque = np.dstack([deep, np.full(deep.shape[:2], 65535, np.uint16)])
    file = {
        "PNG": lambda: encoded(".png", deep[..., ::-1]),
        "TIFF": lambda: deep_tiff(deep),
        "TIFF, LZW": lambda: encoded(".tiff", deep[..., ::-1], cv2.IMWRITE_TIFF_COMPRESSION, 5),
        "PNG with alpha": lambda: encoded(".png", opaque[..., [2, 1, 0, 3]]),
        "TIFF with alpha": lambda: deep_tiff(opaque),
    }[kind]()
    photo = read(file)
    assert photo.pixels_bgr.dtype == np.uint16
    assert np.array_equal(photo.pixels_bgr[..., ::-1], deep)
    assert photo.response.shape == (65536,)


def test_ten_bit_heic_keeps_its_bits_and_its_white(read: Read) -> None:
    deep = np.zeros((HEIGHT, WIDTH, 3), np.uint16)
    deep[:, WIDTH // 2 :] = 65535
    photo = read(deep_heic(deep))
    assert photo.pixels_bgr.dtype == np.uint16
    assert photo.linear()[:, -20:].min() == pytest.approx(1, abs=1e-6)
    assert photo.linear()[:, :20].max() == pytest.approx(0, abs=1e-3)


@pytest.mark.parametrize("kind", ["PNG", "WebP", "TIFF", "AVIF", "HEIC", "palette", "16 bit PNG"])
def test_transparent_parts_become_mid_grey_and_opaque_ones_stay(kind: str, read: Read) -> None:
    alpha = np.full((HEIGHT, WIDTH), 255, np.uint8)
    alpha[:, : WIDTH // 4] = 0
    alpha[:, WIDTH // 4 : WIDTH // 2] = 51  # a fifth
    image = Image.fromarray(np.dstack([picture(), alpha]))
    deep = np.asarray(image).astype(np.uint16)[..., [2, 1, 0, 3]] * 257
    palette = Image.fromarray(np.where(alpha == 255, 1, 0).astype(np.uint8), "P")
    palette.putpalette([255, 255, 255, 10, 20, 30])
    builders: dict[str, Callable[[], bytes]] = {
        "PNG": lambda: saved(image, "PNG"),
        "WebP": lambda: saved(image, "WEBP", lossless=True, exact=True),
        "TIFF": lambda: saved(image, "TIFF"),
        "AVIF": lambda: saved(image, "AVIF", quality=100, subsampling="4:4:4"),
        "HEIC": lambda: heic(image, chroma=444),
        "palette": lambda: saved(palette, "PNG", transparency=0),
        "16 bit PNG": lambda: encoded(".png", deep),
    }
    photo = read(builders[kind]())
    share = alpha[..., None] / 255
    expected = 128 + share * (picture() - 128.0)
    if kind == "palette":
        expected = np.where(alpha[..., None] == 255, np.array([10, 20, 30]), 128)
    off = np.abs(photo.pixels_bgr[..., ::-1] * (255 / (len(photo.response) - 1)) - expected).max(2)
    assert np.median(off) <= 2 and np.quantile(off, 0.97) <= 8 if kind in ("AVIF", "HEIC") else off.max() <= 1


@pytest.mark.parametrize(
    ("pixels", "options", "words"),
    [
        (_deep_picture(), {"planar": 2}, "separate planes"),
        (_deep_picture(), {"sample_format": 2}, "unknown pixel mode"),
        (_deep_picture()[..., 0], {"sample_format": 2}, "signed or floating-point"),
    ],
)
def test_sixteen_bit_tiff_that_would_be_misread_is_refused(
    pixels: Array, options: dict[str, Any], words: str, read: Read
) -> None:
    with pytest.raises(PhotoTrouble, match=words) as trouble:
        read(deep_tiff(pixels, **options))
    assert trouble.value.code == "not-a-photo"


def test_inverted_sixteen_bit_grey_tiff_is_read_as_it_looks(read: Read) -> None:
    """Photometric interpretation 0: white is zero (TIFF 6.0)."""
    deep = _deep_picture()[..., 0]
    assert np.array_equal(read(deep_tiff(65535 - deep, photometric=0)).pixels_bgr[..., 0], deep)


def test_tiff_that_begins_with_a_preview_is_refused(read: Read) -> None:
    """Raw camera files are TIFF files whose first picture is small; bit 0 of NewSubfileType says so (TIFF 6.0)."""
    image = Image.fromarray(picture())
    with pytest.raises(PhotoTrouble, match="raw camera file") as trouble:
        read(saved(image, "TIFF", tiffinfo={254: 1}))
    assert trouble.value.code == "not-a-photo"


def test_floating_point_tiff_is_refused_with_its_type(read: Read) -> None:
    with pytest.raises(PhotoTrouble, match="'F'") as trouble:
        read(saved(Image.fromarray(picture()[..., 0].astype(np.float32)), "TIFF"))
    assert trouble.value.code == "not-a-photo"


def test_photo_without_any_tags_is_read(read: Read) -> None:
    assert read(FILES["PNG"]).camera.camera is None


def test_tags_are_read_in_every_format(read: Read) -> None:
    tags = exif(orientation=1, make="Northlight", model="P5", details={0xA405: 27})
    files = {
        "JPEG": saved(picture(), "JPEG", exif=tags),
        "PNG": saved(picture(), "PNG", exif=tags),
        "WebP": saved(picture(), "WEBP", exif=tags),
        "TIFF": saved(picture(), "TIFF", exif=tags.tobytes()),
        "AVIF": saved(picture(), "AVIF", exif=tags),
        "HEIC": heic(picture(), tags=tags),
    }
    found = {kind: (read(file).camera.camera, read(file).camera.focal_35mm) for kind, file in files.items()}
    assert found == dict.fromkeys(files, ("Northlight P5", 27.0))
