"""The one least-squares adjustment of a photo: camera, lens, print scale and all cards together, with priors.

A bundle adjustment of a single picture (Triggs et al., "Bundle adjustment: a modern synthesis", 2000), robust by
iterative reweighting, with every prior as a pseudo-observation. Each row belongs to a named group; the groups' shares
of the covariance are the uncertainty budget, and add up to it exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges.points import EdgePoints
from cardmeasure.linearised import Linearised, PrintedPoints, Problem, linearise
from cardmeasure.priors import Priors, prior_rows
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
POINTS_GROUP, EDGES_GROUP = "printed points", "edge noise"


@dataclass(frozen=True, kw_only=True, eq=False)
class Adjustment:
    """The solution: its state, covariance (n, n), each group's share of it, and what the residuals say.

    point_rms_px : RMS residual of the printed points per axis. edge_residuals_px : (n,) of the edge points, outward
    positive. edge_weights : (n,) robust weights, 0 for an outlier. dof : redundancy.
    """

    state: State
    covariance: Floats
    shares: dict[str, Floats]
    point_rms_px: float
    edge_residuals_px: Floats
    edge_weights: Floats
    dof: int


@dataclass(frozen=True, kw_only=True, eq=False)
class _Place:
    """A state and the rows there."""

    state: State
    rows: Linearised

    @staticmethod
    def at(state: State, problem: Problem) -> _Place:
        return _Place(state=state, rows=linearise(state, problem))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Weights:
    """Robust weights of the rows of points, of edges, and of priors."""

    points: Floats
    edges: Floats
    priors: Floats


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
        normal, right = _normal(rows, problem, weights)
        step = np.linalg.solve(normal + np.diag(damping * np.diag(normal)), right)
        trial = state.moved(step)
        trial_rows = linearise(trial, problem)
        if not _cost(trial_rows, weights) <= _cost(rows, weights) * (1 + 1e-12):
            damping *= 100
            continue
        state, rows, damping = trial, trial_rows, damping / 10
        # a step counts in standard uncertainties, whatever the unit of its unknown
        if np.sqrt(step @ normal @ step) < within:
            break
    return _Place(state=state, rows=rows)


def _weights(rows: Linearised, problem: Problem, *, cut_off: bool) -> _Weights:
    return _Weights(
        points=robust_weights(rows.points, cut_off=cut_off),
        edges=robust_weights(rows.edges, cut_off=cut_off),
        priors=problem.priors.weights(rows.priors),
    )


def _cost(rows: Linearised, weights: _Weights) -> float:
    return float(weights.points @ rows.points**2 + weights.edges @ rows.edges**2 + weights.priors @ rows.priors**2)


def _normal(rows: Linearised, problem: Problem, weights: _Weights) -> tuple[Floats, Floats]:
    """The normal matrix (n, n) and its right side (n,)."""
    of_points, right_points = rows.points_normal(weights.points)
    of_edges, right_edges = rows.edges_normal(weights.edges)
    right_priors = problem.priors.jacobian.T @ (weights.priors * rows.priors)
    return of_points + of_edges + problem.priors.normal(weights.priors), right_points + right_edges + right_priors


def robust_weights(scaled: Floats, *, cut_off: bool) -> Floats:
    """Weights (n,) of residuals in units of u: Huber's, and with `cut_off` none beyond three times where it sets in."""
    size = np.abs(scaled)
    # where nearly all fit worse than stated, the stated u is too small, not every observation wrong
    size = size / max(1.0, 1.48 * float(np.median(size))) if len(size) else size
    huber = np.minimum(1.0, ROBUST_AT / np.maximum(size, 1e-9))
    return np.where(cut_off & (size > 3 * ROBUST_AT), 0.0, huber)


def _variance_factors(rows: Linearised, problem: Problem) -> tuple[float, float]:
    """By how much the stated u of points and of edge points fall short of their scatter (never below 1).

    Each group's redundancy is its rows less the trace of its share of the hat matrix (Förstner's variance components).
    """
    weights = _weights(rows, problem, cut_off=True)
    covariance = np.linalg.inv(_normal(rows, problem, weights)[0])
    factors = []
    for r, w, normal in (
        (rows.points, weights.points, rows.points_normal(weights.points)[0]),
        (rows.edges, weights.edges, rows.edges_normal(weights.edges)[0]),
    ):
        redundancy = float(np.sum(w > 0)) - float(np.sum(covariance * normal))
        factors.append(float(np.sqrt(max(1.0, float(w @ r**2) / max(redundancy, 1.0)))))
    return factors[0], factors[1]


def _described(place: _Place, problem: Problem) -> Adjustment:
    rows = place.rows
    weights = _weights(rows, problem, cut_off=True)
    covariance = np.linalg.inv(_normal(rows, problem, weights)[0])
    influences = {
        POINTS_GROUP: rows.points_times(covariance) * np.sqrt(weights.points)[:, None],
        EDGES_GROUP: rows.edges_times(covariance) * np.sqrt(weights.edges)[:, None],
    }
    for group in sorted(set(problem.priors.groups)):
        influences[group] = problem.priors.of_group(group, weights.priors) @ covariance
    residual = rows.points.reshape(2, -1) * problem.points.u_px
    used = weights.points.reshape(2, -1).min(axis=0) > 0
    count = len(rows.points) + len(rows.edges) + len(rows.priors)
    return Adjustment(
        state=place.state,
        covariance=covariance,
        shares={group: influence.T @ influence for group, influence in influences.items()},
        point_rms_px=float(np.sqrt(np.mean(residual[:, used] ** 2))) if used.any() else float("nan"),
        edge_residuals_px=rows.edges * problem.edges.u_px,
        edge_weights=weights.edges,
        dof=max(1, count - problem.layout.size),
    )
