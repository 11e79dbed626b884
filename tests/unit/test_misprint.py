"""A print fitted to its page, told by what all sizes say together: noticed where it was, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_results import sized_card
from numpy.typing import NDArray

from cardmeasure import Settings
from cardmeasure.classes import match_size
from cardmeasure.classes.table import enabled
from cardmeasure.misprint import fitted_print
from cardmeasure.print_doubt import print_seen_by, with_print_in_doubt
from cardmeasure.results import Card

CLASSES = Settings().classes
DECK = np.array([[63.0, 88.0], [57.0, 88.0], [70.0, 120.0], [44.0, 68.0], [63.0, 88.0]])
"""Nominal cuts of several classes (common practice, no source)."""
ODD = np.array([[51.3, 77.9], [66.1, 101.7], [48.2, 91.4], [73.7, 83.3]])


def _scale(sizes: NDArray[np.float64], u: float = 0.05) -> float | None:
    return fitted_print(sizes, np.full(sizes.shape, u), classes=CLASSES).sure_scale


def in_doubt(card: Card, scale_source: str = "assumed") -> tuple[Card, ...]:
    return with_print_in_doubt((card,), print_seen_by((card,), CLASSES), scale_source=scale_source, classes=CLASSES)


@given(percent=st.one_of(st.floats(-7.5, -2.0), st.floats(2.0, 7.5)), seed=st.integers(0, 1000))
def test_a_fitted_print_is_noticed_and_its_scale_is_right(percent: float, seed: int) -> None:
    scatter = np.random.default_rng(seed).normal(0, 0.05, DECK.shape)
    assert _scale(DECK / (1 + percent / 100) + scatter) == pytest.approx(1 + percent / 100, abs=0.004)


@given(percent=st.floats(-0.8, 0.8), seed=st.integers(0, 1000))
def test_a_home_printers_usual_error_is_no_news(percent: float, seed: int) -> None:
    scatter = np.random.default_rng(seed).normal(0, 0.05, DECK.shape)
    assert _scale(DECK * (1 + percent / 100) + scatter) is None


@given(seed=st.integers(0, 1000))
def test_cards_of_no_class_among_others_do_not_hide_it(seed: int) -> None:
    scatter = np.random.default_rng(seed).normal(0, 0.05, (8, 2))
    assert _scale(np.vstack([DECK[:4], ODD]) / 0.962 + scatter) == pytest.approx(0.962, abs=0.004)


def test_one_card_or_cards_of_one_size_prove_nothing() -> None:
    assert _scale(DECK[:1] * 1.04) is None
    assert _scale(np.tile([63.0 * 1.04, 88.0 * 1.04], (6, 1))) is None
    assert _scale(np.zeros((0, 2))) is None


@given(percent=st.floats(-7.5, -2.0))
def test_one_card_may_be_of_another_class_on_a_fitted_page(percent: float) -> None:
    """A poker card measured by a fitted print: none of the classes at actual size, a poker card otherwise."""
    size = np.array([[63.0, 88.0]]) / (1 + percent / 100)
    found = fitted_print(size, np.full((1, 2), 0.05), classes=CLASSES)
    names = [one.id for one in enabled(CLASSES)]
    assert found.shares.sum() == pytest.approx(1.0)
    assert found.shares[0, names.index("poker")] > 0.5


@pytest.mark.parametrize(
    ("size", "answer", "scale_source", "least", "most"),
    [
        ((66.2, 92.5), None, "assumed", 0.0, 0.5),
        ((66.2, 92.5), None, "entered", 1.0, 1.0),
        ((48.2, 99.9), None, "assumed", 0.99, 1.0),
        ((63.1, 88.1), "poker", "assumed", 0.97, 0.999),
    ],
)
def test_answers_are_as_probable_as_an_unread_print_leaves_them(
    size: tuple[float, float], answer: str | None, scale_source: str, least: float, most: float
) -> None:
    """63 x 88 mm on a page of 95 % looks like no class; an odd size that fits none at any scale stays odd, and a poker
    card by an unread print is one all but surely."""
    match = match_size(*size, u_width_mm=0.2, u_height_mm=0.25, correlation=0.0, classes=CLASSES)
    card = replace(sized_card(), width_mm=size[0], height_mm=size[1], match=match)
    (doubted,) = in_doubt(card, scale_source)
    assert doubted.match is not None
    assert doubted.match.size_class == answer
    assert least <= doubted.match.probability <= most
    assert doubted.match.runner_up != answer


def test_where_no_class_fits_the_one_of_a_fitted_page_comes_next() -> None:
    match = match_size(66.2, 92.5, u_width_mm=0.2, u_height_mm=0.25, correlation=0.0, classes=CLASSES)
    card = replace(sized_card(), width_mm=66.2, height_mm=92.5, match=match)
    (doubted,) = in_doubt(card)
    assert doubted.match is not None
    assert doubted.match.runner_up == "poker"


def test_a_round_is_of_no_class_whatever_the_print() -> None:
    match = match_size(66.2, 92.5, u_width_mm=0.2, u_height_mm=0.25, correlation=0.0, classes=CLASSES)
    card = replace(sized_card(), shape="circle", match=replace(match, probability=1.0, runner_up=None))
    assert in_doubt(card) == (card,)


def test_a_bank_card_and_one_other_card_are_enough() -> None:
    assert _scale(np.array([[53.98, 85.6], [70.0, 120.0]]) / 0.955) == pytest.approx(0.955, abs=0.004)


def test_odd_sizes_of_no_common_factor_are_left_in_peace() -> None:
    assert _scale(ODD) is None
