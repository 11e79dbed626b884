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

from cardmeasure import quads as qd
from cardmeasure.camera import project, project_with_jacobian
from cardmeasure.edges.points import EdgePoints
from cardmeasure.priors import Priors, prior_rows
from cardmeasure.unknowns import Layout, State

Floats = NDArray[np.floating[Any]]

ROUNDS = 40
DAMPING = 1e-9
"""Next to none at first, as it hardly ever takes any; a step that fails raises it hundredfold."""
CONVERGED = 1e-3
ROBUST_AT = 2.5
"""Residuals beyond so many standard uncertainties lose weight (Huber), beyond three times that they lose all."""
POINTS_GROUP, EDGES_GROUP = "printed points", "edge noise"


@dataclass(frozen=True, kw_only=True, eq=False)
class PrintedPoints:
    """Saddle points of all squares: square (n,), design mm (n, 2), pixels (n, 2), u_px (n,)."""

    square: NDArray[np.intp]
    mm: Floats
    px: Floats
    u_px: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Rows:
    """Rows of the linearised problem in units of u: residuals (m,), Jacobian (m, n).

    The printed points' `points` rows come first, then the `edges` rows of the edges, then the priors, whose
    groups are `prior_groups`.
    """

    residuals: Floats
    jacobian: Floats
    prior_groups: list[str]
    points: int
    edges: int

    @property
    def groups(self) -> NDArray[np.str_]:
        """The group of each row (m,)."""
        return np.array([POINTS_GROUP] * self.points + [EDGES_GROUP] * self.edges + self.prior_groups)

    def weights(self, *, cut_off: bool) -> Floats:
        """Robust weights (m,); priors always count in full."""
        last = self.points + self.edges
        return np.concatenate(
            [
                robust_weights(self.residuals[: self.points], cut_off=cut_off),
                robust_weights(self.residuals[self.points : last], cut_off=cut_off),
                np.ones(len(self.residuals) - last),
            ]
        )


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


def adjust(start: State, points: PrintedPoints, edges: EdgePoints, priors: Priors) -> Adjustment:
    """Solve for all unknowns of a photo, starting nearby.

    Raises numpy.linalg.LinAlgError where the problem is degenerate, which priors on all unknowns prevent.
    """
    # only when all is nearly in place may a residual be called an outlier and lose all weight
    state = _settled(start, points, edges, priors, cut_off=False)
    state = _settled(state, points, edges, priors, cut_off=True)
    factor = _variance_factors(state, points, edges, priors)
    points = replace(points, u_px=points.u_px * factor[0])
    edges = replace(edges, u_px=edges.u_px * factor[1])
    state = _settled(state, points, edges, priors, cut_off=True)
    rows = _rows(state, points, edges, priors)
    weights = rows.weights(cut_off=True)
    jacobian = rows.jacobian * np.sqrt(weights)[:, None]
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    shares, groups = {}, rows.groups
    for group in sorted(set(groups.tolist())):
        j = jacobian[groups == group] @ covariance
        shares[group] = j.T @ j
    residual = _point_residuals(state, points)
    used = weights[: rows.points].reshape(2, -1).min(axis=0) > 0
    return Adjustment(
        state=state,
        covariance=covariance,
        shares=shares,
        point_rms_px=float(np.sqrt(np.mean(residual[:, used] ** 2))) if used.any() else float("nan"),
        edge_residuals_px=_edge_residuals(state, edges),
        edge_weights=weights[rows.points : rows.points + rows.edges],
        dof=max(1, len(rows.residuals) - Layout(squares=len(state.squares), cards=len(state.quads)).size),
    )


def _settled(state: State, points: PrintedPoints, edges: EdgePoints, priors: Priors, *, cut_off: bool) -> State:
    """Levenberg and Marquardt's damped steps: with a small square and no focal length, full ones overshoot for ever."""
    rows, damping = _rows(state, points, edges, priors), DAMPING
    for _ in range(ROUNDS):
        weights = rows.weights(cut_off=cut_off)
        weighted = rows.jacobian * weights[:, None]
        normal, right = weighted.T @ rows.jacobian, weighted.T @ rows.residuals
        step = np.linalg.solve(normal + np.diag(damping * np.diag(normal)), right)
        trial = state.moved(step)
        trial_rows = _rows(trial, points, edges, priors)
        if not weights @ trial_rows.residuals**2 <= weights @ rows.residuals**2 * (1 + 1e-12):
            damping *= 100
            continue
        state, rows, damping = trial, trial_rows, damping / 10
        # a step counts in standard uncertainties, whatever the unit of its unknown
        if np.sqrt(step @ normal @ step) < CONVERGED * np.sqrt(len(rows.residuals)):
            break
    return state


def _rows(state: State, points: PrintedPoints, edges: EdgePoints, priors: Priors) -> Rows:
    r_points, j_points = _point_rows(state, points)
    r_edges, j_edges = _edge_rows(state, edges)
    r_prior, j_prior, names = prior_rows(state, priors)
    return Rows(
        residuals=np.concatenate([r_points, r_edges, r_prior]),
        jacobian=np.concatenate([j_points, j_edges, j_prior]),
        prior_groups=names,
        points=len(r_points),
        edges=len(r_edges),
    )


