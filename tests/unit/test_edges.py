"""Edges: blurred steps fitted in linear light, with and without a side wall; profiles read from pixels; tone curves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import norm  # type: ignore[import-untyped]
from square_pictures import developed, photo_of, srgb

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project, rotation_matrix
from cardmeasure.edges.measuring import tone_shift_px
from cardmeasure.edges.profiles import BIN_PX, Stretches, sample_profiles
from cardmeasure.edges.steps import BLUR, FACE, PLACE, TABLE, StepPriors, Steps, fit_steps
from cardmeasure.numerics import normal_cdf, normal_pdf

Floats = NDArray[np.float64]

DISTANCE_PX = (np.arange(-16, 16) + 0.5) * BIN_PX


def _step(
    face: Floats, table: Floats, *, place: Floats, blur: Floats, wall: Floats | None = None, width: Floats | None = None
) -> Floats:
    """Linear light (n, b) of a step at `place`, with a wall of `width` pixels outside it or without one."""
    level = np.zeros_like(face) if wall is None else wall
    wide = np.zeros_like(face) if width is None else width
    c1 = norm.cdf((DISTANCE_PX - place[:, None]) / blur[:, None])
    c2 = norm.cdf((DISTANCE_PX - (place + wide)[:, None]) / blur[:, None])
    f, w, t = face[:, None], level[:, None], table[:, None]
    return np.asarray(f * (1 - c1) + w * (c1 - c2) + t * c2)


def _fitted(light: Floats, *, blur: Floats, width: Floats | None = None, u_wall: float = 0.1) -> Steps:
    n = len(light)
    priors = StepPriors(
        wall=np.full(n, 0.4), u_wall=np.full(n, u_wall), blur_px=blur, u_blur_px=0.2 * blur,
        place_px=np.zeros(n), u_place_px=np.full(n, 1.5),
    )  # fmt: skip
    wall_px = np.zeros(n) if width is None else width
    weight = np.full(light.shape, 8.0)
    return fit_steps(DISTANCE_PX, light, weight, wall_px=wall_px, priors=priors, start_px=np.zeros(n))


def test_the_normal_distribution_is_that_of_scipy() -> None:
    z = np.linspace(-8, 8, 4001)
    np.testing.assert_allclose(normal_cdf(z), norm.cdf(z), rtol=0, atol=1e-7)
    np.testing.assert_allclose(normal_pdf(z), norm.pdf(z), rtol=0, atol=1e-12)


@settings(deadline=None)
@given(
    levels=st.tuples(st.floats(0.02, 0.9), st.floats(0.02, 0.9)).filter(lambda v: abs(v[0] - v[1]) > 0.1),
    place=st.floats(-1.2, 1.2),
    blur=st.floats(0.6, 1.6),
)
def test_a_step_without_a_wall_is_placed_to_a_hundredth_of_a_pixel(
    levels: tuple[float, float], place: float, blur: float
) -> None:
    face, table, p, b = (np.array([v]) for v in (*levels, place, blur))
    steps = _fitted(_step(face, table, place=p, blur=b), blur=1.1 * b)
    assert steps.place_px[0] == pytest.approx(place, abs=0.01)
    assert steps.parameters[0, BLUR] == pytest.approx(blur, rel=0.03)
    assert steps.parameters[0, [FACE, TABLE]] == pytest.approx(levels, abs=0.01)


def test_noisy_steps_are_placed_without_bias() -> None:
    """Four hundred steps with noise: the mean error is below a hundredth of a pixel and no more than u says."""
    rng = np.random.default_rng(7)
    n = 400
    place, blur = rng.uniform(-1, 1, n), rng.uniform(0.7, 1.4, n)
    face, table = rng.uniform(0.4, 0.9, n), rng.uniform(0.02, 0.2, n)
    light = _step(face, table, place=place, blur=blur) + rng.normal(0, 0.02, (n, len(DISTANCE_PX)))
    steps = _fitted(light, blur=blur)
    error = steps.place_px - place
    u = np.sqrt(steps.covariance[:, PLACE, PLACE])
    assert abs(error.mean()) < 0.01
    assert 0.4 < np.sqrt(np.mean((error / u) ** 2)) < 1.15, "u also holds the model's own limits, so below 1"


def test_a_wall_of_known_width_is_allowed_for_within_the_covariance() -> None:
    """Walls whose level is drawn from its prior: errors over u are below 1 in the rms, and the mean error is small.

    A plain two-level step would be wrong by most of the wall's width.
    """
    rng = np.random.default_rng(8)
    n = 400
    place, blur, width = rng.uniform(-0.5, 0.5, n), np.full(n, 0.9), rng.uniform(0.3, 2.5, n)
    face, table = rng.uniform(0.02, 0.9, n), rng.uniform(0.02, 0.15, n)
    wall = np.clip(rng.normal(0.4, 0.1, n), 0.05, None)
    light = _step(face, table, place=place, blur=blur, wall=wall, width=width)
    clear = np.abs(face - wall) > 0.15
    light += rng.normal(0, 0.004, light.shape)
    steps = _fitted(light[clear], blur=blur[clear], width=width[clear])
    error = steps.place_px - place[clear]
    u = np.sqrt(steps.covariance[:, PLACE, PLACE])
    assert np.sqrt(np.mean((error / u) ** 2)) < 1.1
    assert (np.abs(error) < 3 * u).mean() > 0.98
    assert abs(error.mean()) < 0.02
    plain = _fitted(light[clear], blur=blur[clear]).place_px - place[clear]
    assert np.abs(plain).mean() > 3 * np.abs(error).mean()


@pytest.mark.parametrize("face", [0.41, 0.9, 0.05])
def test_the_answer_to_a_wrong_wall_width_is_as_stated(face: float) -> None:
    """`by_width` against fits with the wall taken 0.05 px too wide and too narrow: white, whiter and dark borders.

    Where the border is as bright as the wall only the outer step shows, so the place moves inward by the whole width.
    """
    one = np.ones(1)
    light = _step(face * one, 0.06 * one, place=0 * one, blur=0.9 * one, wall=0.4 * one, width=1.2 * one)
    narrow, right, wide = (_fitted(light, blur=0.9 * one, width=w * one) for w in (1.15, 1.2, 1.25))
    assert right.by_width[0] == pytest.approx((wide.place_px[0] - narrow.place_px[0]) / 0.1, rel=0.1, abs=0.05)
    if face == 0.41:
        assert right.by_width[0] == pytest.approx(-1.0, abs=0.15)


@pytest.mark.parametrize(("face", "table"), [(0.85, 0.05), (0.03, 0.6)])
def test_linear_light_is_right_where_display_values_are_off(face: float, table: float) -> None:
    """The same blurred edge, fitted in light and in sRGB's code values: these place it towards the dark side."""
    one = np.ones(1)
    light = _step(face * one, table * one, place=0.2 * one, blur=1.0 * one)
    right, wrong = (_fitted(values, blur=one).place_px[0] for values in (light, srgb(light)))
    assert right == pytest.approx(0.2, abs=0.01)
    towards_dark = 1.0 if face > table else -1.0
    assert towards_dark * (wrong - 0.2) > 0.15


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
    assert stated == pytest.approx((moved[1] - moved[0]) / 0.04, rel=0.05)


