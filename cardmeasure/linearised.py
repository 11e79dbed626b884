"""The rows of the adjustment at a state: residuals and derivatives, kept compact as most unknowns touch few rows.

A printed point knows of camera, scale and its square; an edge point of camera, tone and its own card. So the normal
matrix is put together from small blocks, at a tenth of the cost of the full product.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cardmeasure import camera as cam
from cardmeasure import quads as qd
from cardmeasure.camera import bow_jacobian, project_with_jacobian
from cardmeasure.edges.points import EdgePoints
from cardmeasure.priors import PriorRows
from cardmeasure.unknowns import Layout, State

Floats = NDArray[np.floating[Any]]

TONE = cam.PARAMETERS
QUAD = slice(TONE + 1, TONE + 1 + qd.PARAMETERS)
BIAS = QUAD.stop
EDGE_COLUMNS = BIAS + qd.SIDES
"""Columns of an edge point's row: camera, tone, its card's parameters, its card's sides' shifts; then a sheet's bow."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PrintedPoints:
    """Saddle points of all squares: square (n,), design mm (n, 2), pixels (n, 2), u_px (n,)."""

    square: NDArray[np.intp]
    mm: Floats
    px: Floats
    u_px: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Problem:
    """What is to be solved: observations, the edge points in the order of their cards, priors, and the unknowns."""

    points: PrintedPoints
    edges: EdgePoints
    priors: PriorRows
    layout: Layout

    @cached_property
    def columns(self) -> NDArray[np.intp]:
        """The unknowns that the edge points of each card know of, (c, 30)."""
        at, cards = self.layout, np.arange(self.layout.cards)[:, None]
        common = np.append(np.arange(cam.PARAMETERS), at.tone_at)
        return np.concatenate(
            [
                np.tile(common, (at.cards, 1)),
                at.quads_at.start + qd.PARAMETERS * cards + np.arange(qd.PARAMETERS),
                at.bias_at.start + qd.SIDES * cards + np.arange(qd.SIDES),
                np.tile(np.arange(at.bow_at.start, at.bow_at.stop), (at.cards, 1)),
            ],
            axis=1,
        )

    @cached_property
    def bounds(self) -> NDArray[np.intp]:
        """Where the edge points of each card begin, and where the last one's end, (c + 1,)."""
        return np.searchsorted(self.edges.card, np.arange(self.layout.cards + 1))


@dataclass(frozen=True, kw_only=True, eq=False)
class Linearised:
    """Residuals in units of u, and their compact Jacobians.

    points (2n,), all x first; edges (m,); priors (k,). by_points (2n, p): after the first p unknowns.
    by_edges (m, 30): after those named above; columns (c, 30): these of each card; bounds (c + 1,): each card's rows.
    """

    points: Floats
    edges: Floats
    priors: Floats
    by_points: Floats
    by_edges: Floats
    columns: NDArray[np.intp]
    bounds: NDArray[np.intp]
    layout: Layout

    def points_normal(self, weights: Floats) -> tuple[Floats, Floats]:
        """Normal matrix (n, n) and right side (n,) of the printed points alone."""
        normal, right = self._zeros()
        weighted = self.by_points * weights[:, None]
        p = weighted.shape[1]
        normal[:p, :p] = weighted.T @ self.by_points
        right[:p] = weighted.T @ self.points
        return normal, right

    def edges_normal(self, weights: Floats) -> tuple[Floats, Floats]:
        """Normal matrix (n, n) and right side (n,) of the edge points alone."""
        normal, right = self._zeros()
        weighted = self.by_edges * weights[:, None]
        for card, columns in enumerate(self.columns):
            mine = slice(self.bounds[card], self.bounds[card + 1])
            normal[columns[:, None], columns] += weighted[mine].T @ self.by_edges[mine]
            right[columns] += weighted[mine].T @ self.edges[mine]
        return normal, right

    def points_times(self, matrix: Floats) -> Floats:
        """Jacobian of the printed points times a matrix (n, k)."""
        return np.asarray(self.by_points @ matrix[: self.by_points.shape[1]])

    def edges_times(self, matrix: Floats) -> Floats:
        """Jacobian of the edge points times a matrix (n, k)."""
        out = np.empty((len(self.edges), matrix.shape[1]))
        for card, columns in enumerate(self.columns):
            mine = slice(self.bounds[card], self.bounds[card + 1])
            out[mine] = self.by_edges[mine] @ matrix[columns]
        return out

    def dense(self) -> tuple[Floats, Floats]:
        """Residuals and full Jacobian of points and edges, in this order."""
        j = np.zeros((len(self.points) + len(self.edges), self.layout.size))
        j[: len(self.points), : self.by_points.shape[1]] = self.by_points
        for card, columns in enumerate(self.columns):
            for row in range(self.bounds[card], self.bounds[card + 1]):
                j[len(self.points) + row, columns] = self.by_edges[row]
        return np.concatenate([self.points, self.edges]), j

    def with_u(self, *, points: float, edges: float) -> Linearised:
        """The same rows where the u of printed points and of edge points is so many times as large."""
        return replace(
            self, points=self.points / points, by_points=self.by_points / points, edges=self.edges / edges,
            by_edges=self.by_edges / edges,
        )  # fmt: skip

    def _zeros(self) -> tuple[Floats, Floats]:
        size = self.layout.size
        return np.zeros((size, size)), np.zeros(size)


