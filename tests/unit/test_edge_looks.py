"""How a side looks: the model against its own differences and an independent picture of it, and fits of it."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_sides import DISTANCE_PX, Side, drawn, surroundings
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import norm  # type: ignore[import-untyped]
from square_pictures import srgb

from cardmeasure.edges import looks as lk
from cardmeasure.edges.channels import luma_channels, plain_channels
from cardmeasure.edges.fitting import LookPriors, Looks, fit_looks
from cardmeasure.edges.lighting import priors_before, priors_learned
from cardmeasure.edges.shading import UNKNOWN_SOFTNESS, Shading, open_shading
from cardmeasure.numerics import normal_cdf, normal_pdf

Floats = NDArray[np.float64]


def _fitted(light: Floats, *, width: float = 0.0, start: float = 0.3) -> Looks:
    n = len(light)
    around = surroundings(n, width=np.full(n, width))
    priors = priors_before(around, light[:, 0], light[:, -1], u_place_px=1.5)
    begin = priors.mean.copy()
    begin[:, lk.PLACE] = start
    return fit_looks(np.tile(DISTANCE_PX, (n, 1)), light, np.full(light.shape[:2], 50.0), priors=priors, start=begin)


def test_the_normal_distribution_is_that_of_scipy() -> None:
    z = np.linspace(-8, 8, 4001)
    np.testing.assert_allclose(normal_cdf(z), norm.cdf(z), rtol=0, atol=1e-7)
    np.testing.assert_allclose(normal_pdf(z), norm.pdf(z), rtol=0, atol=1e-12)


levels = st.tuples(*[st.floats(0.02, 0.9)] * 3)


@settings(deadline=None)
@given(
    place=st.floats(-1.0, 1.0), blur=st.floats(0.6, 1.5), sharpening=st.floats(-0.2, 0.6), shadow=st.floats(1.5, 6.0),
    shade=st.floats(0.1, 0.95), width=st.floats(0.1, 2.0) | st.floats(-1.2, -0.1), face=levels, wall=levels,
    table=levels, halved=st.booleans(), height=st.just(0.0) | st.floats(1.0, 5.0), softness=st.floats(0.05, 0.4),
)  # fmt: skip
def test_derivatives_are_those_of_differences(
    place: float, blur: float, sharpening: float, shadow: float, shade: float, width: float,
    face: tuple[float, ...], wall: tuple[float, ...], table: tuple[float, ...], halved: bool, height: float,
    softness: float,
) -> None:  # fmt: skip
    """To 1e-4 of the light that channels are made of: the distribution function is an approximation whose own slope is
    off by some 2e-5."""
    looks = np.array([[place, blur, sharpening, shadow, width, shade, *face, *wall, *table]])
    x = DISTANCE_PX[None]
    channels = luma_channels(looks[:, lk.FACE], looks[:, lk.TABLE], colour_halved=halved)
    shading = Shading(softness=np.array([softness]), height_px=np.array([height]), white=0.7)
    light, jacobian = lk.expected_light_with_jacobian(x, looks, channels, shading)
    tolerance = 1e-4 * max(1.0, float(np.abs(channels.mix).sum(axis=2).max()))
    np.testing.assert_allclose(lk.expected_light(x, looks, channels, shading), light, rtol=0, atol=1e-12)
    for k in range(lk.PARAMETERS):
        step = np.zeros(lk.PARAMETERS)
        step[k] = 1e-5
        above, below = (lk.expected_light(x, looks + sign * step, channels, shading) for sign in (1, -1))
        np.testing.assert_allclose(
            jacobian[:, k], (above - below) / 2e-5, rtol=0, atol=tolerance, err_msg=f"parameter {k}"
        )
    shares, slopes = lk.shares_with_slope(x, looks, channels, shading)
    np.testing.assert_allclose(lk.shares(x, looks, shading), shares[:, :, 0], rtol=0, atol=1e-12)
    part = np.stack([channels.mix[0] @ looks[0, levels] for levels in (lk.FACE, lk.WALL, lk.TABLE)])
    np.testing.assert_allclose(np.einsum("sc,sncb->ncb", part, shares), light, rtol=0, atol=1e-12)
    np.testing.assert_allclose(np.einsum("sc,sncb->ncb", part, slopes), jacobian[:, lk.PLACE], rtol=0, atol=1e-7)


@pytest.mark.parametrize("wall_px", [-0.8, 0.0, 1.3])
@pytest.mark.parametrize(("shadow_px", "shade"), [(0.0, 1.0), (2.5, 0.4), (5.0, 0.7)])
@pytest.mark.parametrize("sharpening", [0.0, 0.5])
def test_the_model_is_a_finely_drawn_and_blurred_side(
    wall_px: float, shadow_px: float, shade: float, sharpening: float
) -> None:
    """To 4e-4, but for the rim of a shadow, whose blur the model lets run over the wall: to 2e-3 with one."""
    side = Side(
        place=0.4, wall_px=wall_px, face=(0.1, 0.2, 0.5), wall=(0.4, 0.3, 0.3), table=(0.05, 0.3, 0.08),
        shadow_px=shadow_px, shade=shade, rim=UNKNOWN_SOFTNESS, sharpening=sharpening,
    )  # fmt: skip
    looks = np.array([[0.4, 0.9, sharpening, shadow_px, wall_px, shade, *side.face, *side.wall, *side.table]])
    model = lk.expected_light(DISTANCE_PX[None], looks, plain_channels(1), open_shading(1))
    np.testing.assert_allclose(model[0].T, drawn(side)[0], rtol=0, atol=2e-3 if shadow_px else 4e-4)


@pytest.mark.parametrize("wall_px", [-2.0, -0.8, 0.0, 1.3])
@pytest.mark.parametrize("wall", [0.1, 0.3])
def test_the_foot_is_as_dark_as_the_hidden_part_of_the_room_makes_it(wall_px: float, wall: float) -> None:
    """Against the exact factor of a floor before a wall: to 1.5 % of the table's light, where it takes 25 % off."""
    side = Side(
        place=0.4, wall_px=wall_px, face=(0.1, 0.2, 0.5), wall=(wall,) * 3, table=(0.05, 0.3, 0.08), shadow_px=2.5,
        shade=0.6, rim=UNKNOWN_SOFTNESS, wall_height_px=3.0, white=0.7,
    )  # fmt: skip
    looks = np.array([[0.4, 0.9, 0.0, 2.5, wall_px, 0.6, *side.face, *side.wall, *side.table]])
    shading = Shading(softness=np.full(1, UNKNOWN_SOFTNESS), height_px=np.full(1, 3.0), white=0.7)
    model = lk.expected_light(DISTANCE_PX[None], looks, plain_channels(1), shading)
    without = lk.expected_light(DISTANCE_PX[None], looks, plain_channels(1), open_shading(1))
    np.testing.assert_allclose(model[0].T, drawn(side)[0], rtol=0, atol=0.015 * 0.3)
    assert np.abs(without[0].T - drawn(side)[0]).max() > 0.03 * 0.3


