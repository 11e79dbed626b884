"""Edge points of all cards from the full-resolution photo, given where the sides roughly are.

Each side is fitted as a whole first (its blur, its wall), then in short stretches. What a whole side may be wrong by,
because its wall cannot be told from its border or its thickness is not known, goes into `u_bias_px`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera
from cardmeasure.edges.models import best_models
from cardmeasure.edges.points import EdgePoints
from cardmeasure.edges.profiles import Profiles, Stretches, sample_profiles
from cardmeasure.edges.steps import BLUR, FACE, PLACE, TABLE, WALL, StepPriors, Steps, fit_steps
from cardmeasure.edges.walls import learned_walls, outward_azimuth_rad, wall_widths_px
from cardmeasure.numerics import normal_cdf
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

GREEN = 1
STRETCHES = Stretches()
STRETCH_PX = 20.0
"""A shorter stretch has too few pixels for a profile of its own."""
U_MODEL_PX, U_RIM_MM = 0.05, 0.012
"""Shift of a whole side that no model of ours explains: sharpening and foot shadow; rim and cut of the board."""
SHADOW_OF_THICKNESS = 0.4
"""Width of a foot shadow that may hide beside an equally dark border, as a share of the card's thickness (1 s.d.)."""
BLUR_TEACHERS = 3
U_BLUR = 0.07
"""Relative spread of the blur between the sides of one photo."""
U_TONE = 0.15
"""Standard uncertainty of the exponent by which a photo's tone curve departs from sRGB's."""
MOST_TONE = 1.0
"""Largest shift by a tone curve's exponent, in blurs: that of white paper against a nearly black table."""
WEAK_CONTRAST = 0.25
"""Share of the brighter level by which green must differ; below, the colour that best parts both sides is used."""


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeMeasurement:
    """Edge points and, for each side (c, 4), its contrast over its scatter and the share of stretches used."""

    points: EdgePoints
    clarity: Floats
    used: Floats


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
) -> EdgeMeasurement:
    """Fit all sides of all quadrilaterals (c, 9).

    blur_px, white : blur and linear light of white paper, from the reference. u_place_px : how far the sides may be
    from where they are predicted.
    """
    if len(quads) == 0:
        raise ValueError("quads is empty: there is nothing to measure.")
    fine = _profiles(photo, camera, quads, blur_px=blur_px, paper_mm=paper_mm, u_place_px=u_place_px)
    sides = _whole_sides(fine, len(quads))
    width = wall_widths_px(camera, quads, sides, paper_mm=paper_mm)
    visible = np.maximum(width, 0.0)
    near = 3.2 * blur_px + 1.5 + u_place_px
    fine, sides = _trimmed(fine, near, visible), _trimmed(sides, near, visible)
    light, clarity, is_green = _best_channel(sides)
    n = len(width)
    default, u_default = 0.45 * white, 0.3 * white

    def fitted(wall: Floats, u_wall: Floats, blur: float, u_blur: float, shadows: bool) -> tuple[Steps, Floats, Floats]:
        priors = StepPriors(
            wall=wall, u_wall=np.where(is_green, u_wall, 10 * white), blur_px=np.full(n, blur),
            u_blur_px=np.full(n, u_blur), place_px=np.zeros(n), u_place_px=np.full(n, u_place_px),
        )  # fmt: skip
        return best_models(sides, light, wall_px=visible, priors=priors, shadows=shadows)

    wall, u_wall = np.full(n, default), np.full(n, u_default)
    blur, u_blur = _common_blur(fitted(wall, u_wall, blur_px, 0.3 * blur_px, False)[0], width, start=blur_px)
    wall, u_wall = learned_walls(
        fitted(wall, u_wall, blur, u_blur, False)[0], np.where(is_green, width, 0.0), outward_azimuth_rad(quads, sides),
        default=default, u_default=u_default,
    )  # fmt: skip
    whole, strip, disagreement = fitted(wall, u_wall, blur, u_blur, True)
    observed, used = _stretch_points(fine, sides, whole, light_of=_projector(fine, sides, is_green), width=strip)
    thickness = quads[:, qd.ELEVATION] + paper_mm
    u_width = np.where(width > 0, visible * (u_thickness_mm / np.maximum(thickness, 0.05))[sides.card], 0.25 * strip)
    per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
    u_shadow = np.where(_like_a_shadow(whole, strip), SHADOW_OF_THICKNESS * thickness[sides.card] * per_mm, 0.0)
    u_bias = np.hypot(
        np.hypot(U_MODEL_PX, U_RIM_MM * per_mm),
        np.hypot(np.hypot(_model_doubt(whole, u_width), disagreement), u_shadow),
    )
    shape = (len(quads), qd.SIDES)
    return EdgeMeasurement(
        points=replace(observed, u_bias_px=u_bias.reshape(shape)),
        clarity=clarity.reshape(shape),
        used=used.reshape(shape),
    )


