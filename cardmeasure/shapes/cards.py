"""What is told of pieces beyond the adjustment: the cards of odd components, and how round others' corners are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import project_table
from cardmeasure.classes import enabled, match_size
from cardmeasure.classes.likelihood import cut_table
from cardmeasure.geometry import apply_homography, side_lengths
from cardmeasure.outlines.joins import is_nominal
from cardmeasure.outlines.pieces import Outline
from cardmeasure.photo import Photo
from cardmeasure.reference.finding import Sighting
from cardmeasure.results import Card, Corners, SizeMatch
from cardmeasure.settings import Settings
from cardmeasure.shapes.corners import COMMON_MM, LONGER_SEARCH_MM, corner_radii_mm, one_radius_mm
from cardmeasure.shapes.corners import Corners as RoundCorners
from cardmeasure.shapes.measuring import MeasuredShape, measured_shapes
from cardmeasure.shapes.outlines import rough_pieces
from cardmeasure.shapes.plans import interior_angles_rad
from cardmeasure.shapes.recognising import corner_radius_mm
from cardmeasure.shapes.sampling import Others, others_of
from cardmeasure.solving import Solution, Start, conditions_of
from cardmeasure.uncertainty import budget_from_covariances

Floats = NDArray[np.floating[Any]]

FEWEST_CORNERS, FEWEST_AGAIN = 2, 3
"""What shows fewer and has no nominal size is no card, but perhaps a pile; where they are looked for more widely, more
must be seen, as some are by chance."""
MARGIN_MM = 0.8
"""So near another piece the table is not looked at."""


def odd_shapes(
    photo: Photo, squares: tuple[Sighting, ...], outlines: Sequence[Outline], solution: Solution,
    settings: Settings, *, start: Start,
) -> dict[int, MeasuredShape]:  # fmt: skip
    """What could be measured of the outlines that take no part in the adjustment, by their index."""
    pieces = rough_pieces(outlines, start.camera)
    if not pieces:
        return {}
    return measured_shapes(
        photo, solution.adjustment, pieces, conditions=conditions_of(photo, squares, settings),
        paper_mm=settings.paper_mm, u_paper_mm=settings.u_paper_mm, others=_others(photo, squares, outlines, start),
    )  # fmt: skip


def _others(photo: Photo, squares: tuple[Sighting, ...], outlines: Sequence[Outline], start: Start) -> Others:
    """All pieces and papers: an outline has its index plus 1, papers come after them."""
    seen = {k + 1: _px(start, o.contour_mm if len(o.contour_mm) else o.corners_mm) for k, o in enumerate(outlines)}
    for square in squares:
        seen[len(seen) + 1] = apply_homography(square.homography, square.design.cut_corners_mm)
    return others_of((photo.height_px, photo.width_px), seen, margin_px=MARGIN_MM * squares[0].px_per_mm)


def _px(start: Start, mm: Floats) -> Floats:
    return project_table(start.camera, mm)


@dataclass(frozen=True, kw_only=True)
class CornersOfCards:
    """Corner radius of each solved card whose corners are alike, and which have no corners of a card, by the indices of
    their outlines."""

    radii_mm: dict[int, float]
    none: frozenset[int]


def corners_of_cards(
    photo: Photo, outlines: Sequence[Outline], solution: Solution, settings: Settings
) -> CornersOfCards:
    """How round the corners of all solved cards are."""
    if solution.edges is None:
        return CornersOfCards(radii_mm={}, none=frozenset())
    state, sides = solution.adjustment.state, solution.edges.known.sides.looks.parameters
    asked: dict[int, RoundCorners] = {}
    for k, outline in enumerate(outlines):
        card = int(solution.card_of[k])
        if card >= 0 and len(outline.contour_mm):
            quad = state.quads[card]
            asked[k] = RoundCorners(
                mm=qd.corners_mm(quad)[:, :2], elevation_mm=float(quad[qd.ELEVATION]),
                looks=sides[qd.SIDES * card : qd.SIDES * (card + 1)],
                start_mm=corner_radius_mm(outline.contour_mm, outline.corners_mm),
            )  # fmt: skip
    look = partial(corner_radii_mm, photo, state.camera, paper_mm=settings.paper_mm)
    seen = dict(zip(asked, look(list(asked.values())), strict=True))
    # where the rough outline has told no radius
    again = [k for k, found in seen.items() if _corners_seen(found) < FEWEST_CORNERS]
    wider = [replace(asked[k], start_mm=COMMON_MM) for k in again]
    seen |= zip(again, look(wider, search_mm=LONGER_SEARCH_MM), strict=True)
    radii = {k: one_radius_mm(*found, asked[k].mm) for k, found in seen.items()}
    few = (k for k in again if _corners_seen(seen[k]) < FEWEST_AGAIN)
    return CornersOfCards(
        radii_mm={k: radius for k, radius in radii.items() if radius is not None},
        none=frozenset(k for k in few if not _has_size(asked[k].mm, settings)),
    )


def _corners_seen(found: tuple[Floats, Floats]) -> int:
    """At how many corners an arc was found, by their radii with uncertainties."""
    return int(np.isfinite(found[1]).sum())


def _has_size(corners: Floats, settings: Settings) -> bool:
    width, height, *_ = side_lengths(corners).tolist()
    return is_nominal(width, height, cut_table(enabled(settings.classes)).cuts_mm)


def shape_card(number: int, shape: MeasuredShape, settings: Settings, *, corners_px: Corners) -> Card:
    """The card of a measured piece."""
    covariance = np.asarray(sum(shape.groups.values()))
    u = np.sqrt(np.diag(covariance))
    kind, third = shape.plan.shape, float(shape.sizes_mm[2])
    correlation = float(np.clip(covariance[0, 1] / (u[0] * u[1]), -1.0, 1.0))
    is_flat = kind == "polygon" and np.isfinite(third)
    return Card(
        number=number, shape=kind, corners_px=corners_px,
        width_mm=float(shape.sizes_mm[0]), height_mm=float(shape.sizes_mm[1]),
        u_width_mm=float(u[0]), u_height_mm=float(u[1]), correlation=correlation,
        corner_radius_mm=shape.radius_mm, squareness_deg=_squareness_deg(shape), thickness_mm=shape.thickness_mm,
        match=_match(shape, u, correlation, settings),
        budget=budget_from_covariances({name: m[:2, :2] for name, m in shape.groups.items()}), flags=shape.flags,
        outline_px=tuple((float(x), float(y)) for x, y in shape.outline_px),
        diameter_mm=third if kind == "circle" else None, u_diameter_mm=float(u[2]) if kind == "circle" else None,
        across_flats_mm=third if is_flat else None, u_across_flats_mm=float(u[2]) if is_flat else None,
    )  # fmt: skip


def _squareness_deg(shape: MeasuredShape) -> float | None:
    if shape.plan.shape != "rectangle":
        return None
    angles = np.degrees(interior_angles_rad(shape.plan.corners_mm))
    return float((angles[0] + angles[2] - angles[1] - angles[3]) / 4)


def _match(shape: MeasuredShape, u: Floats, correlation: float, settings: Settings) -> SizeMatch:
    """The nominal size class; of what is no rectangle none, only the one whose cut is nearest to its enclosing one."""
    match = match_size(
        float(shape.sizes_mm[0]), float(shape.sizes_mm[1]), u_width_mm=float(u[0]), u_height_mm=float(u[1]),
        correlation=correlation, classes=settings.classes,
    )  # fmt: skip
    if shape.plan.shape == "rectangle":
        return match
    away = float(np.hypot(match.nearest.dw_mm, match.nearest.dh_mm))
    return replace(match, size_class=None, probability=1.0, margin_mm=away, runner_up=None)
