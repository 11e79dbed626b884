"""The one least-squares adjustment of a photo: camera, lens, print scale and all cards together, with priors.

A bundle adjustment of a single picture (Triggs et al., "Bundle adjustment: a modern synthesis", 2000), robust by
iterative reweighting, with every prior as a pseudo-observation. Each row belongs to a named group; the groups' shares
of the covariance are the uncertainty budget, and add up to it exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardmeasure import quads as qd
from cardmeasure.edges.points import EdgePoints
from cardmeasure.linearised import Linearised, PrintedPoints, Problem, bulges_px, linearise
from cardmeasure.normal_equations import Normal
from cardmeasure.numerics import median
from cardmeasure.prior_strain import Strain, is_bent, strain_of
from cardmeasure.priors import CURL_GROUP, PriorRows, Priors, prior_rows
from cardmeasure.unknowns import State

Floats = NDArray[np.floating[Any]]

ROUNDS = 40
DAMPING = 1e-9
"""Next to none at first, as it hardly ever takes any; a step that fails raises it hundredfold."""
CONVERGED, NEARLY, ROUGHLY = 0.2, 0.7, 1.5
"""A solution stands when a step is shorter than this, in standard uncertainties of all unknowns together: at the end,
before outliers are sought, and where the next stage begins with it."""
ROBUST_AT = 2.5
"""Residuals beyond so many standard uncertainties lose weight (Huber), beyond three times that they lose all."""
ROUGH_BEND = 0.25
"""What rises are off by, of themselves: on rendered shots, not the study's, by 0.11 mm where they were 0.5 mm."""
POINTS_GROUP, EDGES_GROUP = "printed points", "edge noise"


@dataclass(frozen=True, kw_only=True, eq=False)
class Weights:
    """Robust weights of the rows of points, of edges, and of priors."""

    points: Floats
    edges: Floats
    priors: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Adjustment:
    """The solution: its state, covariance (n, n), each group's share of it, and what the residuals say.

    rows, prior_rows, weights : of the observations there. point_rms_px : RMS residual of the printed points per axis.
    edge_residuals_px : (n,) of the edge points about straight sides, outward positive. dof : redundancy.
    """

    state: State
    covariance: Floats
    rows: Linearised
    prior_rows: PriorRows
    weights: Weights
    point_rms_px: float
    edge_residuals_px: Floats
    dof: int

    @property
    def edge_weights(self) -> Floats:
        """Robust weights (n,) of the edge points, 0 for an outlier."""
        return self.weights.edges

    @cached_property
    def strain(self) -> Strain:
        """How far the photo pulls what was known of lens and print."""
        return strain_of(self.prior_rows, self.rows.priors, self.weights.priors, self.covariance)

    @property
    def is_bent(self) -> bool:
        """Whether the paper of a square bends by more than paper does."""
        return is_bent(self.prior_rows, self.rows.priors, self.weights.priors, self.covariance)

    @cached_property
    def shares(self) -> dict[str, Floats]:
        """Each group's share (n, n) of the covariance; they add up to it."""
        return self.shares_of(np.arange(len(self.covariance)))

    @cached_property
    def shape_shares(self) -> dict[str, Floats]:
        """Each group's share of the covariance of every card's `quads.SHAPE`, (c, 4, 4)."""
        shares = self.shares_of(self._shapes_at)
        return {name: share + self.of_rough_bends if name == CURL_GROUP else share for name, share in shares.items()}

    @cached_property
    def shape_covariances(self) -> Floats:
        """Covariance (c, 4, 4) of each card's `quads.SHAPE`, that of its rough bend included."""
        return self._of_shapes + self.of_rough_bends

    @cached_property
    def of_rough_bends(self) -> Floats:
        """What it adds to these that cards bend only roughly as parabolas do: all else follows their rises."""
        rises = self.state.quads[:, [qd.RISE_WIDTH, qd.RISE_HEIGHT]]
        solved = self._of_shapes
        follows = solved[:, :, 2:] @ np.linalg.inv(solved[:, 2:, 2:])
        return np.asarray(follows * (ROUGH_BEND * rises[:, None]) ** 2 @ follows.swapaxes(1, 2))

    @cached_property
    def _of_shapes(self) -> Floats:
        rows = self._shapes_at
        return np.asarray(self.covariance[rows[:, :, None], rows[:, None]])

    @property
    def _shapes_at(self) -> NDArray[np.intp]:
        """Where the unknowns (c, 4) of the cards' `quads.SHAPE` stand."""
        at = self.state.layout
        first = [at.quad_at(card, 0) for card in range(at.cards)]
        return np.asarray(np.array(first, np.intp)[:, None] + np.array(qd.SHAPE), np.intp)

    def shares_of(self, unknowns: ArrayLike) -> dict[str, Floats]:
        """The shares of some unknowns only, (m,) or many such sets (..., m): their covariances (..., m, m)."""
        at = np.asarray(unknowns, np.intp)
        columns = self.covariance[:, at.ravel()]
        influences = {
            POINTS_GROUP: self.rows.points_times(columns) * np.sqrt(self.weights.points)[:, None],
            EDGES_GROUP: self.rows.edges_times(columns) * np.sqrt(self.weights.edges)[:, None],
        }
        for group in sorted(set(self.prior_rows.groups)):
            influences[group] = self.prior_rows.times(group, self.weights.priors, columns)
        sets = (np.moveaxis(influence.reshape(-1, *at.shape), 0, -1) for influence in influences.values())
        return {name: one @ one.swapaxes(-1, -2) for name, one in zip(influences, sets, strict=True)}