def robust_weights(scaled: Floats, *, cut_off: bool) -> Floats:
    """Weights (n,) of residuals in units of u: Huber's, and with `cut_off` none beyond three times where it sets in."""
    size = np.abs(scaled)
    # where nearly all fit worse than stated, the stated u is too small, not every observation wrong
    size = size / max(1.0, 1.48 * float(np.median(size))) if len(size) else size
    huber = np.minimum(1.0, ROBUST_AT / np.maximum(size, 1e-9))
    return np.where(cut_off & (size > 3 * ROBUST_AT), 0.0, huber)


def _square_points(state: State, points: PrintedPoints) -> tuple[Floats, Floats, Floats, Floats]:
    pose = state.squares[points.square]
    local = points.mm * state.scale
    c, s = np.cos(pose[:, 2]), np.sin(pose[:, 2])
    x = pose[:, 0] + c * local[:, 0] - s * local[:, 1]
    y = pose[:, 1] + s * local[:, 0] + c * local[:, 1]
    return np.column_stack([x, y, np.zeros_like(x)]), local, c, s


def _point_residuals(state: State, points: PrintedPoints) -> Floats:
    """Observed minus predicted, (2, n), pixels."""
    return np.asarray((points.px - project(state.camera, _square_points(state, points)[0])).T)


def _point_rows(state: State, points: PrintedPoints) -> tuple[Floats, Floats]:
    at = Layout(squares=len(state.squares), cards=len(state.quads))
    world, local, c, s = _square_points(state, points)
    px, by_camera, by_world = project_with_jacobian(state.camera, world)
    n = len(px)
    j = np.zeros((n, 2, at.size))
    j[:, :, at.camera_at] = by_camera
    mm_x, mm_y = points.mm.T
    scale = at.scale_at.start
    j[:, :, scale] = (by_world[:, :, 0] * c[:, None] + by_world[:, :, 1] * s[:, None]) * mm_x[:, None]
    j[:, :, scale + 1] = (-by_world[:, :, 0] * s[:, None] + by_world[:, :, 1] * c[:, None]) * mm_y[:, None]
    for square in range(1, len(state.squares)):
        mine = points.square == square
        column = at.squares_at.start + 3 * (square - 1)
        j[mine, :, column : column + 2] = by_world[mine, :, :2]
        lx, ly = local[mine].T
        dx, dy = -s[mine] * lx - c[mine] * ly, c[mine] * lx - s[mine] * ly
        j[mine, :, column + 2] = by_world[mine, :, 0] * dx[:, None] + by_world[mine, :, 1] * dy[:, None]
    weight = 1.0 / points.u_px
    r = (points.px - px) * weight[:, None]
    j *= weight[:, None, None]
    return r.T.reshape(-1), j.transpose(1, 0, 2).reshape(2 * n, -1)


def _edge_residuals(state: State, edges: EdgePoints) -> Floats:
    """How far outside its predicted place each edge point lies, (n,), pixels; the sides' own shifts taken off."""
    world = qd.world_points(state.quads[edges.card], qd.side_places(edges.side, edges.along))
    out = np.einsum("ni,ni->n", edges.normal, edges.px - project(state.camera, world))
    return np.asarray(out - state.bias_px[edges.card, edges.side] - edges.tone_px * state.tone)


def _edge_rows(state: State, edges: EdgePoints) -> tuple[Floats, Floats]:
    at = Layout(squares=len(state.squares), cards=len(state.quads))
    n = len(edges.card)
    j = np.zeros((n, at.size))
    if n == 0:
        return np.zeros(0), j
    places = qd.side_places(edges.side, edges.along)
    world, by_quad = qd.world_points_with_jacobian(state.quads[edges.card], places)
    px, by_camera, by_world = project_with_jacobian(state.camera, world)
    j[:, at.camera_at] = np.einsum("ni,nij->nj", edges.normal, by_camera)
    along_normal = np.einsum("ni,nij->nj", edges.normal, by_world)
    columns = at.quads_at.start + qd.PARAMETERS * edges.card[:, None] + np.arange(qd.PARAMETERS)
    row = np.arange(n)
    j[row[:, None], columns] = np.einsum("ni,nij->nj", along_normal, by_quad)
    j[row, at.bias_at.start + qd.SIDES * edges.card + edges.side] = 1.0
    j[row, at.tone_at] = edges.tone_px
    r = np.einsum("ni,ni->n", edges.normal, edges.px - px)
    r -= state.bias_px[edges.card, edges.side] + edges.tone_px * state.tone
    return r / edges.u_px, j / edges.u_px[:, None]


def _variance_factors(state: State, points: PrintedPoints, edges: EdgePoints, priors: Priors) -> tuple[float, float]:
    """By how much the stated u of points and of edge points fall short of their scatter (never below 1).

    Each group's redundancy is its rows less the trace of its share of the hat matrix (Förstner's variance components).
    """
    rows = _rows(state, points, edges, priors)
    weights = rows.weights(cut_off=True)
    root = np.sqrt(weights)
    jacobian = rows.jacobian * root[:, None]
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    factors = []
    for mine in (slice(0, rows.points), slice(rows.points, rows.points + rows.edges)):
        j, r = jacobian[mine], (rows.residuals * root)[mine]
        redundancy = float(np.sum(weights[mine] > 0)) - float(np.einsum("mi,ij,mj->", j, covariance, j, optimize=True))
        factors.append(float(np.sqrt(max(1.0, float(r @ r) / max(redundancy, 1.0)))))
    return factors[0], factors[1]
