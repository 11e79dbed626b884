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
from cardmeasure.edges.channels import Channels, channels_for, plain_channels
from cardmeasure.edges.fitting import LookPriors, Looks, fit_looks, scatter_of_bins
from cardmeasure.edges.lighting import Surroundings, priors_before
from cardmeasure.edges.looks import BLUR, FACE, PLACE, SHADE, TABLE, WALL, WIDTH, expected_light, seen_shadow_px
from cardmeasure.edges.measuring import (
    BLUR_REACH,
    FARTHEST_PX,
    GREEN,
    LEAST_U_PX,
    Conditions,
)
from cardmeasure.edges.profiles import Profiles
from cardmeasure.edges.stretches import edge_offsets
from cardmeasure.edges.tables import is_table
from cardmeasure.edges.tone import U_TONE, tone_shift_px
from cardmeasure.edges.whole import ALIKE, STARTS, TEMPER, SideLooks, ends, looks_of_sides, scatter_at_ends
from cardmeasure.photo import Photo
from cardmeasure.shapes.courses import POINTS, Course, Seen, seen, wall_widths_px
from cardmeasure.shapes.sampling import INTERPOLATION_PX, STEP_PX, Others, distances_px, light_across

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

SHADOW_ROOM, MOST_SHADOW_PX = 1.5, 45.0
"""How far out of the wall's foot a shadow is followed, over the thickness, and at most."""
START_EVERY_PX = 2.5
"""Distance of starts on pieces whose shadow or wall is wider than usual starts reach."""
WIDE_PX = 6.0
OUTER_STARTS_PX = 2.0
FAR_AT_FIRST_PX = 4.0
"""A rough outline may be askew, so a stretch's edge may be so far from its side's."""
U_MODEL_PX, U_RIM_MM, U_SHARE = 0.07, 0.008, 1.25
"""Shift of a whole side that no model of ours explains: sharpening and uneven shadow; rim and cut of the board. And by
how much places scatter beyond what the fit alone says."""
WELL_EXPLAINED = 1.8
"""Misfit per value of a side that is understood: 0.3 to 1.2; where a printed line is taken for an edge: 2 to 30."""
EXPLAINED_OUTSIDE, USUAL_OUTSIDE, INSIDE_PX, MOST_SQUARE = 8.0, 1.0, 0.5, 50.0
"""Most mean square misfit from so many pixels inside the edge outwards, single ones counted up to the last; what is
more than usual widens u by its root."""
SHOWING_PX, DARK_WALL = 0.6, 0.12
"""Walls wider than this can mislead; light of one that no lamp reaches, over that of white paper."""
U_DARK_STRIP = 0.6
"""Of such a strip of shadow."""
LOST_STARTS_PX, U_LOST_PX, BETTER = np.arange(-10.0, 10.1, 2.0), 6.0, 0.7
"""Where an edge is sought anew, and by which factor the misfit must fall for it to be believed."""


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
    before: SideLooks | None = None, others: Others | None = None, own: Ints | None = None,
) -> Points:  # fmt: skip
    """Find the edges near a course whose pieces are about equally thick.

    u_place_px : how far they may be from it. before : how its sides looked in an earlier pass. others, own : where
    other pieces lie, and the label of each plan's own.
    """
    places = seen(course, camera)
    per_mm = places.px_per_mm
    thick = (course.elevation_mm + conditions.paper_mm) * per_mm
    wall = wall_widths_px(course, places, camera, paper_mm=conditions.paper_mm)
    near = BLUR_REACH * conditions.blur_px + 0.5 + 2 * min(u_place_px, 4.0)
    inward = near if before is not None else max(near, BLUR_REACH * conditions.blur_px + 2.5 * u_place_px)
    outward = near + max(float(wall.max()), 0.0) + min(SHADOW_ROOM * float(thick.max()), MOST_SHADOW_PX)
    distance = distances_px(inner_px=inward, outer_px=outward)
    label = None if own is None else own[course.piece]
    light, free = light_across(photo, places.px, places.normal, distance, others=others, own=label)
    fine = _profiles(course, places, distance, light, free, needed=(distance > -near) & (distance < near))
    whole = _whole(course, fine)
    around = _surroundings(course, wall, thick, conditions)
    starts = STARTS if before is not None or thick.max() < WIDE_PX else _starts(u_place_px)
    sides = looks_of_sides(
        whole, around, u_place_px=u_place_px, before=before, starts=starts,
        trusts_shadows=bool(thick.min() > WIDE_PX),
    )  # fmt: skip
    sides = _walls_doubted(whole, _tried_again(whole, sides, _channels(whole, around)), around, u_place_px=u_place_px)
    return _points(
        course,
        places,
        fine,
        whole,
        sides,
        channels=_channels(whole, around),
        far_px=FARTHEST_PX if before is not None else FAR_AT_FIRST_PX,
    )


