"""What was ordered, and whether it is that: reading of expectations, conformance probability, words (JCGM 106:2012)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.conformity.assessing import assessed_card, both_probability, conformity_words
from cardmeasure.conformity.expectation import Limits, parse_expectation
from cardmeasure.errors import UsageError
from cardmeasure.results import Card
from cardmeasure.uncertainty import conformance_probability
from tests.made_results import sized_card

POKER = parse_expectation("63x88±0.5")


def card(**changes: object) -> Card:
    """A card with some of its values changed."""
    return replace(sized_card(), **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("text", ["63x88±0.5", "88x63+-0.5", "63 x 88 +/- 0,5 mm", "63±0.5x88±0.5", "63×88±0.5"])
def test_all_ways_to_write_one_tolerance_say_the_same(text: str) -> None:
    assert parse_expectation(text).limits == POKER.limits
    assert parse_expectation(text).kind == "sides"


def test_limits_may_differ_by_side_and_by_direction() -> None:
    first, second = parse_expectation("63+0.2-0.1x88±0.5").limits
    assert (first.lower_mm, first.upper_mm) == pytest.approx((62.9, 63.2))
    assert (second.lower_mm, second.upper_mm) == pytest.approx((87.5, 88.5))


@pytest.mark.parametrize(
    ("text", "kind"), [("d40±0.2", "diameter"), ("ø40+-0.2", "diameter"), ("af40±0.2", "across flats")]
)
def test_round_pieces_and_polygons_have_one_size(text: str, kind: str) -> None:
    expected = parse_expectation(text)
    assert expected.kind == kind
    assert [limits.nominal_mm for limits in expected.limits] == [40.0]


@pytest.mark.parametrize(
    "text", ["63x88", "63", "63x88x2±0.5", "d40", "wide", "63x88±", "0x88±0.5", "63x88±70", "-63x88±1", ""]
)
def test_what_names_no_size_with_a_tolerance_is_refused_with_the_way_to_write_it(text: str) -> None:
    with pytest.raises(UsageError, match=r"--expect is .*mm"):
        parse_expectation(text)


@given(st.floats(-2, 2), st.floats(-2, 2), st.floats(0.01, 1), st.floats(0.01, 1))
def test_independent_sides_conform_with_the_product_of_their_probabilities(
    x: float, y: float, u: float, v: float
) -> None:
    limits = (Limits(nominal_mm=63, lower_mm=62.5, upper_mm=63.5), Limits(nominal_mm=88, lower_mm=87.5, upper_mm=88.5))
    found = both_probability((63 + x, 88 + y), (u, v), 0.0, limits=limits)
    one, other = (
        conformance_probability(c + d, s, lower=c - 0.5, upper=c + 0.5) for c, d, s in ((63, x, u), (88, y, v))
    )
    assert found == pytest.approx(one * other, abs=1e-6)


@pytest.mark.parametrize("correlation", [-0.8, 0.3, 0.9])
def test_correlated_sides_conform_as_often_as_drawn_ones_do(correlation: float) -> None:
    limits = POKER.limits
    mean, u = np.array([63.3, 88.2]), np.array([0.3, 0.4])
    r = np.array([[1, correlation], [correlation, 1]])
    drawn = np.random.default_rng(3).multivariate_normal(mean, r * np.outer(u, u), 200_000)
    inside = np.all(
        [(drawn[:, k] >= limits[k].lower_mm) & (drawn[:, k] <= limits[k].upper_mm) for k in range(2)], axis=0
    )
    found = both_probability((63.3, 88.2), (0.3, 0.4), correlation, limits=limits)
    assert found == pytest.approx(inside.mean(), abs=0.005)


def test_fully_correlated_sides_are_one_size() -> None:
    limits = (Limits(nominal_mm=40, lower_mm=39.8, upper_mm=40.2),) * 2
    found = both_probability((40.1, 40.1), (0.05, 0.05), 1.0, limits=limits)
    # the inner rule meets a step there, so it is good to some per cent only
    assert found == pytest.approx(conformance_probability(40.1, 0.05, lower=39.8, upper=40.2), abs=0.02)


def test_a_measured_value_1_64_u_inside_a_limit_is_just_accepted() -> None:
    # JCGM 106:2012, table 1 (from memory): z = 1.64 for a conformance probability of 0.95
    u, expectation = 0.05, parse_expectation("d40±1")
    round_piece = {"shape": "circle", "u_diameter_mm": u}
    just = assessed_card(card(diameter_mm=41 - 1.65 * u, **round_piece), expectation).conformity
    not_quite = assessed_card(card(diameter_mm=41 - 1.63 * u, **round_piece), expectation).conformity
    beyond = assessed_card(card(diameter_mm=41 + 1.65 * u, **round_piece), expectation).conformity
    assert [told.verdict for told in (just, not_quite, beyond) if told] == ["conforms", "undecided", "does not conform"]


def test_risks_are_those_of_this_piece_and_stand_in_the_words() -> None:
    told = assessed_card(card(width_mm=63.02, height_mm=88.03, u_width_mm=0.1, u_height_mm=0.1), POKER).conformity
    assert told is not None
    assert told.consumer_risk == pytest.approx(1 - told.probability)
    assert "conforms to 63x88±0.5" in conformity_words(told)
    assert "consumer's risk" in conformity_words(told)


def test_what_lies_on_a_limit_cannot_be_decided() -> None:
    told = assessed_card(card(width_mm=63.5, height_mm=88.0, u_width_mm=0.05, u_height_mm=0.05), POKER).conformity
    assert told is not None
    assert told.probability == pytest.approx(0.5, abs=0.01)
    assert conformity_words(told).startswith("cannot be decided at this uncertainty")


@pytest.mark.parametrize("expected", ["d63±1", "af63±1"])
def test_a_rectangle_is_not_held_against_a_round_or_a_polygon(expected: str) -> None:
    assert assessed_card(card(), parse_expectation(expected)).conformity is None


def test_two_sided_example_of_jcgm_106() -> None:
    # JCGM 106:2012, two-sided tolerance (from memory, arithmetic done here): 13.6, u 1.8, limits 12.5 and 16.3 -> 0.66
    limits = (
        Limits(nominal_mm=14, lower_mm=12.5, upper_mm=16.3),
        Limits(nominal_mm=1, lower_mm=-math.inf, upper_mm=math.inf),
    )
    assert both_probability((13.6, 1.0), (1.8, 1.0), 0.0, limits=limits) == pytest.approx(0.66, abs=0.005)
