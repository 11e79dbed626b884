"""From the solved photo to cards: sizes with covariance and budget, class, corners, flags."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.adjustment import Adjustment
from cardmeasure.camera import Camera, project, project_table, to_plane
from cardmeasure.classes import enabled, match_size
from cardmeasure.classes.likelihood import cut_table
from cardmeasure.edges.bends import bends_px
from cardmeasure.edges.breaks import is_broken
from cardmeasure.edges.measuring import EdgeMeasurement
from cardmeasure.geometry import clockwise_from_top_left, side_lengths
from cardmeasure.outlines.pieces import DOUBTFUL, Outline
from cardmeasure.results import Card, Corners, SizeMatch
from cardmeasure.settings import Settings
from cardmeasure.shapes.cards import shape_card
from cardmeasure.shapes.measuring import MeasuredShape
from cardmeasure.solving import Solution
from cardmeasure.uncertainty import budget_from_covariances

Floats = NDArray[np.floating[Any]]

NOT_SQUARE_DEG = 0.5
TORN_DEG, MOST_ASPECT = 1.0, 3.0
"""Cards are cut square to a few tenths of a degree, and less than three times as long as wide."""
BENT_PX, CURLED_MM = 0.6, 0.15
WEAK_CLARITY = 3.0
FEW_USED = 0.6
NOMINAL_MM = 0.5
"""Cards are cut to so much of a nominal size."""
OUTLINE_MM = 1.5
FRAME_LINE_MM, ONE_FRAME_LINE_MM, FRAME_LINE_PX = 1.35, 1.1, 6.0
"""A line printed inside the border has been taken for an edge where the outline is larger by so much; or where it is so
much larger in one direction than in the other, as a border that the outline misses is missed all round. The outline
itself is good to a few tenths of a millimetre."""
ON_OUTLINE_MM = 0.3
"""An outline that followed such a line all round shows it where one direction's sides are found as far outside it, and
the other's on it still: within what outlines scatter by."""
SURE_MM = 1.0
"""An outline that a closer look bore out was found where its sides are."""
SAME_SIDE_MM, ONE_SHADOW_MM, NEXT_LINE_MM = 0.5, 1.75, 0.8
"""An outline found by its edges may have taken a shadow's for one of them; then only one direction is larger.
Where both are, by more than such outlines scatter, the sides found are those of the next line within."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Size:
    """Width and height of a card laid flat, width <= height, and their derivatives after its shape, (2, 4)."""

    values: Floats
    by_shape: Floats

    def covariance(self, of_shape: Floats) -> Floats:
        """That of the size (2, 2) from that of the card's shape (4, 4)."""
        return np.asarray(self.by_shape @ of_shape @ self.by_shape.T)


def sized_cards(
    outlines: tuple[Outline, ...], solution: Solution, settings: Settings, *,
    shapes: Mapping[int, MeasuredShape] | None = None, radii_mm: Mapping[int, float] | None = None,
) -> tuple[Card, ...]:  # fmt: skip
    """All pieces of a photo, numbered in reading order, with those in `shapes` (by index of their outlines)."""
    return tuple(card for card, _ in numbered_cards(outlines, solution, settings, shapes=shapes, radii_mm=radii_mm))


def numbered_cards(
    outlines: tuple[Outline, ...], solution: Solution, settings: Settings, *,
    shapes: Mapping[int, MeasuredShape] | None = None, radii_mm: Mapping[int, float] | None = None,
) -> tuple[tuple[Card, int], ...]:  # fmt: skip
    """The same, each with the index of its outline."""
    shapes, radii_mm = shapes or {}, radii_mm or {}
    camera = solution.adjustment.state.camera
    seen = _corners_px(camera, outlines, solution)
    drawn = [(clockwise_from_top_left(shapes[k].corners_px if k in shapes else seen[k]), k) for k in range(len(seen))]
    height = float(np.median([np.ptp(corners[:, 1]) for corners, _ in drawn]))
    drawn.sort(key=lambda item: _reading_order(item[0], height))
    bends = _sagittas_px(solution)
    return tuple(
        (
            shape_card(number, shapes[k], settings, corners_px=tuple((float(x), float(y)) for x, y in corners))
            if k in shapes
            else replace(
                _card(number, corners, outlines[k], int(solution.card_of[k]), solution, settings, bends),
                corner_radius_mm=radii_mm.get(k),
            ),
            k,
        )
        for number, (corners, k) in enumerate(drawn, start=1)
    )


