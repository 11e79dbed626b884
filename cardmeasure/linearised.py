"""The rows of the adjustment at a state: residuals and derivatives, kept compact as most unknowns touch few rows.

A printed point knows of camera, scale and its square; an edge point of camera, tone and its own card. So the normal
matrix is put together from small blocks, at a tenth of the cost of the full product. Derivatives lie transposed, one
row an unknown: numpy works fastest along rows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import camera as cam
from cardmeasure import kernels
from cardmeasure import quads as qd
from cardmeasure.bow import SQUARE_TERMS, square_terms
from cardmeasure.camera import Along, seen_along
from cardmeasure.edges.bends import bow
from cardmeasure.edges.points import EdgePoints
from cardmeasure.normal_equations import OWN, Normal, Parts, PriorSums
from cardmeasure.priors import PriorRows
from cardmeasure.unknowns import Layout, State

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, eq=False)
class PrintedPoints:
    """Saddle points of all squares: square (n,), design mm (n, 2), pixels (n, 2), u_px (n,)."""

    square: Ints
    mm: Floats
    px: Floats
    u_px: Floats

    @cached_property
    def bend_terms(self) -> Floats:
        """How high each term of its square's bend lifts each point, (n, 3)."""
        half = np.zeros(int(self.square.max(initial=-1)) + 1)
        np.maximum.at(half, self.square, np.abs(self.mm).max(axis=1))
        return square_terms(self.mm, half[self.square])


