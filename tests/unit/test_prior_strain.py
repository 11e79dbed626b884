"""Pulls of priors: they are chi-square distributed where the priors are true, and name what is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import chi2, kstest  # type: ignore[import-untyped]
from simulated_photos import Simulated, priors_of, simulated, true_state

from cardmeasure.adjustment import Adjustment, adjust
from cardmeasure.prior_strain import Cause, Strain, log_chi_square_above, pull_of, pull_of_yielding

Floats = NDArray[np.float64]


@given(value=st.floats(1e-3, 1300), freedom=st.integers(1, 40))
def test_the_probability_of_chi_square_is_that_of_the_tables(value: float, freedom: int) -> None:
    assert log_chi_square_above(value, freedom) == pytest.approx(chi2.logsf(value, freedom), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("freedom", [1, 2, 9])
def test_it_goes_on_smoothly_where_probabilities_underflow(freedom: int) -> None:
    far = [log_chi_square_above(value, freedom) for value in (1300.0, 1301.0, 60000.0)]
    assert far[0] - far[1] == pytest.approx(0.5, abs=0.01)
    assert far[2] == pytest.approx(-30000, rel=2e-3)


def _linear(rng: np.random.Generator, *, unknowns: int, rows: int, weights: Floats) -> tuple[Floats, Floats]:
    """Residuals (k,) of priors of unit variance on all unknowns, and the covariance (k, k), solved with weights."""
    design = rng.normal(size=(rows, unknowns)) * np.logspace(-1, 1, unknowns)
    truth = rng.normal(size=unknowns)
    seen = design @ truth + rng.normal(size=rows)
    covariance = np.linalg.inv(design.T @ design + np.diag(weights))
    return -covariance @ design.T @ seen, covariance


@pytest.mark.parametrize(("part", "weight"), [(slice(None), 1.0), (slice(1, 4), 1.0), (slice(None), 0.02)])
def test_pulls_of_true_priors_are_chi_square_distributed(part: slice, weight: float) -> None:
    """4000 linear problems: mean, 99 % quantile, and Kolmogorov and Smirnov's test of the probabilities."""
    rng = np.random.default_rng(11)
    chances, ratio, beyond = [], [], 0
    for _ in range(4000):
        weights = np.full(6, weight)
        residuals, covariance = _linear(rng, unknowns=6, rows=int(rng.integers(4, 12)), weights=weights)
        if weight == 1.0:
            pull = pull_of(residuals[part], covariance[part, part])
        else:
            pull = pull_of_yielding(residuals, covariance, weights)
        chances.append(np.exp(pull.log_chance))
        ratio.append(pull.chi_square - pull.freedom)
        beyond += pull.chi_square > chi2.ppf(0.99, pull.freedom)
    assert abs(np.mean(ratio)) < 4 * np.sqrt(2 * 6 / 4000)
    assert beyond == pytest.approx(40, abs=25)  # four standard deviations of a count of 40
    assert kstest(chances, "uniform").pvalue > 1e-3


def test_a_direction_that_the_photo_tells_nothing_of_says_nothing() -> None:
    pull = pull_of(np.array([0.0, 3.0]), np.diag([0.95, 0.1]))
    assert pull.freedom == 1
    assert pull.chi_square == pytest.approx(9 / 0.9)


def _solved(photo: Simulated) -> Adjustment:
    return adjust(photo.start, photo.points, photo.edges, photo.priors)


def _photo(seed: int) -> Simulated:
    rng = np.random.default_rng(seed)
    priors = priors_of(3, u_scale=0.0005)
    return simulated(rng, true_state(rng, priors), priors)


@pytest.fixture(scope="module")
def strains() -> list[Strain]:
    """Of 60 simulated photos whose unknowns are drawn from their priors."""
    return [_solved(_photo(seed)).strain for seed in range(60)]


def test_photos_that_are_as_their_priors_say_are_not_strained(strains: list[Strain]) -> None:
    assert not any(strain.is_strained for strain in strains)
    assert {strain.factor for strain in strains} == {1.0}
    assert {strain.cause for strain in strains} == {None}


def test_their_pulls_are_chi_square_distributed(strains: list[Strain]) -> None:
    chances = [np.exp(strain.whole.log_chance) for strain in strains]
    assert kstest(chances, "uniform").pvalue > 1e-3


@pytest.mark.parametrize("seed", range(4))
def test_a_principal_point_that_was_cropped_away_strains_the_lens(seed: int) -> None:
    photo = _photo(seed)
    off = 12 * photo.priors.u_principal_px * np.array([0.8, -0.6])
    cropped = replace(photo, priors=replace(photo.priors, principal_px=photo.priors.principal_px + off))
    strain = _solved(cropped).strain
    assert strain.cause is Cause.LENS
    assert strain.factor > 3.0


@pytest.mark.parametrize("seed", range(4))
def test_readings_of_another_print_strain_the_print(seed: int) -> None:
    photo = _photo(seed)
    other = replace(photo, priors=replace(photo.priors, scale=photo.priors.scale + np.array([0.01, -0.01])))
    strain = _solved(other).strain
    assert strain.is_strained  # as the print or as the lens, which a square of other sides may ask for as well
    assert strain.groups["print scale"].log_chance < np.log(1e-4)
    assert strain.factor > 3.0


def test_a_bent_square_is_told_from_a_flat_one() -> None:
    rng = np.random.default_rng(5)
    priors = priors_of(3)
    flat = true_state(rng, priors)
    bent = replace(flat, bends=np.array([[0.3, 0.0, 0.0]]))
    solved = {state: _solved(simulated(np.random.default_rng(6), state, priors)) for state in (flat, bent)}
    assert not solved[flat].is_bent and solved[bent].is_bent
    assert solved[bent].state.bends[0, 0] == pytest.approx(0.3, abs=0.05)
    assert not solved[bent].strain.is_strained
