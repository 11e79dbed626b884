"""Code values become linear light by the right curve, and embedded profiles are honoured."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from photo_files import (
    HEIGHT,
    P3_PRIMARIES,
    SRGB_CURVE,
    SRGB_PRIMARIES,
    WIDE_PRIMARIES,
    WIDTH,
    Array,
    encoded,
    gamma_curve,
    heic,
    icc_profile,
    picture,
    png_with_profile,
    saved,
    textured,
)
from PIL import Image, ImageCms

from cardmeasure.photo import Photo, read_photo
from cardmeasure.photo.colour import HLG, PQ, as_bgr, has_srgb_tone, response_curve

Read = Callable[[bytes], Photo]
WIDE = icc_profile(b"RGB ", gamma_curve(2.19921875), WIDE_PRIMARIES)
DISPLAY_P3 = icc_profile(b"RGB ", SRGB_CURVE, P3_PRIMARIES)
SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def read_bytes(file: bytes) -> Photo:
        path = tmp_path / "photo"
        path.write_bytes(file)
        return read_photo(path)

    return read_bytes


@pytest.mark.parametrize(("code", "linear"), [(0, 0), (10, 10 / 255 / 12.92), (128, 0.2158605), (255, 1)])
def test_response_of_eight_bits_is_the_srgb_curve(code: int, linear: float) -> None:
    """IEC 61966-2-1; 128 gives 0.21586 in the widely published tables."""
    assert response_curve(levels=256, white=255)[code] == pytest.approx(linear, abs=1e-6)


def test_response_of_sixteen_bits_passes_through_that_of_eight() -> None:
    eight, sixteen = response_curve(levels=256, white=255), response_curve(levels=65536, white=65535)
    assert sixteen.dtype == np.float32
    assert np.allclose(sixteen[::257], eight, atol=1e-7)


@given(bits=st.sampled_from([10, 12, 16]), curve=st.sampled_from([2, 13, HLG, PQ]))
def test_response_rises_from_0_to_1_and_stays_there(bits: int, curve: int) -> None:
    white = 65536 - (1 << (16 - bits))
    response = response_curve(levels=65536, white=white, curve=curve)
    assert response[0] == pytest.approx(0, abs=1e-6)
    assert np.all(response[white:] == pytest.approx(1, abs=2e-6))
    assert np.all(np.diff(response) >= 0)


def test_high_dynamic_range_curves_meet_their_published_points() -> None:
    """ITU-R BT.2100: a hybrid log-gamma of 1/2 is a light of 1/12; 0.5081 of the quantizer is 100 cd/m2 (BT.2408)."""
    assert response_curve(levels=65536, white=65534, curve=HLG)[32767] == pytest.approx(1 / 12, abs=1e-6)
    assert response_curve(levels=65536, white=65535, curve=PQ)[round(0.5081 * 65535)] * 1000 == pytest.approx(
        100, abs=0.1
    )


@pytest.mark.parametrize(("transfer", "curve"), [(16, PQ), (18, HLG), (13, 13), (1, 13)])
def test_heic_names_its_curve_in_the_container(transfer: int, curve: int, read: Read) -> None:
    photo = read(heic(picture(), transfer_characteristics=transfer, save_nclx_profile=True))
    assert np.array_equal(photo.response, response_curve(levels=256, white=255, curve=curve))


@pytest.mark.parametrize("profile", [SRGB, DISPLAY_P3], ids=["sRGB", "Display P3"])
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "16 bit PNG"])
def test_profiles_with_the_curve_of_srgb_leave_the_pixels_untouched(kind: str, profile: bytes, read: Read) -> None:
    assert has_srgb_tone(profile)
    if kind == "16 bit PNG":
        plain = encoded(".png", textured().astype(np.uint16) * 250)
        profiled = png_with_profile(plain, profile)
    else:
        options: dict[str, dict[str, Any]] = {"JPEG": {"quality": 95}, "WEBP": {"lossless": True}}
        plain = saved(textured(), kind, **options.get(kind, {}))
        profiled = saved(textured(), kind, icc_profile=profile, **options.get(kind, {}))
    assert plain != profiled
    assert np.array_equal(read(profiled).pixels_bgr, read(plain).pixels_bgr)
    assert np.array_equal(read(profiled).response, read(plain).response)


def _as_srgb(codes_rgb: Array, primaries: Array, gamma: float) -> Array:
    """The conversion in plain arithmetic: 0..1 in, sRGB 0..1 out, clipped."""
    linear = codes_rgb**gamma @ (np.linalg.inv(SRGB_PRIMARIES) @ primaries).T
    clipped = np.clip(linear, 0, 1)
    return np.asarray(np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055))


def _muted_ramp() -> Array:
    """Greys and muted colours from dark to light, inside sRGB, (H, W, 3) uint8."""
    ramp = np.linspace(25, 230, WIDTH)[None, :, None] * np.ones((HEIGHT, 1, 3))
    ramp[HEIGHT // 2 :] *= [1, 0.93, 0.88]
    return np.rint(ramp).astype(np.uint8)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "AVIF", "HEIC"])
def test_other_profiles_are_converted_to_srgb(kind: str, read: Read) -> None:
    ramp = _muted_ramp()
    if kind == "HEIC":
        image = Image.fromarray(ramp)
        image.info["icc_profile"] = WIDE
        file = heic(image, chroma=444)
    else:
        options: dict[str, dict[str, Any]] = {
            "JPEG": {"quality": 98, "subsampling": 0},
            "WEBP": {"lossless": True},
            "AVIF": {"quality": 100, "subsampling": "4:4:4"},
        }
        file = saved(ramp, kind, icc_profile=WIDE, **options.get(kind, {}))
    assert not has_srgb_tone(WIDE)
    seen = read(file).pixels_bgr[..., ::-1]
    expected = 255 * _as_srgb(ramp / 255, WIDE_PRIMARIES, 2.19921875)
    assert np.abs(expected - ramp).max() > 5, "the conversion must be able to show"
    assert np.abs(seen - expected).max() <= (1.1 if kind in ("PNG", "TIFF", "WEBP") else 5)


def test_linear_light_is_that_of_the_profile(read: Read) -> None:
    """A grey under a gamma of 2.2 is the same light after conversion and response, to the rounding of 8 bits."""
    greys = np.tile(np.linspace(40, 250, WIDTH).astype(np.uint8)[None, :, None], (HEIGHT, 1, 3))
    photo = read(saved(greys, "PNG", icc_profile=WIDE))
    assert np.abs(photo.linear() - (greys / 255) ** 2.19921875).max() < 0.005


def test_grey_profile_is_applied_to_a_grey_picture_only(read: Read) -> None:
    grey_gamma = icc_profile(b"GRAY", gamma_curve(1.8))
    ramp = _muted_ramp()[..., 0]
    seen = read(saved(ramp, "PNG", icc_profile=grey_gamma)).pixels_bgr
    expected = 255 * _as_srgb(np.repeat(ramp[..., None] / 255, 3, axis=2), SRGB_PRIMARIES, 1.8)
    assert np.abs(seen - expected).max() <= 1.1
    assert np.array_equal(read(saved(picture(), "PNG", icc_profile=grey_gamma)).pixels_bgr[..., ::-1], picture())


def test_colour_profile_is_applied_to_a_grey_jpeg(read: Read) -> None:
    grey = Image.fromarray(_muted_ramp()[..., 0])
    seen = read(saved(grey, "JPEG", quality=98, icc_profile=WIDE)).pixels_bgr[: HEIGHT // 2]
    expected = 255 * _as_srgb(_muted_ramp()[: HEIGHT // 2] / 255, WIDE_PRIMARIES, 2.19921875)
    assert np.abs(seen - expected).max() <= 3


def test_sixteen_bits_with_another_profile_are_converted_in_eight(read: Read) -> None:
    deep = _muted_ramp()[..., ::-1].astype(np.uint16) * 257
    photo = read(png_with_profile(encoded(".png", deep), WIDE))
    assert photo.pixels_bgr.dtype == np.uint8
    assert photo.response.shape == (256,)
    expected = 255 * _as_srgb(_muted_ramp() / 255, WIDE_PRIMARIES, 2.19921875)
    assert np.abs(photo.pixels_bgr[..., ::-1] - expected).max() <= 1.1


@pytest.mark.parametrize("profile", [b"", b"nonsense", WIDE[:200], WIDE[:140] + bytes(400)])
def test_damaged_profile_leaves_the_pixels_untouched(profile: bytes, read: Read) -> None:
    assert np.array_equal(read(saved(picture(), "PNG", icc_profile=profile)).pixels_bgr[..., ::-1], picture())


@given(alpha=st.integers(0, 255), code=st.integers(0, 255))
def test_flattening_lies_between_the_colour_and_mid_grey(alpha: int, code: int) -> None:
    pixels = np.full((2, 2, 4), code, np.uint8)
    pixels[..., 3] = alpha
    flat = as_bgr(pixels)
    low, high = sorted((code, 128))
    assert flat.shape == (2, 2, 3)
    assert low <= flat.min() and flat.max() <= high
    if alpha in (0, 255):
        assert np.all(flat == (code if alpha else 128))