def _tried_again(whole: Profiles, sides: SideLooks, channels: Channels) -> SideLooks:
    """The same with sides that nothing explained well fitted from starts all over the place."""
    rows = np.flatnonzero(cost_per_bin(whole, sides) > WELL_EXPLAINED)
    if not len(rows):
        return sides
    priors = sides.priors.rows(rows)
    covariance = priors.covariance.copy()
    covariance[:, PLACE, PLACE] = U_LOST_PX**2
    priors = LookPriors(mean=priors.mean, covariance=covariance)
    starts = np.repeat(priors.mean[None], len(LOST_STARTS_PX), axis=0)
    starts[:, :, PLACE] = LOST_STARTS_PX[:, None]
    many = np.tile(rows, len(LOST_STARTS_PX))
    tried = fit_looks(
        whole.distance_px[many], whole.light[many], whole.weight[many],
        priors=priors.rows(np.tile(np.arange(len(rows)), len(LOST_STARTS_PX))), start=starts.reshape(len(many), -1),
        channels=channels.rows(many), shading=sides.shading.rows(many),
    )  # fmt: skip
    best = tried.cost.reshape(-1, len(rows)).argmin(axis=0) * len(rows) + np.arange(len(rows))
    better = tried.cost[best] < BETTER * sides.looks.cost[rows]
    return replace(sides, looks=_put(sides.looks, rows[better], tried.rows(best[better])))


def _walls_doubted(whole: Profiles, sides: SideLooks, around: Surroundings, *, u_place_px: float) -> SideLooks:
    """The same with each side on which a wall shows asked whether it is as bright as the face, or dark.

    With few pieces the photo teaches little of its walls, and what one side mistook, it teaches others. Which is right,
    blur and sharpening tell, which all sides share; where they do not, the other's place goes into the doubt.
    """
    p = sides.looks.parameters
    rows = np.flatnonzero(p[:, WIDTH] > SHOWING_PX)
    if not len(rows):
        return sides
    priors = _without_taught_walls(whole, sides, around, rows, u_place_px=u_place_px)
    width = p[rows, WIDTH]
    bright, dark = p[rows].copy(), p[rows].copy()
    bright[:, PLACE] -= np.where(_is_dark(p[rows]), width, 0.0)
    bright[:, WALL] = p[rows][:, FACE]
    dark[:, PLACE] += np.where(_is_dark(p[rows]), 0.0, width)
    dark[:, WALL] = DARK_WALL * around.white
    many = np.tile(rows, 3)
    tried = fit_looks(
        whole.distance_px[many], whole.light[many], whole.weight[many],
        priors=priors.rows(np.tile(np.arange(len(rows)), 3)), start=np.concatenate([p[rows], bright, dark]),
        channels=_channels(whole, around).rows(many), shading=sides.shading.rows(many),
    )  # fmt: skip
    cost, place = tried.cost.reshape(3, -1), tried.place_px.reshape(3, -1)
    best = cost.argmin(axis=0)
    chosen = best * len(rows) + np.arange(len(rows))
    likelihood = np.exp(-(cost - cost.min(axis=0)) / (2 * TEMPER))
    off = place - tried.place_px[chosen]
    doubt = sides.doubt_px.copy()
    doubt[rows] = np.hypot(doubt[rows], np.sqrt((likelihood * off**2).sum(axis=0) / likelihood.sum(axis=0)))
    return replace(sides, looks=_put(sides.looks, rows, tried.rows(chosen)), doubt_px=doubt)


def _channels(whole: Profiles, around: Surroundings) -> Channels:
    face, table = ends(whole)
    return channels_for(face, table, colour_halved=around.colour_halved)


def _is_dark(p: Floats) -> NDArray[np.bool_]:
    """Whether walls (n,) were taken to be nearer to the table than to the face."""
    face, wall, table = (p[:, part].mean(axis=1) for part in (FACE, WALL, TABLE))
    return np.asarray(np.abs(wall - table) < np.abs(wall - face))


def _without_taught_walls(
    whole: Profiles, sides: SideLooks, around: Surroundings, rows: Ints, *, u_place_px: float
) -> LookPriors:
    face, table = ends(whole)
    untold = priors_before(around, face, table, u_place_px=u_place_px)
    mean, covariance = sides.priors.mean[rows].copy(), sides.priors.covariance[rows].copy()
    mean[:, WALL], covariance[:, WALL, WALL] = untold.mean[rows][:, WALL], untold.covariance[rows][:, WALL, WALL]
    return LookPriors(mean=mean, covariance=covariance)


def _put(looks: Looks, rows: Ints, others: Looks) -> Looks:
    """Looks with some rows replaced."""
    parameters, normal, cost = looks.parameters.copy(), looks.normal.copy(), looks.cost.copy()
    parameters[rows], normal[rows], cost[rows] = others.parameters, others.normal, others.cost
    return Looks(parameters=parameters, normal=normal, cost=cost)


def _u_dark_strip_px(p: Floats) -> Floats:
    """Standard uncertainty (n,) where the shadow that is seen outside a face is about as dark as the face itself."""
    strip = seen_shadow_px(p)
    face, table = p[:, FACE], p[:, TABLE]
    apart = np.abs(face - p[:, SHADE, None] * table).max(axis=1) / np.maximum(np.abs(table - face).max(axis=1), 1e-3)
    return np.asarray(U_DARK_STRIP * strip * np.exp(-0.5 * (apart / ALIKE) ** 2))