def _profiles(
    photo: Photo, camera: Camera, quads: Floats, *, blur_px: float, paper_mm: float, u_place_px: float
) -> Profiles:
    thickest = float((quads[:, qd.ELEVATION] + paper_mm).max())
    wall = 0.6 * thickest * camera.focal_px / float(np.linalg.norm(camera.position_mm))
    reach = 3.2 * blur_px + 2.5 + min(wall, 6.0) + u_place_px
    per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
    stretches = replace(STRETCHES, length_mm=max(STRETCHES.length_mm, STRETCH_PX / per_mm))
    return sample_profiles(photo, camera, quads, reach_px=reach, stretches=stretches)


def _trimmed(profiles: Profiles, near_px: float, visible_px: Floats) -> Profiles:
    """Without the bins that are further than need be: frame lines inside, shadows outside. visible_px: a side."""
    outer = near_px + visible_px[profiles.card * qd.SIDES + profiles.side]
    d = profiles.distance_px
    keep = (d[None] > -near_px) & (d[None] < outer[:, None])
    return replace(profiles, weight=np.where(keep, profiles.weight, 0.0))


def _common_blur(steps: Steps, width_px: Floats, *, start: float) -> tuple[float, float]:
    """Blur of the photo's edges and its spread, from the sides whose wall is hidden; wide where there are too few."""
    hidden = width_px <= 0
    if hidden.sum() < BLUR_TEACHERS:
        return start, 0.2 * start
    blur = float(np.median(steps.parameters[hidden, BLUR]))
    return blur, U_BLUR * blur


def _whole_sides(fine: Profiles, cards: int) -> Profiles:
    """All stretches of a side put together; they hardly bend over a side, as the prediction follows the lens."""
    key = fine.card * qd.SIDES + fine.side
    n, b = cards * qd.SIDES, len(fine.distance_px)
    weight = np.zeros((n, b))
    np.add.at(weight, key, fine.weight)
    light = np.zeros((n, b, 3))
    np.add.at(light, key, fine.light * fine.weight[..., None])
    count = np.bincount(key, minlength=n)
    middle = np.zeros((n, 2))
    np.add.at(middle, key, fine.px)
    normal = np.zeros((n, 2))
    np.add.at(normal, key, fine.normal)
    index = np.arange(n)
    return Profiles(
        card=index // qd.SIDES, side=index % qd.SIDES, along=np.zeros(n), px=middle / count[:, None],
        normal=normal / np.linalg.norm(normal, axis=1)[:, None], distance_px=fine.distance_px,
        light=light / np.maximum(weight, 1)[..., None], weight=weight, inside=np.ones(n, bool),
    )  # fmt: skip


def _ends(profiles: Profiles) -> tuple[Floats, Floats, Floats]:
    """Mean colours of face and table near a side (n, 3) each, and their pooled scatter (n, 3, 3)."""
    d = profiles.distance_px
    out = []
    scatter = np.zeros((len(profiles.card), 3, 3))
    limit = np.where(profiles.weight > 0, d, 0.0)
    for part in (d < 0.65 * limit.min(axis=1)[:, None], d > 0.65 * limit.max(axis=1)[:, None]):
        w = profiles.weight * part + 1e-9
        mean = (profiles.light * w[..., None]).sum(axis=1) / w.sum(axis=1)[:, None]
        r = profiles.light - mean[:, None]
        scatter += np.einsum("nb,nbi,nbj->nij", w, r, r) / w.sum(axis=1)[:, None, None] / 2
        out.append(mean)
    return out[0], out[1], scatter + 1e-6 * np.eye(3)


def _best_channel(sides: Profiles) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Light to fit (n, b), contrast over scatter (n,), and whether it is green: else Fisher's discriminant."""
    direction, clarity, is_green = _directions(sides)
    return np.einsum("nbc,nc->nb", sides.light, direction), clarity, is_green


