"""How far rounded rims seem to move edges: the light on them against a sum over the quarter circle, and its effect."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_sides import surroundings
from numpy.typing import NDArray

from cardmeasure.edges import looks as lk
from cardmeasure.edges.fitting import LookPriors
from cardmeasure.edges.rims import RADIUS_MM, lamp_on_rim, rim_shifts_px

Floats = NDArray[np.float64]

PX_PER_MM, THICKNESS_PX = 10.0, 3.0


@pytest.mark.parametrize("slant", [-3.0, -1.0, -0.2, 0.0, 0.4, 1.0, 2.5])
def test_the_lamps_light_on_a_rim_is_the_sum_over_a_quarter_circle(slant: float) -> None:
    """Lambert's cosine law at each angle of the rim, over the light on the face, weighted by the width seen of it."""
    angle = (np.arange(20000) + 0.5) / 20000 * np.pi / 2
    lit = np.maximum(np.cos(angle) - slant * np.sin(angle), 0.0)
    expected = float((lit * np.cos(angle)).mean() * np.pi / 2)
    assert float(lamp_on_rim(np.array([slant]))[0]) == pytest.approx(expected, abs=1e-4)


def _card(*, shade: float, reach_px: float) -> tuple[Floats, LookPriors]:
    """Looks of a white card whose side 0 throws its shadow away from the lamp, and the priors that teach it."""
    looks = np.zeros((4, lk.PARAMETERS))
    looks[:, lk.BLUR], looks[:, lk.SHADE], looks[:, lk.WIDTH] = 0.9, shade, -0.5
    looks[:, lk.FACE], looks[:, lk.WALL], looks[:, lk.TABLE] = 0.7, 0.2, 0.1
    looks[0, lk.SHADOW] = reach_px
    covariance = np.tile(np.diag(np.full(lk.PARAMETERS, 0.01)), (4, 1, 1))
    return looks, LookPriors(mean=looks, covariance=covariance)


def test_a_white_card_seems_to_end_early_in_shade_and_late_towards_the_lamp() -> None:
    looks, priors = _card(shade=0.2, reach_px=THICKNESS_PX)
    shift, u = rim_shifts_px(looks, priors, surroundings(4, width=np.full(4, -0.5)), px_per_mm=PX_PER_MM)
    radius = RADIUS_MM * PX_PER_MM
    assert -radius < shift[0] < -0.3 * radius
    assert 0 < shift[2] < 0.5 * radius
    assert (u > 0).all()
    assert (u < radius).all()


def test_light_from_all_round_shifts_nothing() -> None:
    looks, priors = _card(shade=1.0, reach_px=0.0)
    shift, _ = rim_shifts_px(looks, priors, surroundings(4, width=np.full(4, -0.5)), px_per_mm=PX_PER_MM)
    np.testing.assert_allclose(shift, 0.0, atol=1e-12)
