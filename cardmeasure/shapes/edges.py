"""Edge points of plans: how each side looks as a whole, then where its stretches lie, as for cards.

What a thick piece shows - a side wall many pixels wide, a shadow as long as it is high - is the same as with a card,
only wider: more starts are tried, and walls and shadows are learned from pieces of about the same thickness only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera
from cardmeasure.edges.lighting import Surroundings
from cardmeasure.edges.looks import BLUR, FACE, PLACE, TABLE
from cardmeasure.edges.measuring import (
    BLUR_REACH,
    FARTHEST_PX,
    GREEN,
    LEAST_U_PX,
    U_MODEL_PX,
    U_RIM_MM,
    U_SHARE,
    Conditions,
)
from cardmeasure.edges.profiles import Profiles
from cardmeasure.edges.stretches import edge_offsets
from cardmeasure.edges.tables import is_table
from cardmeasure.edges.tone import U_TONE, tone_shift_px
from cardmeasure.edges.whole import STARTS, SideLooks, ends, looks_of_sides
from cardmeasure.photo import Photo
from cardmeasure.shapes.courses import POINTS, Course, Seen, seen, wall_widths_px
from cardmeasure.shapes.sampling import INTERPOLATION_PX, STEP_PX, distances_px, light_across

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

SHADOW_ROOM, MOST_SHADOW_PX = 1.5, 45.0
"""How far out of the wall's foot a shadow is followed, over the thickness, and at most."""
START_EVERY_PX = 2.5
"""Distance of starts on pieces whose shadow or wall is wider than usual starts reach."""
WIDE_PX = 6.0
OUTER_STARTS_PX = 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Points:
    """Edge points (n,) of several plans: stretch of the course, px and normal (n, 2), offset_px outward of it, u_px.

    tone_px (n,): shift by a unit of the tone curve. side_u_px (k,): of a shift of a whole side. good (k,): whether the
    side looks like the edge of a piece on the table. clarity (k,): contrast over scatter.
    """

    stretch: Ints
    px: Floats
    normal: Floats
    u_px: Floats
    tone_px: Floats
    side_u_px: Floats
    good: NDArray[np.bool_]
    clarity: Floats
    place_px: Floats
    sides: SideLooks


def edge_points(
    photo: Photo, camera: Camera, course: Course, *, conditions: Conditions, u_place_px: float,
    before: SideLooks | None = None,
) -> Points:  # fmt: skip
    """Find the edges near a course whose pieces are about equally thick.

    u_place_px : how far they may be from it. before : how its sides looked in an earlier pass.
    """
    places = seen(course, camera)
    per_mm = places.px_per_mm
    thick = (course.elevation_mm + conditions.paper_mm) * per_mm
    wall = wall_widths_px(course, camera, paper_mm=conditions.paper_mm)
    near = BLUR_REACH * conditions.blur_px + 0.5 + 2 * min(u_place_px, 4.0)
    inward = near if before is not None else max(near, BLUR_REACH * conditions.blur_px + 2.5 * u_place_px)
    outward = near + max(float(wall.max()), 0.0) + min(SHADOW_ROOM * float(thick.max()), MOST_SHADOW_PX)
    distance = distances_px(inner_px=inward, outer_px=outward)
    light, inside = light_across(photo, places.px, places.normal, distance)
    fine = _profiles(course, places, distance, light, inside)
    whole = _whole(course, fine)
    around = _surroundings(course, wall, thick, conditions)
    starts = STARTS if before is not None or thick.max() < WIDE_PX else _starts(u_place_px)
    sides = looks_of_sides(whole, around, u_place_px=u_place_px, before=before, starts=starts)
    return _points(course, places, fine, whole, sides)


def _starts(u_place_px: float) -> tuple[tuple[float, float], ...]:
    return tuple((float(at), 1.1) for at in np.arange(-2 * u_place_px, OUTER_STARTS_PX + 1e-9, START_EVERY_PX))


def _profiles(
    course: Course, places: Seen, distance: Floats, light: NDArray[np.float32], inside: NDArray[np.bool_]
) -> Profiles:
    n, middle = len(course.side), POINTS // 2
    weight = np.full((n, len(distance)), POINTS * STEP_PX, np.float32)
    return Profiles(
        card=course.piece, side=course.side, along=np.zeros(n), px=places.px[:, middle],
        normal=places.normal[:, middle], distance_px=np.tile(distance, (n, 1)), light=light, weight=weight,
        inside=inside,
    )  # fmt: skip


def _whole(course: Course, fine: Profiles) -> Profiles:
    first = course.first
    count = np.diff(np.append(first, len(course.side)))
    light = np.add.reduceat(fine.light, first, axis=0) / count[:, None, None].astype(np.float32)
    return Profiles(
        card=fine.card[first], side=fine.side[first], along=np.zeros(len(first)),
        px=np.add.reduceat(fine.px, first, axis=0) / count[:, None], normal=fine.normal[first],
        distance_px=fine.distance_px[first], light=light, weight=fine.weight[first] * count[:, None].astype(np.float32),
        inside=np.ones(len(first), bool),
    )  # fmt: skip


def _surroundings(course: Course, wall: Floats, thick: Floats, conditions: Conditions) -> Surroundings:
    first = course.first
    count = np.diff(np.append(first, len(course.side)))
    width = np.add.reduceat(wall, first) / count
    out = np.add.reduceat(course.out.mean(axis=1), first, axis=0)
    share = conditions.u_thickness_mm / np.maximum(course.elevation_mm[first] + conditions.paper_mm, 0.05)
    return Surroundings(
        width_px=width, u_width_px=np.maximum(np.abs(width) * share, 0.02),
        azimuth_rad=np.arctan2(out[:, 1], out[:, 0]), thickness_px=thick[first],
        blur_px=float(np.hypot(conditions.blur_px, INTERPOLATION_PX)), bins_px=INTERPOLATION_PX,
        white=conditions.white,
    )  # fmt: skip


def _points(course: Course, places: Seen, fine: Profiles, whole: Profiles, sides: SideLooks) -> Points:
    p = sides.looks.parameters
    of_stretch = p[course.side]
    found = edge_offsets(fine.distance_px, fine.light, fine.weight, of_stretch)
    good = fine.inside & np.isfinite(found.place_px) & (found.u_px < 1.0)
    good &= np.abs(found.place_px - of_stretch[:, PLACE]) < FARTHEST_PX
    tone = tone_shift_px(p[:, FACE][:, GREEN], p[:, TABLE][:, GREEN], p[:, BLUR]) * U_TONE
    first = course.first
    per_mm = np.add.reduceat(places.px_per_mm, first) / np.diff(np.append(first, len(course.side)))
    face, table, scatter = ends(whole)
    fitted = (U_SHARE * sides.looks.u_place_px) ** 2 + sides.doubt_px**2
    return Points(
        stretch=np.flatnonzero(good),
        px=(fine.px + found.place_px[:, None] * fine.normal)[good],
        normal=fine.normal[good],
        u_px=np.maximum(found.u_px[good], LEAST_U_PX),
        tone_px=tone[course.side][good],
        side_u_px=np.sqrt(U_MODEL_PX**2 + (U_RIM_MM * per_mm) ** 2 + fitted),
        good=is_table(p[:, TABLE], whole.px),
        clarity=np.asarray((np.abs(table - face) / scatter).max(axis=1)),
        place_px=p[:, PLACE],
        sides=replace(sides),
    )