@settings(deadline=None, max_examples=40)
@given(
    bright=st.floats(0.4, 0.9), dark=st.floats(0.02, 0.12), place=st.floats(-0.9, 0.9), outside=st.booleans(),
)  # fmt: skip
def test_a_plain_step_is_placed_to_an_eighth_of_a_pixel(
    bright: float, dark: float, place: float, outside: bool
) -> None:
    face, table = ((bright,) * 3, (dark,) * 3) if outside else ((dark,) * 3, (bright,) * 3)
    light = drawn(Side(place=place, face=face, table=table))
    # a dark card's shadow on a bright table cannot be told from the card: both answers must cover the truth
    found = _fitted(light)
    # where the table is a sixth as bright as the border, a faint, short shadow explains nearly as much as none
    tolerance = 0.125 if outside else 0.05 + 3 * float(found.u_place_px[0])
    assert found.place_px[0] == pytest.approx(place, abs=tolerance)


def test_a_shadow_as_dark_as_the_border_in_green_shows_in_the_other_colours() -> None:
    """Grey border beside a green table: in green the shadow equals the border, in blue and red it is darker."""
    side = Side(place=0.2, shadow_px=3.0, shade=0.5, face=(0.06, 0.06, 0.06), table=(0.03, 0.12, 0.04))
    light = drawn(side)
    by_green = drawn(side)
    by_green[..., 0] = by_green[..., 2] = by_green[..., 1]
    assert _fitted(light, start=1.0).place_px[0] == pytest.approx(0.2, abs=0.25)
    blind = _fitted(by_green, start=1.0)
    assert abs(blind.place_px[0] - 0.2) > 0.5 or blind.u_place_px[0] > 0.5, "green alone cannot know"