def _directions(sides: Profiles) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    face, table, scatter = _ends(sides)
    difference = table - face
    fisher = np.linalg.solve(scatter, difference[..., None])[..., 0]
    fisher /= np.maximum(np.abs(fisher).sum(axis=1, keepdims=True), 1e-12)
    by_green = np.abs(difference[:, GREEN]) / np.sqrt(scatter[:, GREEN, GREEN])
    by_fisher = np.abs((fisher * difference).sum(axis=1)) / np.sqrt(
        np.einsum("ni,nij,nj->n", fisher, scatter, fisher) + 1e-12
    )
    brighter = np.maximum(face[:, GREEN], table[:, GREEN])
    is_green = (np.abs(difference[:, GREEN]) > WEAK_CONTRAST * brighter) | (by_fisher < 1.5 * by_green)
    green = np.zeros_like(fisher)
    green[:, GREEN] = 1.0
    return np.where(is_green[:, None], green, fisher), np.maximum(by_green, by_fisher), is_green


def _projector(fine: Profiles, sides: Profiles, is_green: NDArray[np.bool_]) -> Floats:
    """Light of the stretches (n, b) in the channel of their side."""
    direction = _directions(sides)[0][fine.card * qd.SIDES + fine.side]
    return np.asarray(np.einsum("nbc,nc->nb", fine.light, direction))


def _stretch_points(
    fine: Profiles, sides: Profiles, whole: Steps, *, light_of: Floats, width: Floats
) -> tuple[EdgePoints, Floats]:
    """Edge points of all usable stretches; wall, blur and place are held near those of the whole side."""
    key = fine.card * qd.SIDES + fine.side
    p = whole.parameters[key]
    contrast = np.abs(p[:, TABLE] - p[:, FACE]) + 1e-3
    n = len(key)
    priors = StepPriors(
        wall=p[:, WALL], u_wall=0.05 * contrast, blur_px=p[:, BLUR], u_blur_px=np.full(n, 0.02),
        place_px=p[:, PLACE], u_place_px=np.full(n, 2.0),
    )  # fmt: skip
    steps = fit_steps(fine.distance_px, light_of, fine.weight, wall_px=width[key], priors=priors, start_px=p[:, PLACE])
    place = steps.place_px
    u = np.sqrt(steps.covariance[:, PLACE, PLACE])
    # a side along the pixel rows fills every other bin only
    full = (fine.weight > 0).sum(axis=1) > 0.4 * (sides.weight[key] > 0).sum(axis=1)
    good = fine.inside & full & np.isfinite(place) & (u < 1.0) & (np.abs(place) < 0.9 * fine.distance_px[-1])
    good &= np.abs(place - p[:, PLACE]) < 2.5
    total = np.bincount(key, minlength=len(sides.card))
    used = np.bincount(key[good], minlength=len(sides.card)) / np.maximum(total, 1)
    # levels of a colour difference may be negative and mean nothing here; no real pair of levels goes beyond the limit
    limit = MOST_TONE * p[:, BLUR]
    tone = np.clip(tone_shift_px(p[:, FACE], p[:, TABLE], p[:, BLUR]), -limit, limit) * U_TONE
    points = EdgePoints(
        card=fine.card[good],
        side=fine.side[good],
        along=fine.along[good],
        px=(fine.px + place[:, None] * fine.normal)[good],
        normal=fine.normal[good],
        u_px=np.maximum(u[good], 0.02),
        tone_px=tone[good],
        u_bias_px=np.full((len(sides.card) // qd.SIDES, qd.SIDES), U_MODEL_PX),
    )
    return points, used


def _model_doubt(whole: Steps, u_width: Floats) -> Floats:
    """Shift (n,) that a whole side may have: wall level, blur and place as fitted, and the wall's width."""
    return np.hypot(np.sqrt(whole.covariance[:, PLACE, PLACE]), whole.by_width * u_width)


def _like_a_shadow(whole: Steps, strip: Floats) -> NDArray[np.bool_]:
    """Sides (n,) whose border is as dark as the table's shadow: no step shows where one ends and the other begins."""
    share = whole.parameters[:, FACE] / np.maximum(whole.parameters[:, TABLE], 1e-6)
    return (strip < 0.3) & (share > 0.15) & (share < 0.7)


def tone_shift_px(face: Floats, table: Floats, blur_px: Floats) -> Floats:
    """Outward shift (n,) of a blurred step per unit of an exponent that distorts linear light, L -> L^(1 + e).

    First order: the shift is minus the integral of the distorted, normalised step's change over the distance.
    """
    z = np.linspace(-3.0, 3.0, 25)
    share = normal_cdf(z)
    low, high = np.clip(face, 1e-3, None)[:, None], np.clip(table, 1e-3, None)[:, None]
    difference = np.where(np.abs(high - low) < 1e-3, 1e-3, high - low)
    level = low + difference * share
    bent = level * np.log(level) - low * np.log(low)
    change = (bent - share * (high * np.log(high) - low * np.log(low))) / difference
    return np.asarray(-blur_px * np.trapezoid(change, z, axis=1))