@dataclass(frozen=True, kw_only=True, eq=False)
class _Place:
    """A state and the rows there."""

    state: State
    rows: Linearised

    @staticmethod
    def at(state: State, problem: Problem) -> _Place:
        return _Place(state=state, rows=linearise(state, problem))


def adjust(start: State, points: PrintedPoints, edges: EdgePoints, priors: Priors) -> Adjustment:
    """Solve for all unknowns of a photo, starting nearby.

    Raises numpy.linalg.LinAlgError where the problem is degenerate, which priors on all unknowns prevent.
    """
    problem = _problem(start, points, edges, priors)
    # only when all is nearly in place may a residual be called an outlier and lose all weight
    place = _settled(_Place.at(start, problem), problem, cut_off=False, within=NEARLY)
    place = _settled(place, problem, cut_off=True, within=NEARLY)
    of_points, of_edges = _variance_factors(place.rows, problem)
    points = replace(points, u_px=points.u_px * of_points)
    edges = replace(edges, u_px=edges.u_px * of_edges)
    problem = replace(problem, points=points, edges=edges)
    place = _Place(state=place.state, rows=place.rows.with_u(points=of_points, edges=of_edges))
    return _described(_settled(place, problem, cut_off=True, within=CONVERGED), problem)


def approximate(start: State, points: PrintedPoints, edges: EdgePoints, priors: Priors) -> State:
    """The solution to a fraction of its uncertainty, for a start to begin the next stage with."""
    problem = _problem(start, points, edges, priors)
    return _settled(_Place.at(start, problem), problem, cut_off=False, within=ROUGHLY).state


def _problem(start: State, points: PrintedPoints, edges: EdgePoints, priors: Priors) -> Problem:
    return Problem(points=points, edges=edges, priors=prior_rows(start, priors), layout=start.layout)


def _settled(place: _Place, problem: Problem, *, cut_off: bool, within: float) -> _Place:
    """Levenberg and Marquardt's damped steps: with a small square and no focal length, full ones overshoot for ever."""
    state, rows, damping = place.state, place.rows, DAMPING
    for _ in range(ROUNDS):
        weights = _weights(rows, problem, cut_off=cut_off)
        step, length = _step(rows, problem, weights, damping)
        trial = state.moved(step)
        trial_rows = linearise(trial, problem)
        if not _cost(trial_rows, weights) <= _cost(rows, weights) * (1 + 1e-12):
            damping *= 100
            continue
        state, rows, damping = trial, trial_rows, damping / 10
        # a step counts in standard uncertainties, whatever the unit of its unknown
        if length < within:
            break
    return _Place(state=state, rows=rows)


