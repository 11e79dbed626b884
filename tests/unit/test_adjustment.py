"""The adjustment: its Jacobian, its budget, and simulated photos whose true sizes it must find as well as it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import chi2  # type: ignore[import-untyped]
from simulated_photos import Simulated, on_a_sheet, priors_of, simulated, true_state

from cardmeasure import quads as qd
from cardmeasure.adjustment import (
    EDGES_GROUP,
    POINTS_GROUP,
    ROBUST_AT,
    ROUGH_BEND,
    Adjustment,
    adjust,
    robust_weights,
)
from cardmeasure.bow import BEYOND, SQUARE_TERMS, TERMS
from cardmeasure.edges.points import no_edge_points
from cardmeasure.linearised import Linearised, Problem, linearise
from cardmeasure.normal_equations import Parts
from cardmeasure.priors import BEND_GROUP, GROUP_NAMES, prior_rows
from cardmeasure.unknowns import Layout, State

Floats = NDArray[np.float64]

SIZES = [qd.WIDTH, qd.HEIGHT]
RISES = [qd.RISE_WIDTH, qd.RISE_HEIGHT]
OF_POINTS = ("card", "side", "along", "px", "normal", "u_px", "tone_px", "brighter")


def _photo(seed: int, *, cards: int = 2, squares: int = 1, noise: float = 1.0, spread: float = 1.0) -> Simulated:
    """`squares` 0 stands for a sheet."""
    rng = np.random.default_rng(seed)
    priors = priors_of(cards)
    truth = true_state(rng, priors, squares=max(squares, 1), spread=spread)
    return simulated(rng, truth if squares else on_a_sheet(rng, truth), priors, noise=noise)


def _solved(photo: Simulated) -> Adjustment:
    return adjust(photo.start, photo.points, photo.edges, photo.priors)


def _size_rows(state: State) -> list[int]:
    at = state.layout
    return [at.quad_at(card, k) for card in range(len(state.quads)) for k in SIZES]


def _sizes(state: State) -> Floats:
    return state.quads[:, SIZES].ravel()


# ---------------------------------------------------------------- derivatives


def _problem(photo: Simulated) -> Problem:
    rows = prior_rows(photo.truth, photo.priors)
    return Problem(points=photo.points, edges=photo.edges, priors=rows, layout=photo.truth.layout)


def _rows(state: State, photo: Simulated) -> tuple[Linearised, Problem]:
    problem = _problem(photo)
    return linearise(state, problem), problem


def _linearised(state: State, photo: Simulated) -> tuple[Floats, Floats]:
    """Weighted residuals and Jacobian of all rows, but for the priors that only keep a lost card from diverging."""
    rows, problem = _rows(state, photo)
    r, j = rows.dense()
    informs = np.abs(problem.priors.jacobian) @ np.isfinite(problem.priors.mean) > 0
    return np.concatenate([r, rows.priors[informs]]), np.concatenate([j, problem.priors.jacobian[informs]])


def _clearly_curled(state: State) -> State:
    """With rises away from none, where their derivatives jump from those of the middle to those of the rims."""
    quads = state.quads.copy()
    rises = quads[:, RISES]
    quads[:, RISES] = rises + np.where(rises < 0, -0.005, 0.005)
    return replace(state, quads=quads)


def _off_the_end_of_the_paper(photo: Simulated) -> bool:
    """No edge point lies, to 0.02 mm, where a bowed sheet ends: its slope jumps to level there."""
    bow, edges = photo.truth.camera.bow, photo.edges
    if bow is None:
        return True
    lain = qd.world_points(photo.truth.quads[edges.card], qd.side_places(edges.side, edges.along))
    return bool(np.all(np.abs(np.abs(lain[:, :2]) - BEYOND * bow.half_mm) > 0.02))


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10**6), squares=st.sampled_from([0, 1, 2]), cards=st.sampled_from([1, 3]))
def test_the_whole_jacobian_is_that_of_differences(seed: int, squares: int, cards: int) -> None:
    """Printed points of one or two squares or a bowed sheet, edge points and priors, in random directions."""
    photo = _photo(seed, cards=cards, squares=squares)
    photo = replace(photo, truth=_clearly_curled(photo.truth))
    assume(_off_the_end_of_the_paper(photo))
    jacobian = _linearised(photo.truth, photo)[1]
    assert (
        jacobian.shape[1]
        == Layout(squares=max(squares, 1), cards=cards, bow=0 if squares else TERMS, bends=SQUARE_TERMS * squares).size
    )
    # each unknown moves its rows by about one hundredth of their u, whatever its unit
    size = 1e-2 / np.abs(jacobian).max(axis=0)
    rng = np.random.default_rng(seed)
    for _ in range(8):
        step = size * rng.choice([-1.0, 1.0], len(size)) * rng.uniform(0.5, 1.0, len(size))
        change = _linearised(photo.truth.moved(step), photo)[0] - _linearised(photo.truth.moved(-step), photo)[0]
        np.testing.assert_allclose(change / 2, -jacobian @ step, rtol=0, atol=1e-6)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10**6), squares=st.sampled_from([0, 1, 2]), cards=st.sampled_from([0, 1, 3]))
def test_the_compact_normal_matrix_is_the_dense_product(seed: int, squares: int, cards: int) -> None:
    """Normal matrix, right side and products with a matrix, of points and of edges, with weights some of which are 0.

    Cards have unlike numbers of points, as some of them are lost.
    """
    rng = np.random.default_rng(seed)
    photo = _photo(seed, cards=cards, squares=squares)
    photo = replace(photo, edges=photo.edges.rows(rng.random(len(photo.edges.card)) < 0.7))
    rows, _ = _rows(photo.start, photo)
    r, j = rows.dense()
    weights = np.clip(rng.uniform(-0.3, 1.3, len(r)), 0, 1)
    other = rng.normal(size=(j.shape[1], 3))
    n = len(rows.points)
    parts = (
        (slice(0, n), rows.points_normal, rows.points_times), (slice(n, len(r)), rows.edges_normal, rows.edges_times),
    )  # fmt: skip
    size = np.sqrt(np.maximum((j**2).sum(axis=0), 1e-30))
    for part, compact, times in parts:
        normal, right = compact(weights[part]).dense()
        weighted = j[part] * weights[part, None]
        np.testing.assert_allclose(
            normal / np.outer(size, size), weighted.T @ j[part] / np.outer(size, size), atol=1e-12
        )
        length = np.linalg.norm(r)
        np.testing.assert_allclose(right / size / length, weighted.T @ r[part] / size / length, atol=1e-12)
        np.testing.assert_allclose(times(other), j[part] @ other, rtol=1e-9, atol=1e-9 * np.abs(j).max())


@pytest.mark.parametrize("cards", [0, 2])
def test_the_normal_matrix_of_the_priors_is_the_dense_product(cards: int) -> None:
    photo = _photo(6, cards=cards, squares=2)
    rows, parts = prior_rows(photo.truth, priors_of(cards)), Parts(layout=photo.truth.layout)
    weights = np.ones(len(rows.groups))
    weights[rows.heavy] = 0.3
    assert [rows.groups[k] for k in rows.heavy] == [BEND_GROUP] * 6
    j = rows.jacobian * np.sqrt(weights)[:, None]
    residuals = np.linspace(-1.0, 2.0, len(weights))
    normal, right = rows.normal(parts, weights, residuals).dense()
    np.testing.assert_allclose(normal, j.T @ j, rtol=1e-12)
    np.testing.assert_allclose(right, j.T @ (np.sqrt(weights) * residuals), rtol=1e-12, atol=1e-9)
    groups = [rows.times(name, weights, np.eye(j.shape[1])) for name in sorted(set(rows.groups))]
    np.testing.assert_allclose(sum(g.T @ g for g in groups), j.T @ j, rtol=1e-12)


@given(seed=st.integers(0, 10**6))
def test_a_step_and_its_opposite_cancel(seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth = true_state(rng, priors_of(2), squares=2)
    step = rng.normal(0, 1e-2, Layout(squares=2, cards=2, bends=2 * SQUARE_TERMS).size)
    back = truth.moved(step).moved(-step)
    for a, b in (
        (back.camera.rotation, truth.camera.rotation), (back.camera.distortion, truth.camera.distortion),
        (back.scale, truth.scale), (back.squares, truth.squares), (back.quads, truth.quads),
        (back.bias_px, truth.bias_px),
    ):  # fmt: skip
        np.testing.assert_allclose(a, b, rtol=0, atol=1e-9)
    assert back.tone == pytest.approx(truth.tone)
    assert not truth.moved(step).squares[0].any(), "the first square is the origin by definition"


# ---------------------------------------------------------------- the budget


@pytest.mark.parametrize(("cards", "squares"), [(1, 1), (3, 2)])
def test_the_shares_add_up_to_the_covariance(cards: int, squares: int) -> None:
    solved = _solved(_photo(3, cards=cards, squares=squares))
    total = sum(solved.shares.values())
    scale = np.sqrt(np.diag(solved.covariance))
    np.testing.assert_allclose(total / np.outer(scale, scale), solved.covariance / np.outer(scale, scale), atol=1e-7)
    assert set(solved.shares) == {*GROUP_NAMES, POINTS_GROUP, EDGES_GROUP}
    for name, share in solved.shares.items():
        assert np.linalg.eigvalsh(share / np.outer(scale, scale)).min() > -1e-7, name


def test_a_looser_print_scale_raises_its_share_in_proportion() -> None:
    photo = _photo(4, noise=0.0, spread=0.0)
    u = []
    for u_scale in (0.001, 0.002):
        priors = replace(photo.priors, scale_covariance=np.eye(2) * u_scale**2)
        solved = adjust(photo.start, photo.points, photo.edges, priors)
        u.append(np.sqrt(np.diag(solved.shares["print scale"])[_size_rows(solved.state)]))
    np.testing.assert_allclose(u[1], 2 * u[0], rtol=0.1)


def test_a_common_scale_carries_over_in_full() -> None:
    """With both scales wholly correlated the print's share of u is the same part of every size, but for heights above
    the table, which do not grow with the print.
    """
    photo = _photo(5)
    priors = replace(photo.priors, scale_covariance=np.full((2, 2), 0.003**2) + np.eye(2) * 1e-12)
    solved = adjust(photo.start, photo.points, photo.edges, priors)
    u = np.sqrt(np.diag(solved.shares["print scale"])[_size_rows(solved.state)])
    np.testing.assert_allclose(u, 0.003 * _sizes(solved.state), rtol=3e-3)


# ---------------------------------------------------------------- sizes


@pytest.mark.parametrize("squares", [1, 2])
def test_without_noise_the_true_state_comes_back(squares: int) -> None:
    """All unknowns at their priors' means, no noise: nothing is left but rounding."""
    for seed in range(3):
        photo = _photo(seed, cards=3, squares=squares, noise=0.0, spread=0.0)
        solved = _solved(photo)
        np.testing.assert_allclose(_sizes(solved.state), _sizes(photo.truth), rtol=0, atol=1e-4)
        np.testing.assert_allclose(solved.state.squares, photo.truth.squares, rtol=0, atol=1e-4)
        assert solved.point_rms_px < 1e-4
        assert np.abs(solved.edge_residuals_px).max() < 1e-3