def misfit_outside(whole: Profiles, sides: SideLooks) -> Floats:
    """Mean square (n,) of what each side's looks leave at and outside its edge: art inside it does not count."""
    p = sides.looks.parameters
    plain = plain_channels(len(p))
    model = expected_light(whole.distance_px, p, plain, sides.shading).transpose(0, 2, 1)
    noise = np.sqrt(1 + 1 / np.maximum(whole.weight, 1))[..., None]
    scatter = scatter_of_bins(whole.light, whole.weight, plain)[:, None] * noise
    counted = (whole.weight > 0) & (whole.distance_px > p[:, PLACE, None] - INSIDE_PX)
    squares = np.minimum(((whole.light - model) / scatter) ** 2, MOST_SQUARE).mean(axis=2)
    return np.asarray((squares * counted).sum(axis=1) / np.maximum(counted.sum(axis=1), 1))


def cost_per_bin(whole: Profiles, sides: SideLooks) -> Floats:
    """The misfit (n,) of each side's looks over the number of values they explain."""
    return np.asarray(sides.looks.cost / np.maximum(3 * (whole.weight > 0).sum(axis=1), 1))


def _starts(u_place_px: float) -> tuple[tuple[float, float], ...]:
    return tuple((float(at), 1.1) for at in np.arange(-2 * u_place_px, OUTER_STARTS_PX + 1e-9, START_EVERY_PX))


def _profiles(
    course: Course, places: Seen, distance: Floats, light: NDArray[np.float32], free: NDArray[np.bool_], *,
    needed: NDArray[np.bool_],
) -> Profiles:  # fmt: skip
    """Profiles of all stretches; `needed` (b,): what must be free for a stretch to count."""
    n, middle = len(course.side), POINTS // 2
    weight = np.where(free, np.float32(POINTS * STEP_PX), np.float32(0))
    return Profiles(
        card=course.piece, side=course.side, along=np.zeros(n), px=places.px[:, middle],
        normal=places.normal[:, middle], distance_px=np.tile(distance, (n, 1)), light=light, weight=weight,
        inside=np.asarray(free[:, needed].all(axis=1)),
    )  # fmt: skip


def _whole(course: Course, fine: Profiles) -> Profiles:
    first = course.first
    count = np.diff(np.append(first, len(course.side)))
    weight = np.add.reduceat(fine.weight, first, axis=0)
    light = np.add.reduceat(fine.light * fine.weight[..., None], first, axis=0) / np.maximum(weight, 1)[..., None]
    return Profiles(
        card=fine.card[first], side=fine.side[first], along=np.zeros(len(first)),
        px=np.add.reduceat(fine.px, first, axis=0) / count[:, None], normal=fine.normal[first],
        distance_px=fine.distance_px[first], light=light, weight=weight,
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
        blur_px=np.full(len(width), np.hypot(conditions.blur_px, INTERPOLATION_PX)), bins_px=INTERPOLATION_PX,
        white=conditions.white, u_thickness=share, colour_halved=conditions.colour_halved,
    )  # fmt: skip


def _points(
    course: Course,
    places: Seen,
    fine: Profiles,
    whole: Profiles,
    sides: SideLooks,
    *,
    channels: Channels,
    far_px: float,
) -> Points:
    p = sides.looks.parameters
    of_stretch = p[course.side]
    found = edge_offsets(
        fine.distance_px, fine.light, fine.weight, looks=of_stretch, channels=channels.rows(course.side),
        shading=sides.shading.rows(course.side),
    )  # fmt: skip
    good = fine.inside & np.isfinite(found.place_px) & (found.u_px < 1.0)
    good &= np.abs(found.place_px - of_stretch[:, PLACE]) < far_px
    tone = tone_shift_px(p[:, FACE][:, GREEN], p[:, TABLE][:, GREEN], p[:, BLUR]) * U_TONE
    first = course.first
    per_mm = np.add.reduceat(places.px_per_mm, first) / np.diff(np.append(first, len(course.side)))
    (face, table), scatter = ends(whole), scatter_at_ends(whole)
    fitted = (U_SHARE * sides.looks.u_place_px) ** 2 + sides.doubt_px**2 + _u_dark_strip_px(p) ** 2
    outside = misfit_outside(whole, sides)
    return Points(
        stretch=np.flatnonzero(good),
        px=(fine.px + found.place_px[:, None] * fine.normal)[good],
        normal=fine.normal[good],
        u_px=np.maximum(found.u_px[good], LEAST_U_PX),
        tone_px=tone[course.side][good],
        side_u_px=np.sqrt(
            (U_MODEL_PX**2 + (U_RIM_MM * per_mm) ** 2) * np.maximum(outside / USUAL_OUTSIDE, 1.0) + fitted
        ),
        good=is_table(p[:, TABLE], whole.px) & (outside < EXPLAINED_OUTSIDE),
        clarity=np.asarray((np.abs(table - face) / scatter).max(axis=1)),
        place_px=p[:, PLACE],
        sides=sides,
    )
