"""From light to picture file: blur, smear, fringes, noise, tone curves, sharpening, orientation, formats."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageOps

from calibration.rig.camera import focal_px_of, pose_above, rays
from calibration.rig.develop import TONES, add_noise, develop, display, expose, magnified, shake_kernel, srgb_encode
from calibration.rig.draws import bank_card
from calibration.rig.scene import Camera, Light, Mat, Place, Post, Sampling, Scene, Square
from calibration.rig.shots import FORMATS, save_picture, write_shot

Singles = NDArray[np.float32]


def small_camera(*, width: int = 120, height: int = 80) -> Camera:
    """A camera that sees some 330 mm of the table."""
    f = focal_px_of(26.0, width=width, height=height)
    rotation, centre = pose_above(target_mm=(0.0, 0.0), distance_mm=330.0)
    return Camera(
        width=width,
        height=height,
        focal_px=f,
        principal_px=((width - 1) / 2, (height - 1) / 2),
        rotation=rotation,
        centre_mm=centre,
    )


def bare_scene() -> Scene:
    """A square and a bank card on felt."""
    return Scene(
        camera=small_camera(width=240, height=180),
        light=Light(lamps=(), ambient=(1.0, 1.0, 1.0)),
        mat=Mat(name="even"),
        squares=(Square(design="square-80", place=Place(x_mm=-40.0, y_mm=0.0, turn_deg=10.0)),),
        cards=(replace(bank_card(np.random.default_rng(1)), place=Place(x_mm=50.0, y_mm=5.0)),),
        post=Post(blur_px=0.6),
        sampling=Sampling(plain=1, face=2, print=4, edge=6, lamp=1),
    )


def middle_of(picture: Singles) -> tuple[float, float]:
    """Centroid (x, y) of a picture's light."""
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    return float((picture * x).sum() / picture.sum()), float((picture * y).sum() / picture.sum())


def test_blur_and_smear_move_nothing() -> None:
    """A point of light keeps its place and its energy through defocus and hand shake."""
    light = np.zeros((80, 120, 3), np.float32)
    light[30, 50] = 1.0
    spread = expose(light, Post(blur_px=1.3, shake_px=3.7, shake_deg=31.0), small_camera())[..., 1]
    np.testing.assert_allclose(middle_of(spread), (50, 30), atol=1e-4)
    assert float(spread.sum()) == pytest.approx(1.0, abs=1e-5)


def test_a_smear_is_as_long_as_asked() -> None:
    """Second moment of a line of length L along it: L squared over 12, and no more than a pixel's across it."""
    kernel = shake_kernel(6.0, 90.0)
    y, x = np.mgrid[: len(kernel), : len(kernel)] - len(kernel) // 2
    assert float((kernel * y**2).sum()) == pytest.approx(36 / 12, abs=0.2)
    assert float((kernel * x**2).sum()) < 1e-6


def test_lateral_colour_moves_a_channel_away_from_the_principal_point() -> None:
    """A blurred dot 40 px from the principal point, magnified by 1.005: 0.2 px further out."""
    y, x = np.mgrid[:80, :120]
    dot = np.exp(-((x - 99.5) ** 2 + (y - 39.5) ** 2) / (2 * 1.5**2)).astype(np.float32)
    moved = magnified(dot, 59.5, 39.5, 1.005)
    np.testing.assert_allclose(middle_of(moved), (99.7, 39.5), atol=0.003)


@pytest.mark.parametrize("grain_px", [0.0, 0.8])
def test_noise_has_the_variance_asked_for(grain_px: float) -> None:
    """Variance over a flat field is shot * value + read squared, smoothed or not."""
    post = Post(shot=2e-3, read=5e-3, grain_px=grain_px)
    flat = np.full((300, 400, 3), 0.25, np.float32)
    noise = add_noise(flat, post, 11) - flat
    assert float(noise.var()) == pytest.approx(2e-3 * 0.25 + 25e-6, rel=0.05)
    assert abs(float(noise.mean())) < 3e-4


def test_noise_differs_by_seed_only() -> None:
    """The same seed gives the same noise, another one another."""
    flat = np.full((20, 20, 3), 0.25, np.float32)
    np.testing.assert_array_equal(add_noise(flat, Post(), 1), add_noise(flat, Post(), 1))
    assert np.abs(add_noise(flat, Post(), 1) - add_noise(flat, Post(), 2)).max() > 0


@pytest.mark.parametrize("name", sorted(TONES))
def test_tone_curves_rise_from_black_to_white(name: str) -> None:
    """Every curve keeps 0 and 1 and rises strictly in between."""
    curve = TONES[name](np.linspace(0, 1, 1001, dtype=np.float32))
    np.testing.assert_allclose(curve[[0, -1]], (0, 1), atol=1e-5)
    assert (np.diff(curve) > 0).all()


def test_the_srgb_curve_is_that_of_the_standard() -> None:
    """Values of IEC 61966-2-1 (from memory): 0.0031308 is 0.04045; 0.2140 is 0.5000 within rounding."""
    np.testing.assert_allclose(srgb_encode(np.array([0.0031308, 0.21404], np.float32)), (0.04045, 0.5), atol=1e-4)


def test_sharpening_overshoots_on_both_sides_of_an_edge() -> None:
    """An unsharp mask makes the dark side darker and the bright side brighter, and leaves plain areas alone."""
    light = np.full((40, 60, 3), 0.1, np.float32)
    light[:, 30:] = 0.4
    plain, sharp = (display(light, Post(sharpen=a, sharpen_px=1.0))[20, :, 1] for a in (0.0, 0.6))
    assert sharp[29] < plain[29] - 0.02
    assert sharp[30] > plain[30] + 0.02
    np.testing.assert_allclose(sharp[[5, 55]], plain[[5, 55]], atol=1e-5)