def _weights(rows: Linearised, problem: Problem, *, cut_off: bool) -> Weights:
    return Weights(
        points=robust_weights(rows.points, cut_off=cut_off),
        edges=robust_weights(rows.edges, cut_off=cut_off),
        priors=problem.priors.weights(rows.priors),
    )


def _cost(rows: Linearised, weights: Weights) -> float:
    return float(weights.points @ rows.points**2 + weights.edges @ rows.edges**2 + weights.priors @ rows.priors**2)


def _step(rows: Linearised, problem: Problem, weights: Weights, damping: float) -> tuple[Floats, float]:
    priors = problem.priors.sums(rows.parts, weights.priors, rows.priors)
    quick = rows.step_by_kernel(
        points_weight=weights.points, edges_weight=weights.edges, priors=priors, damping=damping
    )
    return quick or _normal(rows, problem, weights).step(damping=damping)


def _normal(rows: Linearised, problem: Problem, weights: Weights) -> Normal:
    of_priors = problem.priors.normal(rows.parts, weights.priors, rows.priors)
    return rows.points_normal(weights.points) + rows.edges_normal(weights.edges) + of_priors


def robust_weights(scaled: Floats, *, cut_off: bool) -> Floats:
    """Weights (n,) of residuals in units of u: Huber's, and with `cut_off` none beyond three times where it sets in."""
    size = np.abs(scaled)
    # where nearly all fit worse than stated, the stated u is too small, not every observation wrong
    size = size / max(1.0, 1.48 * median(size)) if len(size) else size
    huber = np.minimum(1.0, ROBUST_AT / np.maximum(size, 1e-9))
    return np.where(cut_off & (size > 3 * ROBUST_AT), 0.0, huber)


def _variance_factors(rows: Linearised, problem: Problem) -> tuple[float, float]:
    """By how much the stated u of points and of edge points fall short of their scatter (never below 1).

    Each group's redundancy is its rows less the trace of its share of the hat matrix (Förstner's variance components).
    """
    weights = _weights(rows, problem, cut_off=True)
    of_points = rows.points_normal(weights.points)
    of_priors = problem.priors.normal(rows.parts, weights.priors, rows.priors)
    whole = of_points + rows.edges_normal(weights.edges) + of_priors
    share = whole.share_of_common(of_points)
    # the traces of all groups add up to the number of unknowns
    shares = (share, problem.layout.size - share - whole.share_of_diagonal(of_priors))
    factors = []
    for r, w, trace in zip((rows.points, rows.edges), (weights.points, weights.edges), shares, strict=True):
        redundancy = float(np.sum(w > 0)) - trace
        factors.append(float(np.sqrt(max(1.0, float(w @ r**2) / max(redundancy, 1.0)))))
    return factors[0], factors[1]


def _described(place: _Place, problem: Problem) -> Adjustment:
    rows = place.rows
    weights = _weights(rows, problem, cut_off=True)
    covariance = _normal(rows, problem, weights).covariance()
    residual = rows.points.reshape(2, -1) * problem.points.u_px
    used = weights.points.reshape(2, -1).min(axis=0) > 0
    count = len(rows.points) + len(rows.edges) + len(rows.priors)
    return Adjustment(
        state=place.state,
        covariance=covariance,
        rows=rows,
        prior_rows=problem.priors,
        weights=weights,
        point_rms_px=float(np.sqrt(np.mean(residual[:, used] ** 2))) if used.any() else float("nan"),
        edge_residuals_px=rows.edges * problem.edges.u_px + bulges_px(place.state, problem.edges),
        dof=max(1, count - problem.layout.size),
    )
