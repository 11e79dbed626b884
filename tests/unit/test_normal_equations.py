"""The normal equations in parts give what the whole matrix gives."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cardmeasure.normal_equations import OWN, Normal, Parts
from cardmeasure.unknowns import Layout


def _random(seed: int, *, cards: int, squares: int, bow: int, few: bool = False) -> Normal:
    """A positive definite matrix in which cards do not meet; with `few`, of common unknowns and single ones only."""
    rng = np.random.default_rng(seed)
    parts = Parts(layout=Layout(squares=squares, cards=cards, bow=bow))
    q = len(parts.common)
    common, own, mixed = np.zeros((q, q)), np.zeros((cards, OWN, OWN)), np.zeros((cards, OWN, q))
    for card in range(cards):
        rows = rng.normal(size=(3 * OWN, OWN + q))
        product = rows.T @ rows
        own[card], mixed[card] = product[:OWN, :OWN], product[:OWN, OWN:]
        common += product[OWN:, OWN:]
    rows = rng.normal(size=(2 * q, q))
    if few:
        common, own, mixed = np.zeros_like(common), own * np.eye(OWN), np.zeros_like(mixed)
    return Normal(
        parts=parts, common=common + rows.T @ rows, own=own, mixed=mixed,
        right_common=rng.normal(size=q), right_own=rng.normal(size=(cards, OWN)),
    )  # fmt: skip


cases = given(
    seed=st.integers(0, 10**6), cards=st.sampled_from([0, 1, 4]), squares=st.sampled_from([1, 3]),
    bow=st.sampled_from([0, 2]),
)  # fmt: skip


@settings(max_examples=15, deadline=None)
@cases
def test_a_step_solves_the_whole_equations_and_its_length_is_theirs(
    seed: int, cards: int, squares: int, bow: int
) -> None:
    normal = _random(seed, cards=cards, squares=squares, bow=bow)
    matrix, right = normal.dense()
    for damping in (0.0, 0.3):
        step, length = normal.step(damping=damping)
        damped = matrix + damping * np.diag(np.diag(matrix))
        np.testing.assert_allclose(step, np.linalg.solve(damped, right), rtol=1e-8, atol=1e-10)
        assert length == pytest.approx(np.sqrt(step @ matrix @ step), rel=1e-6)


@settings(max_examples=15, deadline=None)
@cases
def test_the_covariance_is_the_inverse_of_the_whole_matrix(seed: int, cards: int, squares: int, bow: int) -> None:
    normal = _random(seed, cards=cards, squares=squares, bow=bow)
    inverse = np.linalg.inv(normal.dense()[0])
    np.testing.assert_allclose(normal.covariance(), inverse, rtol=1e-7, atol=1e-9 * np.abs(inverse).max())


@settings(max_examples=15, deadline=None)
@cases
def test_shares_of_a_group_are_traces_with_the_covariance(seed: int, cards: int, squares: int, bow: int) -> None:
    """Of observations of common unknowns alone, and of these and of single unknowns of cards."""
    group = _random(seed + 1, cards=cards, squares=squares, bow=bow, few=True)
    whole = _random(seed, cards=cards, squares=squares, bow=bow) + group
    covariance = np.linalg.inv(whole.dense()[0])
    assert whole.share_of_diagonal(group) == pytest.approx(np.trace(covariance @ group.dense()[0]), rel=1e-8)
    at = group.parts.common
    expected = np.trace(covariance[np.ix_(at, at)] @ group.common)
    assert whole.share_of_common(group) == pytest.approx(expected, rel=1e-8)


def test_equations_without_a_solution_raise() -> None:
    normal = _random(1, cards=1, squares=1, bow=0)
    normal.own[0, 3], normal.own[0, :, 3], normal.mixed[0, 3] = 0.0, 0.0, 0.0
    with pytest.raises(np.linalg.LinAlgError):
        normal.step(damping=0.0)
    with pytest.raises(np.linalg.LinAlgError):
        normal.covariance()
