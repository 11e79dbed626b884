"""Profiles read from pixels, places on stretches, sides that are not straight, the table outside, and tone curves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm  # type: ignore[import-untyped]
from square_pictures import developed, photo_of

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project, rotation_matrix
from cardmeasure.edges import looks as lk
from cardmeasure.edges.bends import FEWEST, bends_px, bow, course_px
from cardmeasure.edges.channels import plain_channels
from cardmeasure.edges.points import EdgePoints
from cardmeasure.edges.profiles import Profiles, Reach, Stretches, sample_profiles, whole_sides
from cardmeasure.edges.shading import open_shading
from cardmeasure.edges.stretches import edge_offsets
from cardmeasure.edges.tables import is_table
from cardmeasure.edges.tone import MOST_TONE, tone_shift_px
from cardmeasure.photo.colour import response_curve

Floats = NDArray[np.float64]

REACH = Reach(inner_px=6.0, outer_px=6.0)
FACE, TABLE, BLUR_PX = 0.7, 0.08, 0.85


def _photo_of_a_card(turn_deg: float) -> tuple[NDArray[np.uint8], Camera, Floats]:
    """A bright card on a dark table, straight from above at 5 px/mm, each pixel the mean over 4 x 4 places."""
    camera = Camera(
        rotation=rotation_matrix(np.zeros(3)), translation_mm=np.array([0.0, 0.0, 300.0]), focal_px=1500.0,
        principal_px=np.array([180.3, 169.6]), distortion=np.zeros(5),
    )  # fmt: skip
    quad = np.zeros(qd.PARAMETERS)
    quad[: qd.HEIGHT + 1] = 1.7, -2.1, np.radians(turn_deg), 34.2, 51.7
    offset = (np.arange(4) + 0.5) / 4 - 0.5
    x, y = ((np.arange(n)[:, None] + offset).ravel() for n in (360, 340))
    dx, dy = np.meshgrid((x - 180.3) / 5 - quad[0], (y - 169.6) / 5 - quad[1])
    c, s = np.cos(quad[qd.TURN]), np.sin(quad[qd.TURN])
    # places that the edge crosses count in part, or a side along the pixel rows would be drawn off by 1/8 px
    across, down = (
        quad[size] / 2 - np.abs(p) for size, p in ((qd.WIDTH, c * dx + s * dy), (qd.HEIGHT, c * dy - s * dx))
    )
    on_card = np.clip(across * 20 + 0.5, 0, 1) * np.clip(down * 20 + 0.5, 0, 1)
    light = (TABLE + (FACE - TABLE) * on_card).reshape(340, 4, 360, 4).mean(axis=(1, 3))
    return developed(light, blur_px=0.8), camera, quad


def _plain(n: int, *, blur: float = BLUR_PX) -> Floats:
    """Looks (n, 15) of sides without wall, shadow and sharpening."""
    looks = np.zeros((n, lk.PARAMETERS))
    looks[:, lk.BLUR], looks[:, lk.SHADE], looks[:, lk.FACE], looks[:, lk.TABLE] = blur, 1.0, FACE, TABLE
    return looks


@pytest.mark.parametrize("stretches", [Stretches(), Stretches(every=3, phases=1)], ids=["fine", "coarse"])
@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 7.0, 38.0, 52.0, 97.0, 200.0, -71.0])
def test_all_four_sides_are_placed_right_at_any_turn(turn_deg: float, stretches: Stretches) -> None:
    """Profiles read from pixels across a side predicted 0.4 px too far in or out, in every direction of the picture."""
    pixels, camera, quad = _photo_of_a_card(turn_deg)
    for grown in (-0.4, 0.4):
        predicted = quad.copy()
        predicted[[qd.WIDTH, qd.HEIGHT]] += 2 * grown / 5
        profiles = sample_profiles(photo_of(pixels), camera, predicted[None], reach=REACH, stretches=stretches)
        assert profiles.inside.all()
        assert set(profiles.side.tolist()) == {0, 1, 2, 3}
        assert (np.diff(profiles.distance_px, axis=1) > 0).all(), "distances ascend"
        middle = project(camera, np.array([[quad[0], quad[1], 0.0]]))
        assert (((profiles.px - middle) * profiles.normal).sum(axis=1) > 0).all(), "normals point outward"
        found = edge_offsets(
            profiles.distance_px,
            profiles.light,
            profiles.weight,
            looks=_plain(len(profiles.card)),
            channels=plain_channels(len(profiles.card)),
            shading=open_shading(len(profiles.card)),
        )
        for side in range(4):
            error = found.place_px[profiles.side == side] + grown
            assert np.abs(error).max() < 0.08
            assert abs(error.mean()) < 0.03


def test_whole_sides_are_the_means_of_their_stretches() -> None:
    pixels, camera, quad = _photo_of_a_card(23.0)
    fine = sample_profiles(photo_of(pixels), camera, quad[None], reach=REACH, stretches=Stretches())
    whole = whole_sides(fine, 1)
    for side in range(4):
        mine = fine.side == side
        total = fine.weight[mine].sum(axis=0)
        np.testing.assert_allclose(whole.weight[side], total)
        light = (fine.light[mine] * fine.weight[mine][..., None]).sum(axis=0)
        np.testing.assert_allclose(whole.light[side] * np.maximum(total, 1)[:, None], light, rtol=1e-4, atol=1e-4)


def test_a_side_beyond_the_picture_is_not_inside() -> None:
    pixels, camera, quad = _photo_of_a_card(0.0)
    quad[qd.X] -= 25.0
    profiles = sample_profiles(photo_of(pixels), camera, quad[None], reach=REACH, stretches=Stretches())
    assert not profiles.inside[profiles.side == 3].any()
    assert profiles.inside[profiles.side == 1].all()


def _profiles(places: Floats, noise: float = 0.0, seed: int = 1) -> tuple[Floats, Floats, Floats]:
    x = np.tile(np.arange(-6.0, 6.0, 0.5), (len(places), 1))
    share = norm.cdf((x - places[:, None]) / BLUR_PX)[..., None]
    light = FACE + (TABLE - FACE) * share * np.ones(3)
    return x, light + np.random.default_rng(seed).normal(0, 1, light.shape) * noise, np.full(x.shape, 20.0)


def test_shifted_stretches_are_found_where_they_are() -> None:
    places = np.linspace(-0.9, 0.9, 13)
    found = edge_offsets(
        *_profiles(places),
        looks=_plain(len(places)),
        channels=plain_channels(len(places)),
        shading=open_shading(len(places)),
    )
    np.testing.assert_allclose(found.place_px, places, atol=0.01)


def test_the_uncertainty_of_stretches_is_that_of_their_noise() -> None:
    places = np.zeros(400)
    found = edge_offsets(
        *_profiles(places, noise=0.02),
        looks=_plain(len(places)),
        channels=plain_channels(len(places)),
        shading=open_shading(len(places)),
    )
    assert abs(found.place_px.mean()) < 0.01
    assert 0.7 < np.sqrt(np.mean((found.place_px / found.u_px) ** 2)) < 1.3


def _points(residuals: Floats, along: Floats) -> EdgePoints:
    n = len(along)
    return EdgePoints(
        card=np.zeros(n, np.intp), side=np.ones(n, np.intp), along=along, px=np.zeros((n, 2)),
        normal=np.zeros((n, 2)), u_px=np.full(n, 0.05), tone_px=np.zeros(n), brighter=np.ones(n, bool),
        u_bias_px=np.zeros((1, 4)),
    )  # fmt: skip


def test_a_bend_is_found_beside_an_outlier_and_a_straight_side_has_none() -> None:
    along = np.linspace(-0.9, 0.9, 12)
    residuals = 1.2 * bow(along) + 0.3 + 0.2 * along
    residuals[3] += 3.0
    assert bends_px(_points(residuals, along), residuals) == pytest.approx([0, 1.2, 0, 0], abs=0.25)
    straight = 0.02 * np.cos(9 * along)
    assert not bends_px(_points(straight, along), straight).any()


def test_too_few_points_show_no_bend() -> None:
    along = np.linspace(-0.9, 0.9, FEWEST - 1)
    assert not bends_px(_points(bow(along), along), 2.0 * bow(along)).any()
    along = np.linspace(-0.9, 0.9, FEWEST)
    assert bends_px(_points(bow(along), along), 2.0 * bow(along)) == pytest.approx([0, 2.0, 0, 0], abs=0.01)


def test_sixteen_bit_photos_give_the_same_profiles() -> None:
    """Code values times 257, with the response of as many levels."""
    pixels, camera, quad = _photo_of_a_card(31.0)
    small = photo_of(pixels)
    large = replace(
        small, pixels_bgr=small.pixels_bgr.astype(np.uint16) * 257, response=response_curve(levels=65536, white=65535)
    )
    a, b = (sample_profiles(p, camera, quad[None], reach=REACH, stretches=Stretches()) for p in (small, large))
    np.testing.assert_allclose(a.light, b.light, rtol=0, atol=1e-5)
    np.testing.assert_array_equal(a.distance_px, b.distance_px)


def test_the_course_of_a_side_follows_large_residuals_and_not_small_ones() -> None:
    along = np.linspace(-0.9, 0.9, 10)
    here = Profiles(
        card=np.zeros(3, np.intp), side=np.ones(3, np.intp), along=np.array([-0.9, 0.1, 0.9]), px=np.zeros((3, 2)),
        normal=np.zeros((3, 2)), distance_px=np.zeros((3, 1)), light=np.zeros((3, 1, 3)), weight=np.ones((3, 1)),
        inside=np.ones(3, bool),
    )  # fmt: skip
    assert course_px(_points(along, along), 2.0 * along, here) == pytest.approx([-1.8, 0.2, 1.8], abs=0.1)
    assert np.abs(course_px(_points(along, along), 0.02 * along, here)).max() < 0.001


def test_a_border_outside_a_frame_line_is_no_table_and_a_shadow_is() -> None:
    rng = np.random.default_rng(3)
    px = rng.uniform(0, 3000, (24, 2))
    table = np.array([0.05, 0.12, 0.2]) * (1 + 1e-4 * px[:, :1]) * rng.normal(1, 0.02, (24, 3))
    assert is_table(table, px).all()
    changed = table.copy()
    changed[5] = 0.6  # a white border
    changed[9] = [0.2, 0.1, 0.05]  # of another colour
    changed[14] *= 0.5  # a shadow
    assert np.flatnonzero(~is_table(changed, px)).tolist() == [5, 9]


@pytest.mark.parametrize(("face", "table"), [(0.8, 0.05), (0.05, 0.5), (0.6, 0.3), (0.2, 0.9)])
@pytest.mark.parametrize("blur", [0.8, 1.5])
def test_the_shift_of_a_wrong_tone_curve_is_that_of_an_experiment(face: float, table: float, blur: float) -> None:
    """Light bent to L^(1 + e): by how much the place of equal areas moves, per e, for small e of either sign."""
    stated = float(tone_shift_px(np.array([face]), np.array([table]), np.array([blur]))[0])
    x = np.linspace(-8 * blur, 8 * blur, 20001)
    share = norm.cdf(x / blur)
    light = face + (table - face) * share
    moved = []
    for e in (-0.02, 0.02):
        bent = light ** (1 + e)
        normal = (bent - face ** (1 + e)) / (table ** (1 + e) - face ** (1 + e))
        moved.append(-float(np.trapezoid(normal - share, x)))
    expected = np.clip((moved[1] - moved[0]) / 0.04, -MOST_TONE * blur, MOST_TONE * blur)
    assert stated == pytest.approx(float(expected), rel=0.05)