@pytest.fixture(scope="module")
def many() -> list[tuple[Simulated, Adjustment]]:
    """Sixty photos of two cards each, all unknowns drawn from the priors, all observations with noise of their u."""
    photos = [_photo(seed) for seed in range(60)]
    return [(photo, _solved(photo)) for photo in photos]


def test_errors_are_as_large_as_the_covariance_says(many: list[tuple[Simulated, Adjustment]]) -> None:
    """e' C^-1 e over the four sizes of each photo, summed over all photos, is a chi-square if C is true.

    Correlations between sizes are part of C, so all sizes of all photos count as independent. The interval holds 99.9 %
    of the chi-square with that many degrees of freedom.
    """
    total = 0.0
    for photo, solved in many:
        rows = _size_rows(solved.state)
        error = _sizes(solved.state) - _sizes(photo.truth)
        total += float(error @ np.linalg.solve(solved.covariance[np.ix_(rows, rows)], error))
    freedom = 4 * len(many)
    low, high = chi2.ppf([0.0005, 0.9995], freedom) / freedom
    assert low < total / freedom < high, f"rms(error / u) is {np.sqrt(total / freedom):.2f}"


def test_each_size_error_over_u_is_about_one(many: list[tuple[Simulated, Adjustment]]) -> None:
    """The first card's width and its height, one by one: 60 independent photos, interval of 99.9 %."""
    low, high = np.sqrt(chi2.ppf([0.0005, 0.9995], len(many)) / len(many))
    for k in SIZES:
        z = []
        for photo, solved in many:
            row = photo.truth.layout.quad_at(0, k)
            z.append((solved.state.quads[0, k] - photo.truth.quads[0, k]) / np.sqrt(solved.covariance[row, row]))
        assert low < np.sqrt(np.mean(np.square(z))) < high, f"parameter {k}"
        assert abs(np.mean(z)) < 3.3 / np.sqrt(len(z)), f"parameter {k}"