def _photo_of_a_card(turn_deg: float) -> tuple[NDArray[np.uint8], Camera, Floats]:
    """A bright card on a dark table, straight from above at 5 px/mm, each pixel the mean over 4 x 4 places."""
    camera = Camera(
        rotation=rotation_matrix(np.zeros(3)), translation_mm=np.array([0.0, 0.0, 300.0]), focal_px=1500.0,
        principal_px=np.array([180.3, 169.6]), distortion=np.zeros(5),
    )  # fmt: skip
    quad = np.array([1.7, -2.1, np.radians(turn_deg), 34.2, 51.7, 0.0, 0.0, 0.0, 0.0])
    offset = (np.arange(4) + 0.5) / 4 - 0.5
    x, y = ((np.arange(n)[:, None] + offset).ravel() for n in (360, 340))
    dx, dy = np.meshgrid((x - 180.3) / 5 - quad[0], (y - 169.6) / 5 - quad[1])
    c, s = np.cos(quad[qd.TURN]), np.sin(quad[qd.TURN])
    on_card = (np.abs(c * dx + s * dy) < quad[qd.WIDTH] / 2) & (np.abs(c * dy - s * dx) < quad[qd.HEIGHT] / 2)
    light = np.where(on_card, 0.7, 0.08).reshape(340, 4, 360, 4).mean(axis=(1, 3))
    return developed(light, blur_px=0.8), camera, quad


@pytest.mark.parametrize("turn_deg", [7.0, 38.0, 52.0, 97.0, 200.0, -71.0])
def test_all_four_sides_are_placed_right_at_any_turn(turn_deg: float) -> None:
    """Profiles read from pixels across a side predicted 0.4 px too far in or out, in every direction of the picture."""
    pixels, camera, quad = _photo_of_a_card(turn_deg)
    for grown in (-0.4, 0.4):
        predicted = quad.copy()
        predicted[[qd.WIDTH, qd.HEIGHT]] += 2 * grown / 5
        profiles = sample_profiles(photo_of(pixels), camera, predicted[None], reach_px=6.0, stretches=Stretches())
        assert profiles.inside.all()
        assert set(profiles.side.tolist()) == {0, 1, 2, 3}
        middle = project(camera, np.array([[quad[0], quad[1], 0.0]]))
        assert (((profiles.px - middle) * profiles.normal).sum(axis=1) > 0).all(), "normals point outward"
        n = len(profiles.card)
        priors = StepPriors(
            wall=np.full(n, 0.4), u_wall=np.full(n, 0.1), blur_px=np.full(n, 0.9), u_blur_px=np.full(n, 0.2),
            place_px=np.zeros(n), u_place_px=np.full(n, 1.5),
        )  # fmt: skip
        steps = fit_steps(
            profiles.distance_px, profiles.light[..., 1], profiles.weight, wall_px=np.zeros(n), priors=priors,
            start_px=np.zeros(n),
        )  # fmt: skip
        for side in range(4):
            error = steps.place_px[profiles.side == side] + grown
            assert np.abs(error).max() < 0.06
            assert abs(error.mean()) < 0.03
