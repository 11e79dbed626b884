"""One factor between measured and nominal sizes: noticed where the print is at fault, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from cardmeasure import Settings
from cardmeasure.classes.common_factor import common_factor

CLASSES = Settings().classes
DECK = np.array([[63.0, 88.0], [57.0, 88.0], [70.0, 120.0], [44.0, 68.0], [63.0, 88.0]])
"""Nominal cuts of several classes (common practice, no source)."""


def _factor(sizes: NDArray[np.float64], u: float = 0.05) -> float | None:
    return common_factor(sizes, np.full(sizes.shape, u), classes=CLASSES)


@given(percent=st.one_of(st.floats(-7.5, -3.0), st.floats(3.0, 7.5)), seed=st.integers(0, 1000))
def test_a_print_that_is_off_by_some_per_cent_is_noticed_and_by_how_much(percent: float, seed: int) -> None:
    scatter = np.random.default_rng(seed).normal(0, 0.05, DECK.shape)
    found = _factor(DECK / (1 + percent / 100) + scatter)
    assert found == pytest.approx(1 + percent / 100, abs=0.004)


@given(percent=st.floats(-0.4, 0.4), seed=st.integers(0, 1000))
def test_a_home_printers_usual_error_is_no_news(percent: float, seed: int) -> None:
    scatter = np.random.default_rng(seed).normal(0, 0.05, DECK.shape)
    assert _factor(DECK * (1 + percent / 100) + scatter) is None


def test_two_cards_or_cards_of_one_size_prove_nothing() -> None:
    assert _factor(DECK[:2] * 1.04) is None
    assert _factor(np.tile([63.0 * 1.04, 88.0 * 1.04], (6, 1))) is None
    assert _factor(np.zeros((0, 2))) is None


def test_odd_sizes_of_no_common_factor_are_left_in_peace() -> None:
    assert _factor(np.array([[51.3, 77.9], [66.1, 101.7], [48.2, 91.4], [73.7, 83.3]])) is None