@dataclass(frozen=True, kw_only=True, eq=False)
class _Seen:
    """Directions (2, n) over u along which residuals are taken, and where the points were seen along them, (n,)."""

    directions: Floats
    along: Floats

    @staticmethod
    def at(px: Floats, directions: Floats) -> _Seen:
        return _Seen(directions=np.ascontiguousarray(directions), along=np.asarray((px.T * directions).sum(axis=0)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Problem:
    """What is to be solved: observations, the edge points in the order of their cards, priors, and the unknowns.

    What does not hang on the state is worked out once.
    """

    points: PrintedPoints
    edges: EdgePoints
    priors: PriorRows
    layout: Layout

    @cached_property
    def parts(self) -> Parts:
        """Which unknowns are common, and which are each card's own."""
        return Parts(layout=self.layout)

    @cached_property
    def known(self) -> Ints:
        """Which of the common unknowns edge points know of, (p,)."""
        at = self.layout
        bow, halos = (np.arange(part.start, part.stop) for part in (at.bow_at, at.halo_at))
        return np.concatenate([np.arange(cam.PARAMETERS), bow, halos, [at.quads_at.start]])

    @cached_property
    def bounds(self) -> list[int]:
        """Where the edge points of each card begin, and where the last one's end, (c + 1,)."""
        return [int(k) for k in np.searchsorted(self.edges.card, np.arange(self.layout.cards + 1))]

    @cached_property
    def cards(self) -> NDArray[np.int64]:
        """Numbers (m,) of the edge points' cards, as kernels take them."""
        return np.ascontiguousarray(self.edges.card, np.int64)

    @cached_property
    def places(self) -> Floats:
        """Places (m, 2) in -1..1 of the edge points on their cards."""
        return np.asfortranarray(qd.side_places(self.edges.side, self.edges.along))

    @cached_property
    def twice(self) -> PrintedPoints:
        """The printed points twice, as each has two rows."""
        points = self.points
        return PrintedPoints(
            square=np.tile(points.square, 2), mm=np.tile(points.mm, (2, 1)), px=np.tile(points.px, (2, 1)),
            u_px=np.tile(points.u_px, 2),
        )  # fmt: skip

    @cached_property
    def of_points(self) -> _Seen:
        """Where printed points were seen along the photo's x, then along its y, over their u."""
        one = 1.0 / self.points.u_px
        zero = np.zeros_like(one)
        return _Seen.at(self.twice.px, np.hstack([[one, zero], [zero, one]]))

    @cached_property
    def of_edges(self) -> _Seen:
        """Where edge points were seen across their sides, over their u."""
        return _Seen.at(self.edges.px, self.edges.normal.T / self.edges.u_px)

    @cached_property
    def by_look(self) -> Floats:
        """Derivatives (3, m) of the edge points' rows after the two halos and the tone."""
        bright = self.edges.brighter
        return np.vstack([bright, ~bright, self.edges.tone_px]) / self.edges.u_px

    @cached_property
    def by_sides(self) -> Floats:
        """Derivatives (8, m) of the edge points' rows after their card's four shifts and four bends."""
        mine = (self.edges.side == np.arange(qd.SIDES)[:, None]) / self.edges.u_px
        return np.vstack([mine, mine * bow(self.edges.along)])


@dataclass(frozen=True, kw_only=True, eq=False)
class Linearised:
    """Residuals in units of u, and their compact Jacobians.

    points (2n,), all x first; edges (m,); priors (k,). by_points (q - 1, 2n): after all common unknowns but the tone.
    by_edges (p + 22, m): after those common unknowns that edges know of, `known` (p,) among the common ones, then after
    their card's own. bounds (c + 1,): each card's points.
    """

    points: Floats
    edges: Floats
    priors: Floats
    by_points: Floats
    by_edges: Floats
    known: Ints
    bounds: list[int]
    parts: Parts

    def points_normal(self, weights: Floats) -> Normal:
        """Normal matrix and right side of the printed points alone."""
        normal = self._nothing()
        rows = np.vstack([self.by_points, self.points]) * np.sqrt(weights)
        product = rows @ rows.T
        normal.common[:-1, :-1] = product[:-1, :-1]
        normal.right_common[:-1] = product[:-1, -1]
        return normal

    def edges_normal(self, weights: Floats) -> Normal:
        """Normal matrix and right side of the edge points alone."""
        normal = self._nothing()
        rows = np.vstack([self.by_edges, self.edges]) * np.sqrt(weights)
        p = len(self.known)
        products = np.empty((self.parts.layout.cards, len(rows), len(rows)))
        for card, product in enumerate(products):
            mine = rows[:, self.bounds[card] : self.bounds[card + 1]]
            np.matmul(mine, mine.T, out=product)
        shared = products[:, :p].sum(axis=0)
        normal.common[self.known[:, None], self.known] = shared[:, :p]
        normal.right_common[self.known] = shared[:, -1]
        normal.mixed[..., self.known] = products[:, p:-1, :p]
        return replace(normal, own=products[:, p:-1, p:-1], right_own=products[:, p:-1, -1])

    def step_by_kernel(
        self, *, points_weight: Floats, edges_weight: Floats, priors: PriorSums, damping: float
    ) -> tuple[Floats, float] | None:
        """What `Normal.step` gives for all normal matrices together; None where it must be asked."""
        q, cards = len(self.parts.common), self.parts.layout.cards
        if kernels.compiled is None:
            return None
        of_common, of_own = np.empty(q), np.empty((cards, OWN))
        length = kernels.compiled.normal_step(
            (q, len(self.known), cards, len(self.points), len(self.edges)), damping,
            kernels.doubles(self.by_points), kernels.doubles(self.points), kernels.doubles(points_weight),
            kernels.doubles(self.by_edges), kernels.doubles(self.edges), kernels.doubles(edges_weight),
            np.array(self.bounds, np.int64), np.ascontiguousarray(self.known, np.int64), kernels.doubles(priors.common),
            kernels.doubles(priors.right_common), kernels.doubles(priors.own), kernels.doubles(priors.right_own),
            of_common, of_own,
        )  # fmt: skip
        if not 0.0 <= length < np.inf:
            return None
        step = np.empty(self.parts.layout.size)
        step[self.parts.common], step[self.parts.own] = of_common, of_own
        return step, float(length)

    def points_times(self, matrix: Floats) -> Floats:
        """Jacobian of the printed points times a matrix (n, k)."""
        return np.asarray(self.by_points.T @ matrix[: len(self.by_points)])

    def edges_times(self, matrix: Floats) -> Floats:
        """Jacobian of the edge points times a matrix (n, k)."""
        out = np.empty((len(self.edges), matrix.shape[1]))
        for card, columns in enumerate(self._columns):
            mine = slice(self.bounds[card], self.bounds[card + 1])
            out[mine] = self.by_edges[:, mine].T @ matrix[columns]
        return out

    def dense(self) -> tuple[Floats, Floats]:
        """Residuals and full Jacobian of points and edges, in this order."""
        n = len(self.points)
        j = np.zeros((n + len(self.edges), self.parts.layout.size))
        j[:n, : len(self.by_points)] = self.by_points.T
        for card, columns in enumerate(self._columns):
            first, end = self.bounds[card : card + 2]
            j[n + first : n + end, columns] = self.by_edges[:, first:end].T
        return np.concatenate([self.points, self.edges]), j

    def with_u(self, *, points: float, edges: float) -> Linearised:
        """The same rows where the u of printed points and of edge points is so many times as large."""
        return replace(
            self, points=self.points / points, by_points=self.by_points / points, edges=self.edges / edges,
            by_edges=self.by_edges / edges,
        )  # fmt: skip

    @property
    def _columns(self) -> list[Ints]:
        """The unknowns that the edge points of each card know of, (p + 22,) each."""
        common = self.parts.common[self.known]
        return [np.concatenate([common, own]) for own in self.parts.own]

    def _nothing(self) -> Normal:
        q, cards = len(self.parts.common), self.parts.layout.cards
        return Normal(
            parts=self.parts, common=np.zeros((q, q)), own=np.zeros((cards, OWN, OWN)),
            mixed=np.zeros((cards, OWN, q)), right_common=np.zeros(q), right_own=np.zeros((cards, OWN)),
        )  # fmt: skip


def linearise(state: State, problem: Problem) -> Linearised:
    """All rows at a state."""
    at = problem.layout
    printed = seen_along(state.camera, _printed_world(state, problem.twice), problem.of_points.directions)
    edges_along, by_edges = _edge_rows(state, problem)
    off_edges = problem.of_edges.along - edges_along
    return Linearised(
        points=problem.of_points.along - printed.px,
        edges=off_edges - _shifts_px(state, problem.edges) / problem.edges.u_px,
        priors=problem.priors.residuals(state),
        by_points=_by_points(state, problem.twice, at, printed),
        by_edges=by_edges,
        known=problem.known,
        bounds=problem.bounds,
        parts=problem.parts,
    )


def _edge_rows(state: State, problem: Problem) -> tuple[Floats, Floats]:
    """Where edge points are predicted along their directions, (m,), and their rows' derivatives (p + 22, m)."""
    ways = problem.of_edges.directions
    if kernels.compiled is not None and state.camera.bow is None:
        n, first = len(problem.edges.side), cam.PARAMETERS + len(problem.by_look)
        px, rows = np.empty(n), np.empty((first + OWN, n))
        rows[cam.PARAMETERS : first], rows[first + qd.PARAMETERS :] = problem.by_look, problem.by_sides
        kernels.compiled.cards_along(
            n, len(state.quads), state.camera.numbers, kernels.doubles(state.quads), problem.cards,
            kernels.doubles(problem.places.T), ways, px, rows[: cam.PARAMETERS], rows[first : first + qd.PARAMETERS],
        )  # fmt: skip
        return px, rows
    on_cards = qd.laid(state.quads.T[:, problem.edges.card].T, problem.places)
    seen = seen_along(state.camera, on_cards.world, ways)
    parts = (
        seen.by_camera, seen.by_bow, problem.by_look, qd.by_parameters(on_cards, seen.by_world), problem.by_sides,
    )  # fmt: skip
    return seen.px, np.vstack(parts)


def edge_residuals_px(state: State, edges: EdgePoints) -> Floats:
    """How far outside its straight side each edge point lies, (m,), pixels; the sides' own shifts taken off."""
    world = qd.world_points(state.quads[edges.card], qd.side_places(edges.side, edges.along))
    off = (edges.px - cam.project(state.camera, world)) * edges.normal
    return np.asarray(off.sum(axis=1) - _shifts_px(state, edges) + bulges_px(state, edges))


def bulges_px(state: State, edges: EdgePoints) -> Floats:
    """How far outside their straight sides edge points (m,) are seen as these bulge."""
    return np.asarray(state.bulge_px[edges.card, edges.side] * bow(edges.along))


def _printed_world(state: State, points: PrintedPoints) -> Floats:
    """World points (n, 3) of the printed points."""
    local = points.mm * state.scale
    c, s = _turns(state, points)
    world = np.zeros((len(local), 3))
    world[:, 0] = c * local[:, 0] - s * local[:, 1]
    world[:, 1] = s * local[:, 0] + c * local[:, 1]
    world[:, :2] += state.squares[points.square, :2]
    if len(state.bends):
        world[:, 2] = -(state.bends[points.square] * points.bend_terms).sum(axis=1)  # z points into the table
    return world


def _turns(state: State, points: PrintedPoints) -> tuple[Floats, Floats]:
    """Cosine and sine of the turns of the printed points' squares, (n,) each."""
    turn = state.squares[:, 2]
    return np.cos(turn)[points.square], np.sin(turn)[points.square]


def _by_points(state: State, points: PrintedPoints, at: Layout, seen: Along) -> Floats:
    """Derivatives (q - 1, 2n) of the rows of the printed points, twice each."""
    square, mm = points.square, points.mm.T
    c, s = _turns(state, points)
    by_x, by_y, by_z = seen.by_world
    along_x, along_y = by_x * c + by_y * s, by_y * c - by_x * s
    j = np.zeros((at.quads_at.start, len(square)))
    j[at.camera_at], j[at.bow_at] = seen.by_camera, seen.by_bow
    j[at.scale_at] = along_x * mm[0], along_y * mm[1]
    for k in range(1, at.squares):
        row = at.squares_at.start + 3 * (k - 1)
        by_turn = along_y * (mm[0] * state.scale[0]) - along_x * (mm[1] * state.scale[1])
        j[row : row + 3] = np.stack([by_x, by_y, by_turn]) * (square == k)
    for k in range(at.bends // SQUARE_TERMS):
        row = at.bends_at.start + SQUARE_TERMS * k
        j[row : row + SQUARE_TERMS] = points.bend_terms.T * (-by_z * (square == k))
    return j


def _shifts_px(state: State, edges: EdgePoints) -> Floats:
    """How far outside their cards' sides edge points (m,) are seen as these say."""
    of_sides = state.bias_px[edges.card, edges.side] + bulges_px(state, edges)
    of_photo = np.where(edges.brighter, *state.halo_px) + edges.tone_px * state.tone
    return np.asarray(of_sides + of_photo)
