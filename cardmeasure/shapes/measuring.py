"""Rounds, polygons and thick pieces of a solved photo: found again at full resolution, fitted, and measured.

They take no part in the adjustment. What a piece is, its rough outline suggests and its edges decide: where they do not
lie on the plan that was tried, the next likely one is, and in the end the piece has no size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.adjustment import Adjustment
from cardmeasure.camera import Camera, project, to_plane
from cardmeasure.edges.measuring import MIN_CLARITY, Conditions
from cardmeasure.photo import Photo
from cardmeasure.shapes.corners import LONGER_SEARCH_MM, Corners, corner_radii_mm, one_radius_mm
from cardmeasure.shapes.courses import Course, course_of
from cardmeasure.shapes.edges import Points, edge_points
from cardmeasure.shapes.fitting import fitted, residuals_mm, robustly_fitted
from cardmeasure.shapes.plans import Plan, disc, enclosing, interior_angles_rad, outline_mm, polygon
from cardmeasure.shapes.recognising import candidates, is_several_cards
from cardmeasure.shapes.sampling import Others
from cardmeasure.shapes.uncertainty import Edges, covariances, plan_of, sizes_mm

Floats = NDArray[np.floating[Any]]

U_PLACE_PX = (2.5, 2.5, 0.8, 0.8)
"""How far an edge may be from its prediction, in each pass."""
U_PLACE_SHARE = 0.15
"""And in the first pass, over the thickness: the rough outline may run along a shadow's rim."""
AFRESH = 2
"""So many passes look at everything afresh; what comes after them goes on from how the sides looked."""
FARTHEST = 3.0
ARCS_NEEDED = 0.7
"""Share of a disc's arcs that must look like its edge."""
MOST_RMS_PX, MOST_RMS_MM = 1.0, 0.12
"""Scatter of edge points about the plan, beyond which it is another one; the larger counts."""
FLOOR_PX = 0.3
U_RADIUS_MM, LEAST_U_RADIUS_MM = 0.5, 0.15
"""Of a corner's radius: where it could not be measured, and at best."""
USUAL_RADIUS_MM, UNSEEN_RADIUS_MM = 1.5, 0.8
"""Radius that corners are looked at with first, and that is taken where it could not be seen."""
SPREAD_SHARE = 0.5
"""What the radius of a piece's corners may be wrong by, over how much they scatter: art near them misleads several."""
SHARP_MM, POINTED_DEG, U_SHARP_MM = 0.7, 130.0, 0.3
"""A corner sharper than this is blurred away, and how sharp it is, is known to the last only."""
ALIKE_THICK = 1.3
"""Pieces whose thicknesses differ by less than this factor are looked at together."""
WEAK_CLARITY, FAINT_CLARITY = 3.0, 8.0
"""A side shows weakly; and so faintly that the corners must bear it out (rendered pieces whose corners are unclear had
50 or more, but for one of 5 that was taken for its shadow)."""
MOST_ROUND = 0.3
"""Radius of a polygon's corners over its width."""
CARDS_MM = 1.0
"""Thinner pieces may be cards."""
FRAME_LINE_MM, SHADOW_SHARE = 1.1, 0.6
"""By how much a rough outline may be larger than what is found in it, and over the thickness for its shadow."""


@dataclass(frozen=True, kw_only=True, eq=False)
class RoughPiece:
    """What is to be measured: its number among the outlines, rough outline (n, 2) in pixels, and thickness with u."""

    number: int
    contour_px: Floats
    thickness_mm: float
    u_thickness_mm: float


@dataclass(frozen=True, kw_only=True, eq=False)
class MeasuredShape:
    """A measured piece: its plan, sizes (width, height, diameter or width across flats) with each group's covariance.

    corners_px (4, 2): of the smallest enclosing rectangle, or of the rectangle itself. outline_px (k, 2).
    """

    plan: Plan
    sizes_mm: Floats
    groups: dict[str, Floats]
    corners_px: Floats
    outline_px: Floats
    radius_mm: float | None
    thickness_mm: float
    flags: tuple[str, ...]


def measured_shapes(
    photo: Photo, adjustment: Adjustment, pieces: Sequence[RoughPiece], *, conditions: Conditions,
    paper_mm: float, u_paper_mm: float, others: Others | None = None,
) -> dict[int, MeasuredShape]:  # fmt: skip
    """The pieces that could be measured, by their numbers; `others` labels all pieces with their numbers plus 1."""
    found: dict[int, MeasuredShape] = {}
    camera = adjustment.state.camera
    for group in _alike(pieces):
        tried = {p.number: _on_face(p, camera, paper_mm) for p in group}
        for turn in range(max((len(plans) for plans in tried.values()), default=0)):
            now = [p for p in group if p.number not in found and len(tried[p.number]) > turn]
            if now:
                plans = [tried[p.number][turn] for p in now]
                found |= _measured(photo, adjustment, now, plans, conditions, (paper_mm, u_paper_mm), others)
    return found