def _settings_of(index: int, solution: Solution, settings: Settings) -> Settings:
    """The settings with the thickness of this piece, where that is known."""
    piece = solution.known.get(index)
    return settings if piece is None else replace(settings, thickness_mm=piece.thickness_mm)


def _corners_px(camera: Camera, outlines: tuple[Outline, ...], solution: Solution) -> Floats:
    """Corners (n, 4, 2) of all outlines in the photo: of solved cards where these are."""
    quads, solved = solution.adjustment.state.quads, solution.card_of >= 0
    corners = np.zeros((len(outlines), 4, 3))
    for k, outline in enumerate(outlines):
        corners[k, :, :2] = outline.corners_mm
    corners[solved] = qd.corners_mm(quads)[solution.card_of[solved]]
    return project(camera, corners.reshape(-1, 3)).reshape(-1, 4, 2)


def _reading_order(corners: Floats, height: float) -> tuple[int, float]:
    """Row by row, then left to right: rows are three quarters as high as a typical piece."""
    x, y = corners.mean(axis=0)
    return (int(y // max(0.75 * height, 1.0)), float(x))


def _card(
    number: int, corners_px: Floats, outline: Outline, index: int, solution: Solution, settings: Settings,
    bends: Floats,
) -> Card:  # fmt: skip
    corners: Corners = tuple((float(x), float(y)) for x, y in corners_px)
    if index < 0 or outline.flags or solution.edges is None:
        return _unsized(number, corners, outline.flags or ("edge-not-found",))
    adjustment = solution.adjustment
    quad = adjustment.state.quads[index]
    excess = outline_excess_mm(outline, quad, solution)
    if is_on_a_line(excess, outline, solution.px_per_mm):
        # a line printed inside the border has been taken for the edge
        return _unsized(number, corners, ("edge-not-found",))
    lengths = (float(quad[qd.WIDTH]), float(quad[qd.HEIGHT]))
    broken = is_broken(solution.edges.points, adjustment.edge_residuals_px, index, sides_mm=lengths)
    if not is_of_nominal_size(quad, settings):
        if broken:
            return _unsized(number, corners, ("touching",))
        if is_no_card(quad, bend_px=float(bends[qd.SIDES * index : qd.SIDES * (index + 1)].max())):
            return _unsized(number, corners, DOUBTFUL)
    thickness_mm = settings.thickness_mm if outline.thickness_mm is None else outline.thickness_mm
    size = _size_of(adjustment, index, thickness_mm)
    covariance = size.covariance(adjustment.shape_covariance(index))
    u = np.sqrt(np.diag(covariance))
    correlation = float(covariance[0, 1] / (u[0] * u[1]))
    return Card(
        number=number,
        shape="rectangle",
        corners_px=corners,
        width_mm=float(size.values[0]),
        height_mm=float(size.values[1]),
        u_width_mm=float(u[0]),
        u_height_mm=float(u[1]),
        correlation=correlation,
        corner_radius_mm=None,
        squareness_deg=float(np.degrees(quad[qd.SHEAR])),
        thickness_mm=thickness_mm,
        match=_match(size.values, u, correlation, settings),
        budget=budget_from_covariances(
            {name: size.covariance(m[index]) for name, m in adjustment.shape_shares.items()}
        ),
        flags=_flags(adjustment, solution.edges, index, bends, broken=broken)
        + (() if np.abs(excess).max() < OUTLINE_MM else ("outline-differs",))
        + (("beside-another",) if any(outline.beside) or any(outline.joined) else ())
        + (("on-another",) if outline.raised_mm else ()),
    )


def is_on_a_line(excess_mm: Floats, outline: Outline, px_per_mm: float) -> bool:
    """Whether the outline, by how much it is larger (2,) than the sides found, tells that some are a printed line."""
    room = FRAME_LINE_PX / px_per_mm
    if outline.sure and np.abs(excess_mm).max() > SURE_MM:
        return True
    if outline.exact and np.abs(excess_mm).min() < SAME_SIDE_MM:
        return bool(excess_mm.max() > max(ONE_SHADOW_MM, room))
    if outline.exact and excess_mm.min() > NEXT_LINE_MM:
        return True
    if not outline.exact and excess_mm.min() < -ONE_FRAME_LINE_MM and excess_mm.max() > -ON_OUTLINE_MM:
        return True
    # where the other direction is smaller than found, the outline is askew, and hides no border
    one = excess_mm.max() > ONE_FRAME_LINE_MM / 2 and np.ptp(excess_mm) > max(ONE_FRAME_LINE_MM, room)
    return bool(excess_mm.max() > max(FRAME_LINE_MM, room) or one)


def is_no_card(quad: Floats, *, bend_px: float) -> bool:
    """Whether a quadrilateral (11,) of no nominal size is torn paper, or a finger, rather than a card: out of square, or
    long and narrow with sides that bend."""
    short, long = np.sort(quad[[qd.WIDTH, qd.HEIGHT]]).tolist()
    torn = abs(np.degrees(quad[qd.SHEAR])) > TORN_DEG
    return bool(torn or (bend_px > BENT_PX and long > MOST_ASPECT * short))


def is_of_nominal_size(quad: Floats, settings: Settings) -> bool:
    """Whether a quadrilateral (11,) is as large as cards of a nominal size are cut."""
    nominal = cut_table(enabled(settings.classes)).cuts_mm
    off = np.abs(nominal - np.sort(quad[[qd.WIDTH, qd.HEIGHT]])).max(axis=1, initial=0.0)
    return bool((off < NOMINAL_MM).any())


def _match(values: Floats, u: Floats, correlation: float, settings: Settings) -> SizeMatch:
    return match_size(
        float(values[0]), float(values[1]), u_width_mm=float(u[0]), u_height_mm=float(u[1]),
        correlation=correlation, classes=settings.classes,
    )  # fmt: skip


def _size_of(adjustment: Adjustment, index: int, thickness_mm: float) -> _Size:
    quad = adjustment.state.quads[index]
    flat = qd.pressed_flat_mm(quad, thickness_mm=thickness_mm)
    order = [0, 1] if flat[0] <= flat[1] else [1, 0]
    return _Size(values=flat[order], by_shape=qd.flat_by_shape(quad, thickness_mm=thickness_mm)[order])


def _flags(
    adjustment: Adjustment, edges: EdgeMeasurement, index: int, bends: Floats, *, broken: bool
) -> tuple[str, ...]:
    flags = []
    quad = adjustment.state.quads[index]
    taper_rad = max(abs(quad[qd.WIDTH_TAPER]) / quad[qd.HEIGHT], abs(quad[qd.HEIGHT_TAPER]) / quad[qd.WIDTH])
    if np.degrees(max(abs(quad[qd.SHEAR]), taper_rad)) > NOT_SQUARE_DEG:
        flags.append("not-square")
    if edges.clarity[index].min() < WEAK_CLARITY:
        flags.append("weak-edge")
    if edges.used[index].min() < FEW_USED:
        flags.append("few-points")
    rise_mm = np.abs(quad[[qd.RISE_WIDTH, qd.RISE_HEIGHT]]).max()
    if broken or rise_mm > CURLED_MM or bends[qd.SIDES * index : qd.SIDES * (index + 1)].max() > BENT_PX:
        flags.append("bent-edge")
    return tuple(flags)


def _sagittas_px(solution: Solution) -> Floats:
    """How far the sides (4 c,) of the solved cards bow in the photo, from their points' residuals."""
    if solution.edges is None:
        return np.zeros(0)
    return np.abs(bends_px(solution.edges.points, solution.adjustment.edge_residuals_px))


def outline_excess_mm(outline: Outline, quad: Floats, solution: Solution) -> Floats:
    """By how much the rough outline is larger than the sides found, (2,): the shorter and the longer side.

    The lens, which was not known when the outline was put on the table, bends it there.
    """
    seen_px = project_table(solution.outlined_by, outline.corners_mm)
    on_face = to_plane(solution.adjustment.state.camera, seen_px, z_mm=-float(quad[qd.ELEVATION]))
    rough = np.sort(side_lengths(on_face).reshape(2, 2).mean(axis=0))
    return np.asarray(rough - np.sort(quad[[qd.WIDTH, qd.HEIGHT]]))


def _unsized(number: int, corners: Corners, flags: tuple[str, ...]) -> Card:
    return Card(
        number=number, shape="rectangle", corners_px=corners, width_mm=None, height_mm=None, u_width_mm=None,
        u_height_mm=None, correlation=None, corner_radius_mm=None, squareness_deg=None, thickness_mm=None,
        match=None, budget=(), flags=flags,
    )  # fmt: skip