def test_an_exposure_beyond_white_is_clipped() -> None:
    """White that is too bright becomes 255, black stays 0."""
    light = np.zeros((10, 10, 3), np.float32)
    light[:, 5:] = 3.0
    picture = develop(light, Post(blur_px=0.0, shot=0.0, read=0.0), camera=small_camera(width=10, height=10), seed=0)
    assert picture[5, 1].tolist() == [0, 0, 0]
    assert picture[5, 8].tolist() == [255, 255, 255]


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".heic"])
def test_a_stored_picture_is_upright_once_its_orientation_is_applied(
    tmp_path: Path, orientation: int, suffix: str
) -> None:
    """Eight orientations, three formats: turned by an outside library (Pillow), the photo is the upright one."""
    y, x = np.mgrid[:48, :64]
    picture = np.stack([4 * x, 5 * y, 2 * x + y], -1).astype(np.uint8)
    path = tmp_path / f"a{suffix}"
    save_picture(picture, path, Post(quality=95, orientation=orientation))
    upright = np.asarray(ImageOps.exif_transpose(Image.open(path)).convert("RGB")).astype(int)
    assert upright.shape == picture.shape
    assert np.abs(upright - picture).mean() < 6
    assert [file.name for file in tmp_path.iterdir()] == [path.name]


def test_exif_says_what_the_phone_would_say(tmp_path: Path) -> None:
    """Make, model, orientation and the rounded 35 mm equivalent; no tag at all where it is None; never a place."""
    picture = np.zeros((8, 8, 3), np.uint8)
    save_picture(picture, tmp_path / "a.jpg", Post(orientation=6, focal_35mm_tag=25))
    save_picture(picture, tmp_path / "b.jpg", Post(focal_35mm_tag=None))
    first, second = (Image.open(tmp_path / name).getexif() for name in ("a.jpg", "b.jpg"))
    assert (first[0x010F], first[0x0110], first[0x0112]) == ("Fjordlys", "Fjordlys P2", 6)
    assert first.get_ifd(0x8769)[0xA405] == 25
    assert 0xA405 not in second.get_ifd(0x8769)
    assert 0x8825 not in first


def test_every_format_is_written(tmp_path: Path) -> None:
    """Each suffix makes a file that Pillow opens in the right size."""
    for suffix in FORMATS:
        save_picture(np.full((40, 60, 3), 90, np.uint8), tmp_path / f"a{suffix}", Post())
        assert Image.open(tmp_path / f"a{suffix}").size == (60, 40)


def test_a_shot_is_the_same_for_the_same_seed_and_has_its_truth_beside_it(tmp_path: Path) -> None:
    """Two runs write the same bytes, another seed others; the truth names the photo."""
    scene = bare_scene()
    for name, seed in (("a.png", 3), ("b.png", 3), ("c.png", 4)):
        write_shot(scene, tmp_path / name, seed=seed)
    a, b, c = (np.asarray(Image.open(tmp_path / name)) for name in ("a.png", "b.png", "c.png"))
    np.testing.assert_array_equal(a, b)
    assert (a != c).any()
    assert json.loads((tmp_path / "a.truth.json").read_text())["photo"] == "a.png"


def test_what_lies_off_the_focused_distance_is_blurred_as_the_thin_lens_says() -> None:
    """Spread of points of light in a tilted view: none added in the middle, |1 - s/d| times the factor off it."""
    f = 300.0
    rotation, centre = pose_above(target_mm=(0.0, 0.0), distance_mm=300.0, tilt_deg=30.0, azimuth_deg=90.0)
    camera = replace(small_camera(width=240, height=180), focal_px=f, principal_px=(119.5, 89.5), rotation=rotation,
                     centre_mm=centre)  # fmt: skip
    post = Post(blur_px=0.8, defocus_px=6.0)
    for row in (90, 30, 150):
        light = np.zeros((180, 240, 3), np.float32)
        light[row, 120] = 1.0
        spread = expose(light, post, camera)[..., 1].astype(np.float64)
        x, _ = middle_of(spread.astype(np.float32))
        sigma = math.sqrt((spread.sum(0) * (np.arange(240) - x) ** 2).sum())
        ray = rays(camera, np.array([[120.0, row]]))[0]
        distance = -centre[2] / ray[2]  # along the axis: rays have a unit component there
        expected = math.hypot(0.8, 6.0 * abs(1 - 300.0 / distance))
        assert sigma == pytest.approx(expected, rel=0.05)


def test_a_lens_is_softer_in_the_corners() -> None:
    """Spread of a point of light in the very corner region against the middle's."""
    camera = replace(small_camera(width=240, height=180), principal_px=(119.5, 89.5))
    wide = []
    for x, y in ((120, 90), (228, 168)):
        light = np.zeros((180, 240, 3), np.float32)
        light[y, x] = 1.0
        spread = expose(light, Post(blur_px=0.7, field_px=1.2), camera)[..., 1].astype(np.float64)
        middle = (spread.sum(0) * np.arange(240)).sum() / spread.sum()
        wide.append(math.sqrt((spread.sum(0) * (np.arange(240) - middle) ** 2).sum() / spread.sum()))
    assert wide[0] == pytest.approx(0.7, abs=0.03)
    r2 = (108.5**2 + 78.5**2) / (119.5**2 + 89.5**2)
    assert wide[1] == pytest.approx(math.hypot(0.7, 1.2 * r2), rel=0.05)
