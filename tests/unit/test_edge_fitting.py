"""Fits of how sides look: their spread against their covariance, each side by itself, marks, and priors."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_sides import DISTANCE_PX, Side, drawn, surroundings
from numpy.typing import NDArray
from scipy.stats import chi2  # type: ignore[import-untyped]

from cardmeasure.edges import looks as lk
from cardmeasure.edges.channels import plain_channels
from cardmeasure.edges.fitting import HIGH, LOW, LookPriors, Looks, fit_looks, scatter_of_bins
from cardmeasure.edges.lighting import priors_before
from cardmeasure.edges.shading import UNKNOWN_SOFTNESS

Floats = NDArray[np.float64]

WEIGHT = 50.0


def _fit(light: Floats, priors: LookPriors, *, weight: Floats | None = None, start: Floats | None = None) -> Looks:
    weights = np.full(light.shape[:2], WEIGHT) if weight is None else weight
    begin = priors.mean if start is None else start
    return fit_looks(np.tile(DISTANCE_PX, (len(light), 1)), light, weights, priors=priors, start=begin)


def _side(p: Floats, blur: float) -> Side:
    face, wall, table = (tuple(p[part].tolist()) for part in (lk.FACE, lk.WALL, lk.TABLE))
    return Side(
        place=p[lk.PLACE], blur=blur, wall_px=p[lk.WIDTH], shadow_px=p[lk.SHADOW], shade=p[lk.SHADE],
        rim=UNKNOWN_SOFTNESS, sharpening=p[lk.SHARPENING], face=face, wall=wall, table=table,
    )  # fmt: skip


def _from_priors(rng: np.random.Generator, n: int, *, wall_px: float) -> tuple[Floats, LookPriors]:
    """Looks (n, 15) drawn from priors of white borders on a dark table, and the priors; levels known to half."""
    mean = np.array([0.0, 0.9, 0.2, 2.0, wall_px, 0.5, 0.6, 0.5, 0.7, 0.27, 0.27, 0.27, 0.08, 0.12, 0.06])
    u = np.array([0.5, 0.06, 0.06, 0.4, 0.1, 0.12, *[0.05] * 3, *[0.06] * 3, *[0.01] * 3])
    covariance = np.diag(u**2)
    truth = np.clip(mean + rng.normal(size=(n, lk.PARAMETERS)) * u, LOW, HIGH)
    return truth, LookPriors(mean=np.tile(mean, (n, 1)), covariance=np.tile(covariance, (n, 1, 1)))


@pytest.mark.parametrize("wall_px", [-1.5, 1.2], ids=["hidden wall", "visible wall"])
def test_places_are_unbiased_and_spread_as_their_covariance_says(wall_px: float) -> None:
    """All that a side has is drawn from the priors, and noise of the scatter assumed is added to a fine drawing.

    The rms of error over u lies in the interval of 99.9 % for so many sides, and so does the mean.
    """
    n = 250
    rng = np.random.default_rng(11)
    truth, priors = _from_priors(rng, n, wall_px=wall_px)
    clean = np.concatenate([drawn(_side(p, p[lk.BLUR])) for p in truth])
    scatter = scatter_of_bins(clean, np.full(clean.shape[:2], WEIGHT), plain_channels(n)) * np.sqrt(1 + 1 / WEIGHT)
    looks = _fit(clean + rng.normal(size=clean.shape) * scatter[:, None], priors)
    z = (looks.place_px - truth[:, lk.PLACE]) / looks.u_place_px
    low, high = np.sqrt(chi2.ppf([0.0005, 0.9995], n) / n)
    assert low < np.sqrt(np.mean(z**2)) < high
    assert abs(z.mean()) < 3.3 / np.sqrt(n)


def test_each_side_is_fitted_as_if_it_were_alone() -> None:
    """Sides settle after unlike numbers of rounds; none may take on another's fit."""
    rng = np.random.default_rng(12)
    truth, priors = _from_priors(rng, 12, wall_px=1.0)
    light = np.concatenate([drawn(_side(p, p[lk.BLUR])) for p in truth])
    start = priors.mean.copy()
    start[:, lk.PLACE] += np.linspace(-2.5, 2.5, len(start))
    together = _fit(light, priors, start=start)
    for k in range(len(light)):
        one = np.array([k])
        alone = _fit(light[one], priors.rows(one), start=start[one])
        np.testing.assert_allclose(together.parameters[k], alone.parameters[0], rtol=0, atol=1e-4)
        assert together.cost[k] == pytest.approx(alone.cost[0], rel=1e-3, abs=1e-2)
        np.testing.assert_allclose(together.rows(one).covariance, alone.covariance, rtol=1e-2, atol=1e-6)


def test_bins_without_pixels_say_nothing() -> None:
    truth, priors = _from_priors(np.random.default_rng(13), 3, wall_px=1.0)
    light = np.concatenate([drawn(_side(p, p[lk.BLUR])) for p in truth])
    weight = np.full(light.shape[:2], WEIGHT)
    weight[:, ::3] = 0
    wild = light.copy()
    wild[:, ::3] = 7.0
    seen, changed = _fit(light, priors, weight=weight), _fit(wild, priors, weight=weight)
    np.testing.assert_array_equal(seen.parameters, changed.parameters)
    assert (np.abs(seen.place_px - truth[:, lk.PLACE]) < 3 * seen.u_place_px).all()
    assert (seen.u_place_px < 0.15).all()


def test_a_mark_printed_inside_the_border_hardly_moves_the_edge() -> None:
    """A dark hairline 4 px inside, a third as bright as the border: it moves the edge by a tenth of a pixel at most."""
    truth, priors = _from_priors(np.random.default_rng(14), 20, wall_px=0.8)
    light = np.concatenate([drawn(_side(p, p[lk.BLUR])) for p in truth])
    marked = light.copy()
    marked[:, np.abs(DISTANCE_PX + 4.0) < 0.6] *= 0.3
    np.testing.assert_allclose(_fit(marked, priors).place_px, _fit(light, priors).place_px, rtol=0, atol=0.1)


def test_where_nothing_is_to_be_seen_the_prior_stays() -> None:
    light = np.full((1, len(DISTANCE_PX), 3), 0.3)
    around = surroundings(1, width=np.full(1, -1.0))
    plain = priors_before(around, light[:, 0], light[:, -1], u_place_px=1.5)
    mean = plain.mean.copy()
    mean[:, lk.WALL], mean[:, lk.SHADOW], mean[:, lk.SHADE] = 0.3, 0.0, 1.0
    looks = _fit(light, LookPriors(mean=mean, covariance=plain.covariance))
    assert looks.place_px[0] == pytest.approx(0.0, abs=0.3)
    assert looks.u_place_px[0] == pytest.approx(1.5, rel=0.1)