@pytest.mark.parametrize("width", [0.6, 1.5, 2.4])
def test_a_wall_of_known_width_is_allowed_for(width: float) -> None:
    """A dark border with a light wall: taken for a plain step the edge would lie outside by most of the wall."""
    light = drawn(Side(place=-0.2, wall_px=width, face=(0.05,) * 3, wall=(0.3,) * 3, table=(0.1, 0.07, 0.12)))
    found = _fitted(light, width=width)
    assert found.place_px[0] == pytest.approx(-0.2, abs=0.1)


@pytest.mark.parametrize(("face", "table"), [(0.85, 0.05), (0.03, 0.6)])
def test_linear_light_is_right_where_display_values_are_off(face: float, table: float) -> None:
    """The same blurred edge, fitted in light and in sRGB's code values: these place it towards the dark side."""
    light = drawn(Side(place=0.2, face=(face,) * 3, table=(table,) * 3))
    n = np.full((1, light.shape[1]), 50.0)
    prior = priors_before(
        surroundings(1, width=np.full(1, -2.0), thickness=0.2), light[:, 0], light[:, -1], u_place_px=1.5
    )
    firm = LookPriors(mean=prior.mean, covariance=prior.covariance)
    right, wrong = (
        float(fit_looks(DISTANCE_PX[None], v, n, priors=firm, start=firm.mean).place_px[0])
        for v in (light, srgb(light))
    )
    assert right == pytest.approx(0.2, abs=0.03)
    assert (1.0 if face > table else -1.0) * (wrong - 0.2) > 0.1


def test_noisy_sides_are_placed_without_bias() -> None:
    rng = np.random.default_rng(7)
    places = rng.uniform(-0.8, 0.8, 200)
    light = np.concatenate([drawn(Side(place=p, face=(0.6, 0.5, 0.7), table=(0.08, 0.05, 0.03))) for p in places])
    error = _fitted(light + rng.normal(0, 0.004, light.shape)).place_px - places
    assert abs(error.mean()) < 0.02
    assert np.sqrt(np.mean(error**2)) < 0.05


def test_dark_borders_teach_how_bright_walls_are_on_every_side() -> None:
    """Sixteen sides with walls whose light goes once round the compass: the wave is learned, and with less doubt."""
    n, width = 16, np.full(16, 1.8)
    around = surroundings(n, width=width)
    true = 0.25 + 0.12 * np.cos(around.azimuth_rad)
    light = np.concatenate(
        [drawn(Side(place=0.0, wall_px=1.8, face=(0.03,) * 3, wall=(w,) * 3, table=(0.05, 0.08, 0.1))) for w in true]
    )
    before = priors_before(around, light[:, 0], light[:, -1], u_place_px=1.5)
    looks = fit_looks(
        np.tile(DISTANCE_PX, (n, 1)), light, np.full(light.shape[:2], 50.0), priors=before, start=before.mean
    )
    learned = priors_learned(before, looks, around)
    np.testing.assert_allclose(learned.mean[:, lk.WALL.start], true, atol=0.05)
    assert (
        learned.covariance[:, lk.WALL.start, lk.WALL.start] < before.covariance[:, lk.WALL.start, lk.WALL.start]
    ).all()
