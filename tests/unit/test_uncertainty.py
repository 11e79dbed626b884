"""Uncertainty budgets: properties that hold whatever the numbers, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import norm, t  # type: ignore[import-untyped]

from cardmeasure.errors import UsageError
from cardmeasure.uncertainty import (
    budget_from_covariances,
    budgets_from_covariances,
    combined_standard_uncertainty,
    conformance_probability,
    coverage_factor,
    effective_degrees_of_freedom,
)

parts = st.lists(st.floats(-10.0, 10.0).filter(lambda u: u == 0.0 or abs(u) > 1e-3), min_size=1, max_size=6)
u_values = st.floats(0.0, 1.0)


@st.composite
def covariances(draw: st.DrawFn) -> NDArray[np.float64]:
    """Covariance of two sides, mm^2."""
    a, b, r = draw(u_values), draw(u_values), draw(st.floats(-1.0, 1.0))
    return np.array([[a * a, r * a * b], [r * a * b, b * b]])


groups = st.dictionaries(st.text("abcdefg ", min_size=1, max_size=8), covariances(), min_size=1, max_size=6)


@given(parts)
def test_independent_contributions_add_up_as_squares(contributions: list[float]) -> None:
    u = combined_standard_uncertainty(contributions)
    assert u == pytest.approx(math.sqrt(sum(x * x for x in contributions)), rel=1e-12, abs=1e-300)
    assert u == pytest.approx(
        combined_standard_uncertainty(contributions, correlation=np.eye(len(contributions))), rel=1e-9, abs=1e-12
    )


@given(parts)
def test_fully_correlated_contributions_add_up_with_their_signs(contributions: list[float]) -> None:
    n = len(contributions)
    u = combined_standard_uncertainty(contributions, correlation=np.ones((n, n)))
    assert u == pytest.approx(abs(sum(contributions)), abs=1e-6)


def test_nothing_contributes_nothing() -> None:
    assert combined_standard_uncertainty(()) == 0.0


@given(parts, st.data())
def test_effective_degrees_of_freedom_lie_between_the_least_and_their_sum(
    contributions: list[float], data: st.DataObject
) -> None:
    n = len(contributions)
    dofs = data.draw(st.lists(st.floats(1.0, 200.0), min_size=n, max_size=n))
    effective = effective_degrees_of_freedom(contributions, dofs)
    if any(contributions):
        counted = [dof for u, dof in zip(contributions, dofs, strict=True) if u]
        assert min(counted) * (1 - 1e-9) <= effective <= sum(counted) * (1 + 1e-9)
    else:
        assert effective == math.inf


def test_contributions_that_are_known_exactly_have_no_say_in_the_degrees_of_freedom() -> None:
    assert effective_degrees_of_freedom((1.0, 2.0), (math.inf, math.inf)) == math.inf
    assert effective_degrees_of_freedom((3.0, 4.0), (7.0, math.inf)) == pytest.approx(7.0 * (5.0 / 3.0) ** 4)


@given(st.floats(0.01, 0.999), st.floats(0.5, 1000.0))
def test_coverage_factor_is_students_t(p: float, dof: float) -> None:
    assert coverage_factor(p, dof) == pytest.approx(float(t.ppf(0.5 + p / 2, dof)), rel=1e-6)
    assert coverage_factor(p, dof) > coverage_factor(p) == pytest.approx(float(norm.ppf(0.5 + p / 2)), rel=1e-9)


@given(groups)
def test_budget_lines_add_up_to_the_total_variance(matrices: dict[str, NDArray[np.float64]]) -> None:
    lines = budget_from_covariances(matrices)
    total = sum(matrices.values(), np.zeros((2, 2)))
    assert sum(line.u_width_mm**2 for line in lines) == pytest.approx(total[0, 0], rel=1e-9, abs=1e-15)
    assert sum(line.u_height_mm**2 for line in lines) == pytest.approx(total[1, 1], rel=1e-9, abs=1e-15)


@given(groups)
def test_budget_names_every_group_once_and_the_largest_first(matrices: dict[str, NDArray[np.float64]]) -> None:
    lines = budget_from_covariances(matrices)
    assert sorted(line.name for line in lines) == sorted(matrices)
    sizes = [math.hypot(line.u_width_mm, line.u_height_mm) for line in lines]
    assert sizes == sorted(sizes, reverse=True)


@given(groups, st.sampled_from([0.0, -1e-18]))
def test_budgets_of_many_sizes_are_those_of_each(matrices: dict[str, NDArray[np.float64]], rounding: float) -> None:
    many = {name: np.array([matrix, 2 * matrix, np.diag([rounding, 1.0])]) for name, matrix in matrices.items()}
    for k, budget in enumerate(budgets_from_covariances(many)):
        assert budget == budget_from_covariances({name: of_sizes[k] for name, of_sizes in many.items()})


def test_budget_keeps_width_and_height_apart() -> None:
    (scale, noise) = budget_from_covariances(
        {"noise": np.diag([0.01**2, 0.02**2]), "print scale": [[0.03**2, 0.0011], [0.0011, 0.04**2]]}
    )
    assert (scale.name, scale.u_width_mm, scale.u_height_mm) == ("print scale", 0.03, 0.04)
    assert (noise.name, noise.u_width_mm, noise.u_height_mm) == ("noise", 0.01, 0.02)


def test_budget_takes_a_variance_below_zero_by_rounding_as_zero() -> None:
    (line,) = budget_from_covariances({"lens": np.array([[-1e-18, 0.0], [0.0, 1e-4]])})
    assert (line.u_width_mm, line.u_height_mm) == (0.0, 0.01)


@pytest.mark.parametrize(
    "matrix",
    [
        np.eye(3),
        np.zeros(2),
        [[1.0, 0.2], [0.3, 1.0]],
        [[-1.0, 0.0], [0.0, 1.0]],
        [[math.nan, 0.0], [0.0, 1.0]],
        [[math.inf, 0.0], [0.0, 1.0]],
    ],
)
def test_budget_refuses_what_is_no_covariance_and_names_the_group(matrix: object) -> None:
    with pytest.raises(UsageError, match="'lens'"):
        budget_from_covariances({"lens": matrix})  # type: ignore[dict-item]


@given(st.floats(-100, 100), st.floats(0.01, 10), st.floats(-100, 100), st.floats(0.0, 50))
def test_conformance_is_what_is_left_by_both_sides(value: float, u: float, lower: float, width: float) -> None:
    upper = lower + width
    inside = conformance_probability(value, u, lower=lower, upper=upper)
    below = conformance_probability(value, u, upper=lower)
    above = conformance_probability(value, u, lower=upper)
    assert 0.0 <= inside <= 1.0
    assert inside + below + above == pytest.approx(1.0, abs=1e-12)


def test_conformance_keeps_its_digits_far_out() -> None:
    """Ten u beyond a limit the probability is 7.6e-24, not zero; on either side."""
    assert conformance_probability(10.0, 1.0, upper=0.0) == pytest.approx(float(norm.sf(10)), rel=1e-9)
    assert conformance_probability(-10.0, 1.0, lower=0.0) == pytest.approx(float(norm.sf(10)), rel=1e-9)


def test_conformance_without_uncertainty_is_yes_or_no() -> None:
    assert conformance_probability(5.0, 0.0, lower=5.0, upper=6.0) == 1.0
    assert conformance_probability(4.9, 0.0, lower=5.0, upper=6.0) == 0.0


def test_conformance_without_limits_is_certain() -> None:
    assert conformance_probability(5.0, 1.0) == 1.0


def test_wrong_arguments_are_named() -> None:
    with pytest.raises(UsageError, match="degrees_of_freedom has 1 entries and contributions 2"):
        effective_degrees_of_freedom((1.0, 2.0), (3.0,))
    for dof in (0.0, -1.0, math.nan):
        with pytest.raises(UsageError, match="degrees_of_freedom"):
            effective_degrees_of_freedom((1.0,), (dof,))
        with pytest.raises(UsageError, match="degrees_of_freedom"):
            coverage_factor(0.95, dof)
    for p in (0.0, 1.0, 95.0, math.nan):
        with pytest.raises(UsageError, match="p is"):
            coverage_factor(p)
    with pytest.raises(UsageError, match="lower is 2, upper is 1"):
        conformance_probability(0.0, 1.0, lower=2.0, upper=1.0)
    for u in (-1.0, math.nan):
        with pytest.raises(UsageError, match="u is"):
            conformance_probability(0.0, u, upper=1.0)


@pytest.mark.parametrize(
    ("matrix", "words"),
    [
        (np.eye(3), "must be 2 x 2"),
        (np.array([[1.0, 0.5], [0.4, 1.0]]), "symmetric"),
        (np.array([[1.0, 1.5], [1.5, 1.0]]), "-1 to 1"),
        (np.array([[0.9, 0.5], [0.5, 1.0]]), "ones on its diagonal"),
    ],
)
def test_wrong_correlations_are_refused(matrix: NDArray[np.float64], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        combined_standard_uncertainty((1.0, 2.0), correlation=matrix)


def test_a_correlation_that_no_inputs_can_have_is_refused() -> None:
    """Two inputs that both follow a third cannot be opposed to each other."""
    impossible = np.array([[1.0, 0.9, 0.9], [0.9, 1.0, -0.9], [0.9, -0.9, 1.0]])
    with pytest.raises(UsageError, match="negative variance"):
        combined_standard_uncertainty((-1.0, 1.0, 1.0), correlation=impossible)
