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
from cardmeasure.edges.fitting import ROUNDS, LookPriors, Looks, fit_looks, look_priors
from cardmeasure.edges.lighting import (
    U_SHADE_LEVEL,
    Surroundings,
    outward_azimuth_rad,
    priors_before,
    priors_learned,
    wall_widths_px,
)
from cardmeasure.edges.looks import BLUR, FACE, PLACE, SHADE, SHADOW, SHARPENING, TABLE, WALL, WIDTH
from cardmeasure.edges.points import EdgePoints
from cardmeasure.edges.profiles import Profiles, Reach, Stretches, sample_profiles, whole_sides
from cardmeasure.edges.stretches import edge_offsets
from cardmeasure.edges.tone import U_TONE, tone_shift_px
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]
Index = NDArray[np.intp]

FINE, COARSE = Stretches(), Stretches(every=3, phases=1)
STRETCH_PX = 20.0
"""A shorter stretch has too few pixels for a profile of its own."""
BLUR_REACH, SHADOW_ROOM = 3.2, 1.6
"""How far profiles reach: so many blurs to either side, and so many thicknesses outside for the shadow."""
U_MODEL_PX, U_RIM_MM = 0.10, 0.010
"""Shift of a whole side that no model of ours explains: sharpening and uneven shadow; rim and cut of the board."""
U_SHARE = 1.5
"""By how much the scatter of places exceeds what the fit alone says: neighbouring bins err together."""
TEMPER = 6.0
"""Costs differ by less than they seem to, for the same reason."""
STARTS = ((0.0, 1.1), (-1.5, 1.3), (-4.0, 1.3), (1.0, 0.4))
"""Places (px) and shadow's reaches (over that expected) that fits are started from, as the nearest minimum may be a
wrong one: the rim of a shadow or of a wall that is brighter than face and table."""
GREEN = 1
LEAST_U_PX = 0.02
TRIAL_ROUNDS = 3
"""Rounds after which only the two most promising starts go on."""
ELSEWHERE_PX = 0.5
"""Two fits whose places differ by less have found the same edge."""
U_STRIP, ALIKE = 0.4, 0.15
"""What seems to be a shadow as dark as the face is rather more of the face: u is this share of it. They are alike where
their levels differ by less than the last share of the contrast between face and table."""
U_BEND = 0.33
"""Where a bent side "is", as a share of its bend: on average, at its ends, or in its middle."""
PIXEL_PX = 1 / np.sqrt(12)
"""Standard deviation of where on a pixel a side crosses it: averaging over all of them blurs."""
FARTHEST_PX = 2.5
"""A stretch's edge further from its side's than that is another line."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Known:
    """What one pass hands to the next: looks (n, 15) of all sides, how far other explanations put their edges (n,), px,
    and the priors that the photo has taught. `points` and their residuals (m,) about straight sides, px, show how far
    the sides wander."""

    looks: Floats
    doubt_px: Floats
    priors: LookPriors
    points: EdgePoints
    residuals_px: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeMeasurement:
    """Edge points and, for each side (c, 4), its contrast over its scatter and the share of stretches used."""

    points: EdgePoints
    clarity: Floats
    used: Floats
    known: Known

    def known_with(self, residuals_px: Floats) -> Known:
        """What is known, and the edge points' residuals (m,) about straight sides."""
        return replace(self.known, residuals_px=residuals_px)

    def of_cards(self, keep: NDArray[np.bool_]) -> EdgeMeasurement:
        """That of some cards (c,), numbered anew."""
        rows = np.flatnonzero(np.repeat(keep, qd.SIDES))
        known = Known(
            looks=self.known.looks[rows], doubt_px=self.known.doubt_px[rows], priors=self.known.priors.rows(rows),
            points=self.points.of_cards(keep), residuals_px=self.known.residuals_px[keep[self.points.card]],
        )  # fmt: skip
        return EdgeMeasurement(
            points=self.points.of_cards(keep), clarity=self.clarity[keep], used=self.used[keep], known=known
        )


