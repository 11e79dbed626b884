"""Bootstrapped intervals: against theory where there is one, and by shot, not by card."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.study.bootstrap import ratio_interval, rms_interval


def test_the_interval_of_a_mean_is_that_of_theory() -> None:
    """Of 400 independent values: mean +- 2.97 standard errors (99.7 %)."""
    values = np.random.default_rng(1).normal(0.95, 0.2, 400)
    interval = ratio_interval(values, np.ones(400))
    assert interval is not None
    half = 2.968 * values.std() / 20
    assert interval.low == pytest.approx(values.mean() - half, abs=0.15 * half)
    assert interval.high == pytest.approx(values.mean() + half, abs=0.15 * half)


def test_cards_of_one_shot_count_as_one() -> None:
    """Ten copies of each card in its shot leave the interval as it was."""
    squares = np.random.default_rng(2).chisquare(1, 30)
    once, tenfold = rms_interval(squares, np.ones(30)), rms_interval(10 * squares, np.full(30, 10.0))
    assert once is not None
    assert tenfold is not None
    assert (tenfold.low, tenfold.high) == pytest.approx((once.low, once.high))


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    """RMS of error/u of 40 shots with 8 cards that share half of their variance, 300 times at 90 %."""
    rng, held = np.random.default_rng(3), 0
    for _ in range(300):
        z = (rng.normal(size=(40, 1)) + rng.normal(size=(40, 8))) / np.sqrt(2)
        interval = rms_interval((z**2).sum(1), np.full(40, 8.0), level=0.90, draws=1000)
        assert interval is not None
        held += interval.holds(1.0)
    assert 0.80 <= held / 300 <= 0.95


def test_one_shot_has_no_interval_and_shots_without_cards_do_not_count() -> None:
    assert ratio_interval(np.array([1.0]), np.array([2.0])) is None
    assert ratio_interval(np.array([1.0, 0.0]), np.array([2.0, 0.0])) is None


def test_equal_shots_have_an_interval_without_width() -> None:
    interval = ratio_interval(np.full(5, 3.0), np.full(5, 4.0))
    assert interval is not None
    assert (interval.low, interval.high) == pytest.approx((0.75, 0.75))