def linearise(state: State, problem: Problem) -> Linearised:
    """All rows at a state."""
    printed, on_cards = _printed_world(state, problem.points), _edge_world(state, problem.edges)
    # points and edges are projected at once, as each step costs more to begin than to do
    seen = _seen(state, np.concatenate([printed, on_cards[0]]))
    points, by_points = _point_rows(state, problem.points, problem.layout, seen.rows(slice(len(printed))))
    edges, by_edges = _edge_rows(state, problem.edges, on_cards[1], seen.rows(slice(len(printed), None)))
    return Linearised(
        points=points, edges=edges, priors=problem.priors.residuals(state), by_points=by_points, by_edges=by_edges,
        columns=problem.columns, bounds=problem.bounds, layout=problem.layout,
    )  # fmt: skip


class _Seen(NamedTuple):
    """World points (n, 3), their pixels (n, 2) and derivatives after the camera (n, 2, 14) and the points (n, 2, 3)."""

    world: Floats
    px: Floats
    by_camera: Floats
    by_world: Floats

    def rows(self, part: slice) -> _Seen:
        return _Seen(self.world[part], self.px[part], self.by_camera[part], self.by_world[part])


def _seen(state: State, world: Floats) -> _Seen:
    return _Seen(world, *project_with_jacobian(state.camera, world))


def _printed_world(state: State, points: PrintedPoints) -> Floats:
    """World points (n, 3) of the printed points."""
    pose, local = state.squares[points.square], points.mm * state.scale
    c, s = np.cos(pose[:, 2]), np.sin(pose[:, 2])
    x = pose[:, 0] + c * local[:, 0] - s * local[:, 1]
    y = pose[:, 1] + s * local[:, 0] + c * local[:, 1]
    return np.column_stack([x, y, np.zeros_like(x)])


def _point_rows(state: State, points: PrintedPoints, at: Layout, seen: _Seen) -> tuple[Floats, Floats]:
    pose, local = state.squares[points.square], points.mm * state.scale
    c, s = np.cos(pose[:, 2]), np.sin(pose[:, 2])
    world, px, by_camera, by_world = seen
    by_x, by_y = by_world[:, :, 0], by_world[:, :, 1]
    j = np.zeros((len(px), 2, at.bow_at.stop))
    j[:, :, at.camera_at] = by_camera
    j[:, :, at.bow_at] = bow_jacobian(state.camera, world, by_world)
    scale = at.scale_at.start
    j[:, :, scale] = (by_x * c[:, None] + by_y * s[:, None]) * points.mm[:, :1]
    j[:, :, scale + 1] = (-by_x * s[:, None] + by_y * c[:, None]) * points.mm[:, 1:]
    for square in range(1, len(state.squares)):
        mine = points.square == square
        column = at.squares_at.start + 3 * (square - 1)
        j[mine, :, column : column + 2] = by_world[mine, :, :2]
        lx, ly = local[mine].T
        dx, dy = -s[mine] * lx - c[mine] * ly, c[mine] * lx - s[mine] * ly
        j[mine, :, column + 2] = by_x[mine] * dx[:, None] + by_y[mine] * dy[:, None]
    weight = 1.0 / points.u_px
    r = (points.px - px) * weight[:, None]
    j *= weight[:, None, None]
    return r.T.reshape(-1), j.transpose(1, 0, 2).reshape(2 * len(px), -1)


def edge_residuals_px(state: State, edges: EdgePoints) -> Floats:
    """How far outside its predicted place each edge point lies, (m,), pixels; the sides' own shifts taken off."""
    world, by_quad = _edge_world(state, edges)
    seen = _seen(state, world)
    return np.asarray(_edge_rows(state, edges, by_quad, seen)[0] * edges.u_px)


def _edge_world(state: State, edges: EdgePoints) -> tuple[Floats, Floats]:
    """World points (m, 3) of the edge points, and their derivatives (m, 3, 11) after their cards' parameters."""
    return qd.world_points_with_jacobian(state.quads[edges.card], qd.side_places(edges.side, edges.along))


def _edge_rows(state: State, edges: EdgePoints, by_quad: Floats, seen: _Seen) -> tuple[Floats, Floats]:
    n = len(edges.card)
    j = np.zeros((n, EDGE_COLUMNS + state.layout.bow))
    if n == 0:
        return np.zeros(0), j
    world, px, by_camera, by_world = seen
    normal = edges.normal[:, None]
    j[:, : cam.PARAMETERS] = (normal @ by_camera)[:, 0]
    j[:, TONE] = edges.tone_px
    j[:, QUAD] = (normal @ by_world @ by_quad)[:, 0]
    j[np.arange(n), BIAS + edges.side] = 1.0
    if state.layout.bow:
        j[:, EDGE_COLUMNS:] = (normal @ bow_jacobian(state.camera, world, by_world))[:, 0]
    r = (normal @ (edges.px - px)[..., None])[:, 0, 0]
    r -= state.bias_px[edges.card, edges.side] + edges.tone_px * state.tone
    return r / edges.u_px, j / edges.u_px[:, None]