def measure_edges(
    photo: Photo,
    camera: Camera,
    quads: Floats,
    *,
    blur_px: float,
    white: float,
    paper_mm: float,
    u_thickness_mm: float,
    u_place_px: float,
    coarse: bool = False,
    known: Known | None = None,
) -> EdgeMeasurement:
    """Fit all sides of all quadrilaterals (c, 9).

    blur_px, white : blur and linear light of white paper, from the reference. u_place_px : how far the sides may be
    from where they are predicted. coarse : read fewer lines, for a first pass. known : from an earlier pass over the
    same cards.
    """
    if len(quads) == 0:
        raise ValueError("quads is empty: there is nothing to measure.")
    per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
    thickness_px = (quads[:, qd.ELEVATION] + paper_mm) * per_mm
    reach = _reach(blur_px, u_place_px, float(thickness_px.max()))
    stretches = COARSE if coarse else FINE
    stretches = replace(stretches, length_mm=max(stretches.length_mm, STRETCH_PX / per_mm))
    fine = sample_profiles(photo, camera, quads, reach=reach, stretches=stretches)
    # a side that is not straight would smear its own profile
    shift = course_px(known.points, known.residuals_px, fine) if known else np.zeros(len(fine.along))
    fine = replace(fine, px=fine.px + shift[:, None] * fine.normal, distance_px=fine.distance_px - shift[:, None])
    sides = whole_sides(fine, len(quads))
    around = _surroundings(
        camera, quads, sides, thickness_px, blur_px=float(np.hypot(blur_px, PIXEL_PX / stretches.phases)), white=white, paper_mm=paper_mm,
        u_thickness_mm=u_thickness_mm,
    )  # fmt: skip
    looks, doubt, priors = _whole_looks(sides, around, u_place_px=u_place_px, known=known)
    points, used = _stretch_points(fine, looks)
    bend = bends_px(known.points, known.residuals_px) if known else np.zeros(len(doubt))
    u_bias = np.sqrt(
        U_MODEL_PX**2 + (U_RIM_MM * per_mm) ** 2 + (U_SHARE * looks.u_place_px) ** 2 + doubt**2 + (U_BEND * bend) ** 2
    )
    shape = (len(quads), qd.SIDES)
    return EdgeMeasurement(
        points=replace(points, u_bias_px=u_bias.reshape(shape)),
        clarity=_clarity(sides).reshape(shape),
        used=used.reshape(shape),
        known=Known(
            looks=looks.parameters, doubt_px=doubt, priors=priors, points=points,
            residuals_px=np.zeros(len(points.card)),
        ),  # fmt: skip
    )


def _reach(blur_px: float, u_place_px: float, thickness_px: float) -> Reach:
    near = BLUR_REACH * blur_px + 0.5 + 2 * u_place_px
    return Reach(inner_px=near, outer_px=near + min(SHADOW_ROOM * thickness_px, 12.0))


def _surroundings(
    camera: Camera, quads: Floats, sides: Profiles, thickness_px: Floats, *, blur_px: float, white: float,
    paper_mm: float, u_thickness_mm: float,
) -> Surroundings:  # fmt: skip
    width = wall_widths_px(camera, quads, sides, paper_mm=paper_mm)
    thickness_mm = quads[:, qd.ELEVATION] + paper_mm
    share = (u_thickness_mm / np.maximum(thickness_mm, 0.05))[sides.card]
    return Surroundings(
        width_px=width, u_width_px=np.maximum(np.abs(width) * share, 0.02),
        azimuth_rad=outward_azimuth_rad(quads, sides), thickness_px=thickness_px[sides.card], blur_px=blur_px,
        white=white,
    )  # fmt: skip


def _whole_looks(
    sides: Profiles, around: Surroundings, *, u_place_px: float, known: Known | None
) -> tuple[Looks, Floats, LookPriors]:
    """Looks of all sides, how far (n,) other explanations put their edges, px, and the priors learned from them."""
    face, table, _ = _ends(sides)
    before = priors_before(around, face, table, u_place_px=u_place_px)
    if known is None:
        looks, doubt = _best_of_starts(sides, before)
        priors = priors_learned(before, looks, around)
        start = looks.parameters
    else:
        doubt, priors = known.doubt_px, _carried_over(known.priors, before)
        start = known.looks.copy()
        start[:, PLACE] = 0.0
    looks = fit_looks(sides.distance_px, sides.light, sides.weight, priors=priors, start=start)
    # where other sides have taught how dark shadows are, a dark strip is no riddle
    untaught = np.minimum(priors.covariance[:, SHADE, SHADE] / U_SHADE_LEVEL**2, 1.0)
    strip = untaught * _like_the_face(looks.parameters)
    moved = looks.parameters.copy()
    moved[:, PLACE] += strip
    moved[:, SHADOW] -= strip
    return replace(looks, parameters=moved), np.hypot(doubt, U_STRIP * strip), priors