def test_the_lens_is_found_as_well_as_stated(many: list[tuple[Simulated, Adjustment]]) -> None:
    """Focal length: rms of error over u within the 99.9 % interval of 60 photos."""
    z = [
        np.log(solved.state.camera.focal_px / photo.truth.camera.focal_px) / np.sqrt(solved.covariance[6, 6])
        for photo, solved in many
    ]
    low, high = np.sqrt(chi2.ppf([0.0005, 0.9995], len(many)) / len(many))
    assert low < np.sqrt(np.mean(np.square(z))) < high


def test_more_noise_than_stated_widens_u_as_if_it_had_been_stated() -> None:
    """Noise of twice the stated u: the covariance is that of observations whose u was stated right."""
    ratio = []
    for seed in range(100, 106):
        photo = _photo(seed, noise=2.0)
        points = replace(photo.points, u_px=2 * photo.points.u_px)
        edges = replace(photo.edges, u_px=2 * photo.edges.u_px)
        told, untold = adjust(photo.start, points, edges, photo.priors), _solved(photo)
        rows = _size_rows(untold.state)
        ratio.append(np.sqrt(np.diag(untold.shares[EDGES_GROUP])[rows] / np.diag(told.shares[EDGES_GROUP])[rows]))
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.08)


# ---------------------------------------------------------------- outliers


