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
from cardmeasure.camera import Camera
from cardmeasure.edges.bends import bends_px, course_px
from cardmeasure.edges.fitting import Looks
from cardmeasure.edges.lighting import Surroundings, outward_azimuth_rad, wall_widths_px
from cardmeasure.edges.looks import BLUR, FACE, PLACE, TABLE
from cardmeasure.edges.neighbours import without_neighbours
from cardmeasure.edges.points import EdgePoints
from cardmeasure.edges.profiles import Profiles, Reach, Stretches, sample_profiles, whole_sides
from cardmeasure.edges.stretches import edge_offsets
from cardmeasure.edges.tables import is_table
from cardmeasure.edges.tone import U_TONE, tone_shift_px
from cardmeasure.edges.whole import SideLooks, ends, looks_of_sides
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

FINE, COARSE = Stretches(every=2, phases=1), Stretches(every=3, phases=1)
STRETCH_PX = 20.0
"""A shorter stretch has too few pixels for a profile of its own."""
BLUR_REACH, SHADOW_ROOM = 3.2, 1.6
"""How far profiles reach: so many blurs to either side, and so many thicknesses outside for the shadow."""
U_MODEL_PX, U_RIM_MM = 0.10, 0.010
"""Shift of a whole side that no model of ours explains: sharpening and uneven shadow; rim and cut of the board."""
U_SHARE = 1.5
"""By how much the scatter of places exceeds what the fit alone says: neighbouring bins err together."""
GREEN = 1
LEAST_U_PX = 0.02
U_BEND = 0.33
"""Where a bent side "is", as a share of its bend: on average, at its ends, or in its middle."""
PIXEL_PX = float(1 / np.sqrt(12))
"""Standard deviation of where on a pixel a side crosses it: averaging over all of them blurs."""
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
    """Edge points and, for each side (c, 4), its contrast over its scatter, the share of stretches used, and whether
    the table lies outside it."""

    points: EdgePoints
    clarity: Floats
    used: Floats
    on_table: NDArray[np.bool_]
    known: Known

    def known_with(self, residuals_px: Floats) -> Known:
        """What is known, and the edge points' residuals (m,) about straight sides."""
        return replace(self.known, residuals_px=residuals_px)

    def of_cards(self, keep: NDArray[np.bool_]) -> EdgeMeasurement:
        """That of some cards (c,), numbered anew."""
        rows = np.flatnonzero(np.repeat(keep, qd.SIDES))
        residuals = self.known.residuals_px[keep[self.points.card]]
        known = Known(sides=self.known.sides.rows(rows), points=self.points.of_cards(keep), residuals_px=residuals)
        return EdgeMeasurement(
            points=self.points.of_cards(keep), clarity=self.clarity[keep], used=self.used[keep],
            on_table=self.on_table[keep], known=known,
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """What the edges of a photo are seen under: blur (px) and linear light of white paper, from the reference; the
    paper's thickness, and the standard uncertainty of the cards'."""

    blur_px: float
    white: float
    paper_mm: float
    u_thickness_mm: float


def measure_edges(
    photo: Photo, camera: Camera, quads: Floats, *, conditions: Conditions, u_place_px: float, coarse: bool = False,
    known: Known | None = None,
) -> EdgeMeasurement:  # fmt: skip
    """Fit all sides of all quadrilaterals (c, 11).

    u_place_px : how far the sides may be from where they are predicted. coarse : read fewer lines, for a first pass.
    known : from an earlier pass over the same cards.
    """
    if len(quads) == 0:
        raise ValueError("quads is empty: there is nothing to measure.")
    per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
    stretches = COARSE if coarse else FINE
    stretches = replace(stretches, length_mm=max(stretches.length_mm, STRETCH_PX / per_mm))
    thickness_px = (quads[:, qd.ELEVATION] + conditions.paper_mm) * per_mm
    reach = _reach(conditions.blur_px, u_place_px, float(thickness_px.max()))
    fine = without_neighbours(sample_profiles(photo, camera, quads, reach=reach, stretches=stretches), camera, quads)
    # a side that is not straight would smear its own profile
    shift = course_px(known.points, known.residuals_px, fine) if known else np.zeros(len(fine.along))
    fine = replace(fine, px=fine.px + shift[:, None] * fine.normal, distance_px=fine.distance_px - shift[:, None])
    whole = whole_sides(fine, len(quads))
    around = _surroundings(camera, quads, whole, thickness_px, conditions, bins_px=PIXEL_PX / stretches.phases)
    sides = looks_of_sides(whole, around, u_place_px=u_place_px, before=known.sides if known else None)
    points, used = _stretch_points(fine, sides.looks)
    bend = bends_px(known.points, known.residuals_px) if known else np.zeros(len(whole.card))
    points = replace(points, u_bias_px=_u_bias(sides, bend, per_mm).reshape(-1, qd.SIDES))
    return EdgeMeasurement(
        points=points,
        clarity=_clarity(whole).reshape(-1, qd.SIDES),
        used=used.reshape(-1, qd.SIDES),
        on_table=is_table(sides.looks.parameters[:, TABLE], whole.px).reshape(-1, qd.SIDES),
        known=Known(sides=sides, points=points, residuals_px=np.zeros(len(points.card))),
    )


def _u_bias(sides: SideLooks, bend_px: Floats, per_mm: float) -> Floats:
    """Standard uncertainty (n,) of a shift of a whole side, px."""
    fitted = (U_SHARE * sides.looks.u_place_px) ** 2 + sides.doubt_px**2
    return np.sqrt(U_MODEL_PX**2 + (U_RIM_MM * per_mm) ** 2 + fitted + (U_BEND * bend_px) ** 2)


def _reach(blur_px: float, u_place_px: float, thickness_px: float) -> Reach:
    near = BLUR_REACH * blur_px + 0.5 + 2 * u_place_px
    return Reach(inner_px=near, outer_px=near + min(SHADOW_ROOM * thickness_px, 12.0))


def _surroundings(
    camera: Camera, quads: Floats, sides: Profiles, thickness_px: Floats, conditions: Conditions, *, bins_px: float
) -> Surroundings:
    width = wall_widths_px(camera, quads, sides, paper_mm=conditions.paper_mm)
    thickness_mm = quads[:, qd.ELEVATION] + conditions.paper_mm
    share = (conditions.u_thickness_mm / np.maximum(thickness_mm, 0.05))[sides.card]
    return Surroundings(
        width_px=width, u_width_px=np.maximum(np.abs(width) * share, 0.02),
        azimuth_rad=outward_azimuth_rad(quads, sides), thickness_px=thickness_px[sides.card],
        blur_px=float(np.hypot(conditions.blur_px, bins_px)), bins_px=bins_px, white=conditions.white,
    )  # fmt: skip


def _clarity(sides: Profiles) -> Floats:
    """Contrast over scatter (n,) of the colour that shows it best."""
    face, table, scatter = ends(sides)
    return np.asarray((np.abs(table - face) / scatter).max(axis=1))


def _stretch_points(fine: Profiles, whole: Looks) -> tuple[EdgePoints, Floats]:
    """Edge points of all usable stretches, and the share (n,) of each side's stretches that could be used."""
    key = fine.card * qd.SIDES + fine.side
    p = whole.parameters[key]
    found = edge_offsets(fine.distance_px, fine.light, fine.weight, p)
    place, u = found.place_px, found.u_px
    # a side along the pixel rows fills every other bin only
    filled = (fine.weight > 0).sum(axis=1)
    full = filled > 0.4 * np.maximum.reduceat(filled, np.searchsorted(key, np.arange(len(whole.cost))))[key]
    good = fine.inside & full & np.isfinite(place) & (u < 1.0) & (np.abs(place - p[:, PLACE]) < FARTHEST_PX)
    sides = len(whole.parameters)
    used = np.bincount(key[good], minlength=sides) / np.maximum(np.bincount(key, minlength=sides), 1)
    tone = tone_shift_px(p[:, FACE][:, GREEN], p[:, TABLE][:, GREEN], p[:, BLUR]) * U_TONE
    points = EdgePoints(
        card=fine.card[good],
        side=fine.side[good],
        along=fine.along[good],
        px=(fine.px + place[:, None] * fine.normal)[good],
        normal=fine.normal[good],
        u_px=np.maximum(u[good], LEAST_U_PX),
        tone_px=tone[good],
        u_bias_px=np.zeros((sides // qd.SIDES, qd.SIDES)),
    )
    return points, used