def _alike(pieces: Sequence[RoughPiece]) -> list[list[RoughPiece]]:
    """The pieces in groups of about the same thickness."""
    groups: list[list[RoughPiece]] = []
    for piece in sorted(pieces, key=lambda p: p.thickness_mm):
        if groups and piece.thickness_mm <= ALIKE_THICK * groups[-1][0].thickness_mm:
            groups[-1].append(piece)
        else:
            groups.append([piece])
    return groups


def _on_face(piece: RoughPiece, camera: Camera, paper_mm: float) -> list[Plan]:
    """What the piece's top face may be: its outline holds the side walls that are seen, and these are taken off."""
    top = to_plane(camera, piece.contour_px, z_mm=paper_mm - piece.thickness_mm)
    centre = camera.position_mm
    # where the foot of a wall is seen, on the plane of the top face
    shift = (centre[:2] - top.mean(axis=0)) * (piece.thickness_mm / (paper_mm - centre[2]))
    return [_without_wall(plan, shift) for plan in candidates(top)]


def _without_wall(plan: Plan, shift: Floats) -> Plan:
    """The plan that, together with itself moved by `shift` (2,), covers the one given."""
    if plan.is_disc:
        return disc(plan.centre_mm - shift / 2, plan.radius_mm - float(np.linalg.norm(shift)) / np.pi)
    ways = np.roll(plan.corners_mm, -1, axis=0) - plan.corners_mm
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    out = np.column_stack([ways[:, 1], -ways[:, 0]])
    points = plan.corners_mm - np.maximum(out @ shift, 0.0)[:, None] * out
    side = np.repeat(np.arange(len(ways)), 2)
    ends = np.stack([points, points + ways], axis=1).reshape(-1, 2)
    return fitted(plan, ends, side, np.ones(len(ends)))


def _measured(
    photo: Photo, adjustment: Adjustment, pieces: list[RoughPiece], plans: list[Plan], conditions: Conditions,
    paper: tuple[float, float], others: Others | None,
) -> dict[int, MeasuredShape]:  # fmt: skip
    own = np.array([p.number + 1 for p in pieces])
    camera, tone = adjustment.state.camera, adjustment.state.tone
    elevation = np.array([p.thickness_mm - paper[0] for p in pieces])
    per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
    thick_px = max(p.thickness_mm for p in pieces) * per_mm
    points: Points | None = None
    rough = plans
    for turn, u_place in enumerate(U_PLACE_PX):
        course = course_of(plans, elevation)
        u = float(np.hypot(u_place, U_PLACE_SHARE * thick_px)) if turn == 0 else u_place
        before = points.sides if points and turn >= AFRESH else None
        points = edge_points(
            photo, camera, course, conditions=conditions, u_place_px=u, before=before, others=others, own=own
        )
        fits = [_fit(k, plan, course, points, camera, float(elevation[k]), tone) for k, plan in enumerate(plans)]
        plans = [plan if fit is None else fit[0] for plan, fit in zip(plans, fits, strict=True)]
    assert points is not None
    found = {}
    for k, (piece, fit) in enumerate(zip(pieces, fits, strict=True)):
        if fit is not None and _holds(k, fit, course, points, (camera, float(elevation[k]))):
            if _lies_far_inside(fit[0], rough[k], piece.thickness_mm):
                continue
            if piece.thickness_mm < CARDS_MM and is_several_cards(fit[0]):
                continue
            sides = np.unique(course.side[course.piece == k])
            looks = points.sides.looks.parameters[sides]
            shape = _shape(photo, adjustment, piece, fit, (points, looks, sides), paper)
            if not _is_mostly_corner(shape) and is_borne_out(shape, float(points.clarity[sides].min())):
                found[piece.number] = shape
    return found


def _fit(
    piece: int, plan: Plan, course: Course, points: Points, camera: Camera, elevation: float, tone: float
) -> tuple[Plan, Edges] | None:
    """The plan through its points; None where there are too few of them on one of its sides."""
    first = int(course.side[course.piece == piece][0])
    count = len(np.unique(course.side[course.piece == piece]))
    mine = (course.piece == piece)[points.stretch]
    if plan.is_disc:
        mine &= points.good[course.side[points.stretch]]
    side = course.side[points.stretch][mine] - first
    own = slice(first, first + count)
    enough = np.bincount(side, minlength=count) >= (1 if plan.is_disc else 2)
    if enough.sum() < (ARCS_NEEDED * count if plan.is_disc else count):
        return None
    weight = 1 / (points.u_px[mine] ** 2 + (points.side_u_px[own][side] ** 2 if plan.is_disc else 0.01))
    out = np.add.reduceat(course.out.mean(axis=1), course.first, axis=0)[own]
    edges = Edges(
        px=points.px[mine], normal=points.normal[mine], side=side, u_px=points.u_px[mine],
        tone_px=points.tone_px[mine], weight=weight, side_u_px=points.side_u_px[own],
        azimuth_rad=np.arctan2(out[:, 1], out[:, 0]),
    )  # fmt: skip
    px = edges.px - (tone * edges.tone_px)[:, None] * edges.normal
    mm = to_plane(camera, px, z_mm=-elevation)
    per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
    plan, weight = robustly_fitted(plan, mm, side, weight, floor_mm=FLOOR_PX / per_mm)
    return plan, Edges(**{**edges.__dict__, "weight": weight})