def _like_the_face(p: Floats) -> Floats:
    """Width (n,) of what is taken for shadow but looks like more of a dark face, px; less the more they differ."""
    strip = np.maximum(p[:, SHADOW] + np.minimum(p[:, WIDTH], 0.0), 0.0)
    face, table = p[:, FACE], p[:, TABLE]
    apart = np.abs(face - p[:, SHADE, None] * table).max(axis=1) / np.maximum(np.abs(table - face).max(axis=1), 1e-3)
    return np.asarray(strip * np.exp(-0.5 * (apart / ALIKE) ** 2))


def _best_of_starts(sides: Profiles, priors: LookPriors) -> tuple[Looks, Floats]:
    """The cheapest fit of each side over all starts, and the others' distance from it (n,), weighted by likelihood."""
    n = len(sides.card)
    start = np.repeat(priors.mean[None], len(STARTS), axis=0)
    start[:, :, PLACE] = np.array([place for place, _ in STARTS])[:, None]
    start[:, :, SHADOW] *= np.array([reach for _, reach in STARTS])[:, None]
    row = np.tile(np.arange(n), len(STARTS))
    tried = _fitted(sides, row, priors, start.reshape(len(row), -1), rounds=TRIAL_ROUNDS)
    row, start = np.tile(np.arange(n), 2), _two_apart(tried.cost.reshape(-1, n), tried.place_px.reshape(-1, n))
    return _better(_fitted(sides, row, priors, tried.parameters[start.ravel() * n + row], rounds=ROUNDS))


def _better(looks: Looks) -> tuple[Looks, Floats]:
    """The cheaper of two fits (2 n,) of each side, and the other's distance from it (n,), weighted by likelihood."""
    n = len(looks.cost) // 2
    cost, place = looks.cost.reshape(2, n), looks.place_px.reshape(2, n)
    index = cost.argmin(axis=0) * n + np.arange(n)
    likelihood = np.exp(-(cost - cost.min(axis=0)) / (2 * TEMPER))
    off = place - looks.place_px[index]
    doubt = np.sqrt((likelihood * off**2).sum(axis=0) / likelihood.sum(axis=0))
    return looks.rows(index), doubt


def _two_apart(cost: Floats, place_px: Floats) -> Index:
    """Of the trials (m, n) of each side the cheapest, and the cheapest that puts the edge elsewhere, (2, n)."""
    best = cost.argmin(axis=0)
    same = np.abs(place_px - place_px[best, np.arange(cost.shape[1])]) < ELSEWHERE_PX
    other = np.where(same & ~same.all(axis=0), np.inf, cost)
    return np.stack([best, other.argmin(axis=0)])


def _fitted(sides: Profiles, row: Index, priors: LookPriors, start: Floats, *, rounds: int) -> Looks:
    return fit_looks(
        sides.distance_px[row], sides.light[row], sides.weight[row], priors=priors.rows(row), start=start,
        rounds=rounds,
    )  # fmt: skip


def _carried_over(learned: LookPriors, before: LookPriors) -> LookPriors:
    """What the photo has taught of lamps and blur, with this pass's own priors of all else."""
    mean, covariance = before.mean.copy(), before.covariance.copy()
    common = np.r_[BLUR, SHARPENING, SHADOW, SHADE, WALL]
    mean[:, common] = learned.mean[:, common]
    finer = PIXEL_PX**2 * (1 / COARSE.phases**2 - 1 / FINE.phases**2)
    mean[:, BLUR] = np.sqrt(np.maximum(mean[:, BLUR] ** 2 - finer, 0.1))
    covariance[np.ix_(np.arange(len(mean)), common, common)] = learned.covariance[
        np.ix_(np.arange(len(mean)), common, common)
    ]
    return look_priors(mean, covariance)


def _ends(sides: Profiles) -> tuple[Floats, Floats, Floats]:
    """Mean colours of face and table near the ends of each profile (n, 3), and their pooled scatter (n, 3)."""
    d, out, variance = sides.distance_px, [], np.zeros((len(sides.card), 3))
    limit = np.where(sides.weight > 0, d, 0.0)
    for part in (d < 0.65 * limit.min(axis=1)[:, None], d > 0.75 * limit.max(axis=1)[:, None]):
        w = (sides.weight * part + 1e-9)[..., None]
        mean = (sides.light * w).sum(axis=1) / w.sum(axis=1)
        variance += ((sides.light - mean[:, None]) ** 2 * w).sum(axis=1) / w.sum(axis=1) / 2
        out.append(mean)
    return out[0], out[1], np.sqrt(variance) + 1e-3


def _clarity(sides: Profiles) -> Floats:
    """Contrast over scatter (n,) of the colour that shows it best."""
    face, table, scatter = _ends(sides)
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