@pytest.mark.parametrize("shift_px", [-8.0, 5.0, 40.0])
def test_an_outlier_does_not_move_the_result(shift_px: float) -> None:
    """The result is that of the same photo without the point, and the point has no weight."""
    photo = _photo(11)
    edges, k = photo.edges, 17
    px = edges.px.copy()
    px[k] += shift_px * edges.normal[k]
    keep = np.arange(len(px)) != k
    less = replace(edges, **{name: getattr(edges, name)[keep] for name in OF_POINTS})
    with_outlier = adjust(photo.start, photo.points, replace(edges, px=px), photo.priors)
    without = adjust(photo.start, photo.points, less, photo.priors)
    assert with_outlier.edge_weights[k] == 0.0
    assert with_outlier.edge_residuals_px[k] == pytest.approx(shift_px, abs=0.6)
    np.testing.assert_allclose(_sizes(with_outlier.state), _sizes(without.state), rtol=0, atol=2e-3)


def test_a_printed_point_far_off_does_not_move_the_result() -> None:
    photo = _photo(12)
    px = photo.points.px.copy()
    px[5] += [9.0, -6.0]
    solved = adjust(photo.start, replace(photo.points, px=px), photo.edges, photo.priors)
    plain = _solved(photo)
    u = np.sqrt(np.diag(plain.covariance)[_size_rows(plain.state)])
    assert (np.abs(_sizes(solved.state) - _sizes(plain.state)) < 0.2 * u).all()
    assert solved.point_rms_px < 0.1


@given(values=st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=20))
def test_weights_fall_with_the_residual(values: list[float]) -> None:
    """1 for small residuals, then falling like one over them, and nothing far out if cut off; most others fit well."""
    z = np.array(values + [0.0] * (len(values) + 1))
    soft, hard = robust_weights(z, cut_off=False), robust_weights(z, cut_off=True)
    np.testing.assert_allclose(soft * np.maximum(np.abs(z), ROBUST_AT), ROBUST_AT, rtol=1e-9)
    np.testing.assert_array_equal(hard, np.where(np.abs(z) > 3 * ROBUST_AT, 0.0, soft))


# ---------------------------------------------------------------- curl


def _curled(rise_mm: float, *, across: int) -> Simulated:
    """A noise-free photo of two cards, one of them curled."""
    rng = np.random.default_rng(41)
    truth = true_state(rng, priors_of(2), spread=0.0)
    quads = truth.quads.copy()
    quads[1, across] = rise_mm
    return simulated(rng, replace(truth, quads=quads), priors_of(2), noise=0.0)


