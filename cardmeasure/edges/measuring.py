"""Edge points of all cards from the full-resolution photo, given where the sides roughly are.

Each side is fitted as a whole first (how it looks), then in short stretches. What a whole side may be wrong by,
because wall, shadow and border cannot be told apart or its thickness is not known, goes into `u_bias_px`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project
from cardmeasure.edges.backdrop import Backdrop, backdrop, both_kinds
from cardmeasure.edges.bends import bends_px, course_px
from cardmeasure.edges.channels import channels_for, plain_channels
from cardmeasure.edges.lighting import Surroundings, outward_azimuth_rad, wall_widths_px
from cardmeasure.edges.looks import BLUR, FACE, PLACE, SHADE, SHADOW, TABLE, expected_light
from cardmeasure.edges.neighbours import without_neighbours
from cardmeasure.edges.points import EdgePoints
from cardmeasure.edges.profiles import Profiles, Reach, Stretches, sample_profiles, whole_sides
from cardmeasure.edges.rims import rim_shifts_px
from cardmeasure.edges.stretches import ROUNDS, edge_offsets
from cardmeasure.edges.tables import is_table
from cardmeasure.edges.tone import U_TONE, tone_shift_px
from cardmeasure.edges.whole import SideLooks, looks_of_sides
from cardmeasure.numerics import lengths
from cardmeasure.photo import Photo
from cardmeasure.reference.sheet_look import SheetLook

Floats = NDArray[np.floating[Any]]

FINE, COARSE = Stretches(every=2, phases=1), Stretches(every=3, phases=1)
COARSE_ROUNDS = 1
NEAR_PX, LEAST_SCATTER = 4.0, 1e-3
"""How far from an edge it is judged how clear it is; linear light that no photo is better than."""
STRETCH_PX = 20.0
"""A shorter stretch has too few pixels for a profile of its own."""
SHEET_STRETCH_MM = 9.0
"""On a sheet a stretch must cross cells of both kinds."""
SHEET_SHARE = 0.55
"""There both kinds tell face, wall and shadow apart: errors are 0.55 of the u that other tables need. With it error/u
of sizes is 1.15 and 0.79 on sheets of all families (42 and 46 sides, 1 to 3 MP, seeds from 4100 and 2000), 0.71 in hard
light with cards as grey as cells (32 sides); with 1 it is 0.98, 0.64 and 0.53 (rendered shots, 2026-12)."""
THICK_PX = 4.0
"""The check shows through the shadow of a card so thick, a bank card's, wider than the blur: no such strip is taken for
more of a dark border. With it 48 sides of bank cards were off by 0.035 mm in the root of the mean square, +0.007 on
average, without it by 0.028 and -0.004 (rendered sheets, 3 MP, seeds 1 to 12, 2026-12)."""
BLUR_REACH, SHADOW_ROOM = 3.2, 1.6
"""How far profiles reach: so many blurs to either side, and so many thicknesses outside for the shadow."""
U_MODEL_PX, U_CUT_MM = 0.065, 0.005
"""Shift of a whole side that no model of ours explains: sharpening and uneven shadow; the cut of the board."""
U_SHARE, U_DOUBT, MOST_MISFIT = 1.45, 0.8, 30.0
"""By how much the scatter of places exceeds what the fit alone says, times the root of its misfit, a reduced
chi-square, up to the last figure: what a side's looks leave unexplained moves it by as much more; and what share of the
distance to other explanations it is, as the likelier one is mostly right. These, the shifts above and below and
`OF_WHOLE_SIDE` are the likeliest for t distributed errors in the picture of the sides of rendered scenes (families,
seeds 2000 to 2005, and eight groups of the study; 2026-12); with any one fold of families left out they hardly
change."""
ILL_EXPLAINED, U_OF_BLUR = (4.0, 10.0), 0.25
"""Misfits between which it shows that something else lies within the blur of a side, as a line printed close inside
does, and the share of the blur that it moves the side by."""
GREEN = 1
LEAST_U_PX = 0.02
U_BEND = 0.33
"""Where a bent side "is", as a share of its bend: on average, at its ends, or in its middle."""
PIXEL_PX = float(1 / np.sqrt(12))
"""Standard deviation of where on a pixel a side crosses it: averaging over all of them blurs."""
MIN_CLARITY = 1.5
"""A side whose contrast is fewer times what its looks leave unexplained does not show."""
FARTHEST_PX = 2.5
"""A stretch's edge further from its side's than that is another line."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Known:
    """What one pass hands to the next: how the sides look, and how far they wander.

    residuals_px (m,): of the edge points about straight sides, outward positive.
    """

    sides: SideLooks
    points: EdgePoints
    residuals_px: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeMeasurement:
    """Edge points and, for each side (c, 4), its contrast over its scatter, the mean square that its looks leave
    unexplained over what was expected, the share of stretches used, and whether the table lies outside it."""

    points: EdgePoints
    clarity: Floats
    misfit: Floats
    used: Floats
    on_table: NDArray[np.bool_]
    known: Known

    def known_with(self, residuals_px: Floats) -> Known:
        """What is known, and the edge points' residuals (m,) about straight sides."""
        return replace(self.known, residuals_px=residuals_px)

    def of_cards(self, keep: NDArray[np.bool_]) -> EdgeMeasurement:
        """That of some cards (c,), numbered anew."""
        if keep.all():
            return self
        rows = np.flatnonzero(np.repeat(keep, qd.SIDES))
        points, residuals = self.points.of_cards(keep), self.known.residuals_px[keep[self.points.card]]
        return EdgeMeasurement(
            points=points, clarity=self.clarity[keep], misfit=self.misfit[keep],
            used=self.used[keep], on_table=self.on_table[keep],
            known=Known(sides=self.known.sides.rows(rows), points=points, residuals_px=residuals),
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """What the edges of a photo are seen under: blur (px) and linear light of white paper, from the reference; the
    paper's thickness, and the standard uncertainty of the cards'; whether colour was kept for every other pixel; the
    sheet that the cards lie on, if any; the blur's covariance (2, 2) in the picture, None where it has no direction."""

    blur_px: float
    white: float
    paper_mm: float
    u_thickness_mm: float
    colour_halved: bool = True
    sheet: SheetLook | None = None
    blur_covariance_px2: Floats | None = None

    def blur_across_px(self, normals: Floats) -> Floats:
        """Blur (n,) across edges with such normals (n, 2) in the picture."""
        if self.blur_covariance_px2 is None:
            return np.full(len(normals), self.blur_px)
        return np.asarray(np.sqrt(np.einsum("ni,ij,nj->n", normals, self.blur_covariance_px2, normals)))


def measure_edges(
    photo: Photo, camera: Camera, quads: Floats, *, conditions: Conditions, u_place_px: Floats | float,
    coarse: bool = False, known: Known | None = None, taught: SideLooks | None = None,
    deep_corners_mm: Floats | None = None, joined: NDArray[np.bool_] | None = None, alone: bool = False,
) -> EdgeMeasurement:  # fmt: skip
    """Fit all sides of all quadrilaterals (c, 14).

    u_place_px : how far the sides, (c, 4) or all, may be from where they are predicted. coarse : read fewer lines, for
    a first pass. known : from an earlier pass over the same cards. taught : see `looks_of_sides`. deep_corners_mm : see
    `Stretches`. joined : sides (c, 4) that another card touches. alone : each is seen as if the others were not there.
    """
    if len(quads) == 0:
        raise ValueError("quads is empty: there is nothing to measure.")
    per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
    stretches = COARSE if coarse else FINE
    stretches = replace(stretches, length_mm=max(stretches.length_mm, STRETCH_PX / per_mm), deep_mm=deep_corners_mm)
    thickness_px = (quads[:, qd.ELEVATION] + conditions.paper_mm) * per_mm
    u_place = np.broadcast_to(np.asarray(u_place_px, float), (len(quads), qd.SIDES))
    blur_px = conditions.blur_across_px(_normals(camera, quads))
    near = _near_px(blur_px.reshape(-1, qd.SIDES), u_place)
    reach = _reach(near, float(thickness_px.max()))
    behind = None
    if conditions.sheet is not None:
        looks = known.sides.looks.parameters if known else None
        behind = backdrop(photo, camera, quads, conditions.sheet, looks=looks, blur_px=conditions.blur_px)
        stretches = replace(stretches, length_mm=max(stretches.length_mm, SHEET_STRETCH_MM))
    fine = sample_profiles(photo, camera, quads, reach=reach, stretches=stretches, backdrop=behind)
    fine = fine if alone else without_neighbours(fine, camera, quads, joined=joined)
    fine = _within_reach(fine, near, np.zeros(near.shape, bool) if joined is None else joined)
    # a side that is not straight would smear its own profile
    shift = course_px(known.points, known.residuals_px, fine) if known else np.zeros(len(fine.along))
    fine = replace(fine, px=fine.px + shift[:, None] * fine.normal, distance_px=fine.distance_px - shift[:, None])
    lasting = fine if behind is None else _of_even_table(fine, behind)
    whole = whole_sides(lasting, len(quads))
    bins_px = PIXEL_PX / stretches.phases
    around = _surroundings(camera, quads, whole, thickness_px, conditions, blur_px=blur_px, bins_px=bins_px)
    if joined is not None:
        around = replace(around, joined=joined.ravel())
    before = known.sides if known else None
    sides = looks_of_sides(
        whole, around, u_place_px=u_place.ravel(), before=before, taught=taught,
        trusts_shadows=behind is not None and (around.thickness_px > THICK_PX) & ~behind.margin,
    )  # fmt: skip
    rim_px, u_rim_px = rim_shifts_px(sides.looks.parameters, sides.priors, around, px_per_mm=per_mm)
    points, used = _stretch_points(fine, sides, rim_px, colour_halved=around.colour_halved, coarse=coarse)
    table = sides.looks.parameters[:, TABLE] / (behind.light_at(whole.px) if behind else 1.0)
    bend = bends_px(known.points, known.residuals_px) if known else np.zeros(len(whole.card))
    misfit = sides.looks.cost / np.maximum((whole.weight > 0).sum(axis=1), 1)
    u_bias = _u_bias(sides, misfit, u_rim_px, bend, per_mm) * (1.0 if behind is None else SHEET_SHARE)
    points = replace(points, u_bias_px=u_bias.reshape(-1, qd.SIDES))
    return EdgeMeasurement(
        points=points,
        clarity=_clarity(whole, sides, around.is_joined).reshape(-1, qd.SIDES),
        misfit=misfit.reshape(-1, qd.SIDES),
        used=used.reshape(-1, qd.SIDES),
        on_table=(is_table(table, whole.px) | around.is_joined).reshape(-1, qd.SIDES),
        known=Known(sides=sides, points=points, residuals_px=np.zeros(len(points.card))),
    )


def _of_even_table(fine: Profiles, behind: Backdrop) -> Profiles:
    """The profiles, those weightless over which a table of two kinds of cells showed one kind only."""
    even = both_kinds(fine.light) | behind.margin[fine.card * qd.SIDES + fine.side]
    return replace(fine, weight=fine.weight * even[:, None])


def _u_bias(sides: SideLooks, misfit: Floats, u_rim_px: Floats, bend_px: Floats, per_mm: float) -> Floats:
    """Standard uncertainty (n,) of a shift of a whole side, px."""
    scatter = (U_SHARE * sides.looks.u_place_px) ** 2 * np.minimum(misfit, MOST_MISFIT)
    fitted = scatter + (U_DOUBT * sides.doubt_px) ** 2
    odd = U_OF_BLUR * sides.looks.parameters[:, BLUR] * np.interp(misfit, ILL_EXPLAINED, (0.0, 1.0))
    model = U_MODEL_PX**2 + (U_CUT_MM * per_mm) ** 2 + odd**2
    return np.asarray(np.sqrt(model + u_rim_px**2 + fitted + (U_BEND * bend_px) ** 2))


def _within_reach(fine: Profiles, near_px: Floats, joined: NDArray[np.bool_]) -> Profiles:
    """Profiles no longer inward than their sides (c, 4) need; along joined sides outward, too, where a face lies."""
    near, d = near_px[fine.card, fine.side, None], fine.distance_px
    seen = (d > -near) & ((d < near) | ~joined[fine.card, fine.side, None])
    return fine if seen.all() else replace(fine, weight=fine.weight * seen)


def _normals(camera: Camera, quads: Floats) -> Floats:
    """Normals (4 c, 2) of the sides of quadrilaterals (c, 14) in the photo, one way or the other."""
    corners = project(camera, qd.corners_mm(quads).reshape(-1, 3)).reshape(-1, qd.SIDES, 2)
    way = (np.roll(corners, -1, axis=1) - corners).reshape(-1, 2)
    return np.column_stack([way[:, 1], -way[:, 0]]) / lengths(way)[:, None]


def _near_px(blur_px: Floats, u_place_px: Floats) -> Floats:
    """How far (c, 4) a profile must reach to hold an edge."""
    return np.asarray(BLUR_REACH * blur_px + 0.5 + 2 * u_place_px)


def _reach(near_px: Floats, thickness_px: float) -> Reach:
    near = float(near_px.max())
    return Reach(inner_px=near, outer_px=near + min(SHADOW_ROOM * thickness_px, 12.0))


def _surroundings(
    camera: Camera, quads: Floats, sides: Profiles, thickness_px: Floats, conditions: Conditions, *, blur_px: Floats,
    bins_px: float,
) -> Surroundings:  # fmt: skip
    width = wall_widths_px(camera, quads, sides, paper_mm=conditions.paper_mm)
    thickness_mm = quads[:, qd.ELEVATION] + conditions.paper_mm
    share = (conditions.u_thickness_mm / np.maximum(thickness_mm, 0.05))[sides.card]
    return Surroundings(
        width_px=width, u_width_px=np.maximum(np.abs(width) * share, 0.02),
        azimuth_rad=outward_azimuth_rad(quads, sides), thickness_px=thickness_px[sides.card], u_thickness=share,
        blur_px=np.hypot(blur_px, bins_px), bins_px=bins_px, white=conditions.white,
        colour_halved=None if conditions.sheet else conditions.colour_halved,
    )  # fmt: skip


def _clarity(sides: Profiles, found: SideLooks, joined: NDArray[np.bool_]) -> Floats:
    """Contrast of face and table over what the looks leave unexplained near the edge, (n,), in the colour that shows it
    best; of joined sides (n,) that of face and gap, or of both faces."""
    x, looks = sides.distance_px, found.looks.parameters
    model = expected_light(x, looks, plain_channels(len(looks)), found.shading)
    weight = (sides.weight * (np.abs(x - looks[:, PLACE, None]) < NEAR_PX))[:, None]
    left = weight * (sides.light.transpose(0, 2, 1) - model) ** 2
    scatter = np.sqrt(left.sum(axis=2) / np.maximum(weight.sum(axis=2), 1e-9)) + LEAST_SCATTER
    gap = np.minimum(looks[:, SHADOW] / (2 * looks[:, BLUR]), 1.0)[:, None]
    beyond = np.where(joined[:, None], looks[:, SHADE, None] * looks[:, TABLE], looks[:, TABLE])
    contrast = np.abs(beyond - looks[:, FACE]) * np.where(joined[:, None], gap, 1.0)
    # two cards that touch may tell themselves apart by their borders
    contrast = np.maximum(contrast, joined[:, None] * np.abs(looks[:, TABLE] - looks[:, FACE]))
    return np.asarray((contrast / scatter).max(axis=1))


def _stretch_points(
    fine: Profiles, whole: SideLooks, rim_px: Floats, *, colour_halved: bool | None, coarse: bool
) -> tuple[EdgePoints, Floats]:
    """Edge points of all usable stretches, and the share (n,) of each side's stretches that could be used."""
    key, p = fine.card * qd.SIDES + fine.side, whole.looks.parameters
    channels = channels_for(p[:, FACE], p[:, TABLE], colour_halved=colour_halved)
    if coarse and colour_halved is not None:  # brightness alone will do to begin the next pass with
        channels = channels.rough
    tone = tone_shift_px(p[:, FACE][:, GREEN], p[:, TABLE][:, GREEN], p[:, BLUR]) * U_TONE
    rounds = COARSE_ROUNDS if coarse else ROUNDS
    found = edge_offsets(
        fine.distance_px, fine.light, fine.weight, looks=p[key], rounds=rounds, channels=channels.rows(key),
        shading=whole.shading.rows(key),
    )  # fmt: skip
    place, u = found.place_px, found.u_px
    sides = len(whole.doubt_px)
    # a side along the pixel rows fills every other bin only
    filled = (fine.weight > 0).sum(axis=1)
    full = filled > 0.4 * np.maximum.reduceat(filled, np.searchsorted(key, np.arange(sides)))[key]
    good = fine.inside & full & np.isfinite(place) & (u < 1.0) & (np.abs(place - p[key, PLACE]) < FARTHEST_PX)
    used = np.bincount(key[good], minlength=sides) / np.maximum(np.bincount(key, minlength=sides), 1)
    points = EdgePoints(
        card=fine.card[good],
        side=fine.side[good],
        along=fine.along[good],
        px=(fine.px + (place - rim_px[key])[:, None] * fine.normal)[good],
        normal=fine.normal[good],
        u_px=np.maximum(u[good], LEAST_U_PX),
        tone_px=tone[key[good]],
        brighter=(p[:, FACE][:, GREEN] > p[:, TABLE][:, GREEN])[key[good]],
        u_bias_px=np.zeros((sides // qd.SIDES, qd.SIDES)),
    )
    return points, used