def _is_mostly_corner(shape: MeasuredShape) -> bool:
    """Whether a polygon's corners are so round that hardly a side is left: several coins that lie on each other."""
    round_mm = MOST_ROUND * float(shape.sizes_mm[:2].min())
    return shape.plan.shape == "polygon" and shape.radius_mm is not None and shape.radius_mm > round_mm


def is_borne_out(shape: MeasuredShape, least_clarity: float) -> bool:
    """Whether all sides show, or else the corners that they meet in: a faint one may be a shadow's."""
    return "corners-unclear" not in shape.flags or least_clarity >= FAINT_CLARITY


def _lies_far_inside(plan: Plan, rough: Plan, thickness_mm: float) -> bool:
    """Whether a line printed inside the border was taken for the edge: the rough outline is so much larger."""
    sides = [enclosing(one if one.is_disc else polygon(one.corners_mm, 0.0)).sides_mm for one in (rough, plan)]
    return bool((sides[0] - sides[1]).max() > FRAME_LINE_MM + SHADOW_SHARE * thickness_mm)


def _holds(piece: int, fit: tuple[Plan, Edges], course: Course, points: Points, view: tuple[Camera, float]) -> bool:
    """Whether the piece's edges were found, nearly all of them, and lie on the plan."""
    (plan, edges), (camera, elevation) = fit, view
    first = int(course.side[course.piece == piece][0])
    own = slice(first, first + len(edges.side_u_px))
    good = points.good[own] & (points.clarity[own] >= MIN_CLARITY)
    good &= np.abs(points.place_px[own]) < FARTHEST * U_PLACE_PX[-1]
    if good.mean() < (ARCS_NEEDED if plan.is_disc else 1.0):
        return False
    per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
    off = residuals_mm(plan, to_plane(camera, edges.px, z_mm=-elevation), edges.side)
    counted = good[edges.side]
    rms = float(np.sqrt(np.mean(np.clip(off[counted], -1.0, 1.0) ** 2)))
    return rms < max(MOST_RMS_PX / per_mm, MOST_RMS_MM)


def _shape(
    photo: Photo, adjustment: Adjustment, piece: RoughPiece, fit: tuple[Plan, Edges],
    seen_as: tuple[Points, Floats, Floats], paper: tuple[float, float],
) -> MeasuredShape:  # fmt: skip
    (plan, edges), (points, looks, own), camera = fit, seen_as, adjustment.state.camera
    elevation = piece.thickness_mm - paper[0]
    radius, u_radius = None, 0.0
    if not plan.is_disc:
        # a mask with walls and shadows in it is rounder than its piece
        for start in (min(plan.radius_mm, USUAL_RADIUS_MM), plan.radius_mm):
            corners = Corners(mm=plan.corners_mm, elevation_mm=elevation, looks=looks, start_mm=start)
            ((radii, u),) = corner_radii_mm(photo, camera, [corners], paper_mm=paper[0], search_mm=LONGER_SEARCH_MM)
            radius = one_radius_mm(radii, u, plan.corners_mm)
            if radius is not None:
                break
        u_radius = U_RADIUS_MM if radius is None else _u_radius_mm(radii, u)
        if (
            radius is not None
            and radius < SHARP_MM
            and np.degrees(interior_angles_rad(plan.corners_mm).min()) < POINTED_DEG
        ):
            u_radius = max(u_radius, U_SHARP_MM)
        plan = polygon(plan.corners_mm, min(plan.radius_mm, UNSEEN_RADIUS_MM) if radius is None else radius)
    plan = plan_of(edges, plan, camera, elevation_mm=elevation, tone=adjustment.state.tone)
    groups = covariances(
        edges, plan, adjustment, elevation_mm=elevation,
        u_elevation_mm=float(np.hypot(piece.u_thickness_mm, paper[1])), u_radius_mm=u_radius,
    )  # fmt: skip
    return MeasuredShape(
        plan=plan, sizes_mm=sizes_mm(plan), groups=groups,
        corners_px=_seen(camera, enclosing(plan).corners_mm, elevation),
        outline_px=_seen(camera, outline_mm(plan), elevation), radius_mm=radius, thickness_mm=piece.thickness_mm,
        flags=(() if plan.is_disc or radius is not None else ("corners-unclear",))
        + (("weak-edge",) if points.clarity[own].min() < WEAK_CLARITY else ()),
    )  # fmt: skip


def _u_radius_mm(radii: Floats, u: Floats) -> float:
    """Standard uncertainty of corners' common radius, from each one's own and from how they scatter."""
    spread = np.sqrt(np.mean((radii - np.median(radii)) ** 2))
    return max(LEAST_U_RADIUS_MM, float(np.median(u)), SPREAD_SHARE * float(spread))


def _seen(camera: Camera, mm: Floats, elevation: float) -> Floats:
    return project(camera, np.column_stack([mm, np.full(len(mm), -elevation)]))