@pytest.mark.parametrize("across", RISES)
@pytest.mark.parametrize("rise_mm", [-0.9, 0.9])
def test_a_curled_card_is_believed_to_be_curled(rise_mm: float, across: int) -> None:
    """With a prior that holds for worn decks the rise and the sizes come back to within their u, those of the flat one
    too. A prior that holds cards flat leaves the size further off.
    """
    photo = _curled(rise_mm, across=across)
    yielding = adjust(photo.start, photo.points, photo.edges, replace(photo.priors, u_warp_mm=np.full(3, 0.6)))
    firm = adjust(photo.start, photo.points, photo.edges, replace(photo.priors, u_warp_mm=np.full(3, 0.01)))
    u = np.sqrt(np.diag(yielding.covariance))
    row = photo.truth.layout.quad_at(1, across)
    assert yielding.state.quads[1, across] == pytest.approx(rise_mm, abs=u[row])
    assert u[row] < 0.3
    error, stiff = (np.abs(_sizes(a.state) - _sizes(photo.truth)) for a in (yielding, firm))
    assert (error < u[_size_rows(yielding.state)]).all()
    assert stiff.max() > 2 * error.max()


# ---------------------------------------------------------------- print scale


def _with_print(printed: tuple[float, float], believed: tuple[float, float], *, turn: float) -> tuple[Floats, Floats]:
    """Sizes found and true of a noise-free photo of one card, printed at one scale and believed to be at another."""
    rng = np.random.default_rng(21)
    truth = true_state(rng, priors_of(1, scale=printed, u_scale=1e-5), spread=0.0)
    quads = truth.quads.copy()
    quads[:, qd.TURN] = turn
    photo = simulated(rng, replace(truth, quads=quads), priors_of(1, scale=believed, u_scale=1e-5), noise=0.0)
    return _sizes(_solved(photo).state), _sizes(photo.truth)


def test_a_print_scale_entered_wrongly_by_one_per_cent_shows_as_one_per_cent() -> None:
    found, true = _with_print((1.0, 1.0), (1.01, 1.01), turn=0.3)
    np.testing.assert_allclose(found / true, 1.01, rtol=0, atol=1e-4)


@pytest.mark.parametrize("turn", [0.0, np.pi / 2, 0.7])
def test_a_known_print_scale_is_undone(turn: float) -> None:
    """Printed at 1.003 across and 0.998 down: known so, the sizes are right; with the axes exchanged they are not."""
    found, true = _with_print((1.003, 0.998), (1.003, 0.998), turn=turn)
    np.testing.assert_allclose(found, true, rtol=0, atol=1e-3)
    wrong, _ = _with_print((1.003, 0.998), (0.998, 1.003), turn=turn)
    assert np.abs(wrong - true).max() > 0.1


# ---------------------------------------------------------------- no cards


def test_printed_points_alone_give_the_camera() -> None:
    photo = _photo(31, cards=0, squares=2)
    solved = adjust(photo.start, photo.points, no_edge_points(0), photo.priors)
    assert solved.point_rms_px == pytest.approx(0.05, rel=0.2)
    height = -solved.state.camera.position_mm[2]
    assert height == pytest.approx(-photo.truth.camera.position_mm[2], rel=0.05)


def test_the_shares_of_shapes_add_up_and_a_bend_makes_the_size_less_sure() -> None:
    """A flat card's shape is as sure as it was solved; one that rises is less so in its rise and in what follows it."""
    rng = np.random.default_rng(11)
    priors = priors_of(2, warp_mm=0.6)
    truth = true_state(rng, priors)
    truth.quads[0, [qd.RISE_WIDTH, qd.RISE_HEIGHT]] = 0.0
    truth.quads[1, [qd.RISE_WIDTH, qd.RISE_HEIGHT]] = 1.5, 0.0
    photo = simulated(rng, truth, priors, noise=0.0)
    solution = adjust(photo.start, photo.points, photo.edges, photo.priors)
    for card in range(2):
        parts = sum(share[card] for share in solution.shape_shares.values())
        np.testing.assert_allclose(parts, solution.shape_covariances[card], rtol=1e-6, atol=1e-12)
    rise = solution.state.quads[1, qd.RISE_WIDTH]
    assert rise == pytest.approx(1.5, abs=0.5)
    assert solution.of_rough_bends[1][2, 2] == pytest.approx((ROUGH_BEND * rise) ** 2, rel=1e-6)
    assert np.trace(solution.of_rough_bends[0][:2, :2]) < 0.1 * np.trace(solution.of_rough_bends[1][:2, :2])
