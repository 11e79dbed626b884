"""Sides that were sought at a line inside the border: found again at a step further out.

Where a border is nearly as dark as the table, a rough outline may follow the picture's frame instead, or the frame
draws the fit to itself. What is found there is badly explained, as a border's far end is no table; so the side is
looked at more closely, where it was predicted and at steps further out, and the place whose looks explain it best is
believed, if they explain it far better.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project, to_plane
from cardmeasure.edges.beside import light_beside
from cardmeasure.edges.looks import SHADOW, TABLE, WIDTH
from cardmeasure.edges.measuring import MIN_CLARITY, EdgeMeasurement
from cardmeasure.edges.profiles import Profiles, Reach, Stretches, sample_profiles, whole_sides
from cardmeasure.edges.whole import SideLooks
from cardmeasure.numerics import lengths
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]
Mask = NDArray[np.bool_]
Measured = Callable[[Ints, Floats, Floats, SideLooks | None], EdgeMeasurement]

LOST, CLOSER, BETTER, FOUND = 8.0, 20.0, 0.4, 3.0
"""Misfit beyond which a side may be lost, and beyond which it is looked at more closely where it was predicted; what
share of it is left where the side has been found again, and how much at most. With 5 the foot of a bank card's wall and
a line of wood grain passed for edges."""
INNER_PX, FARTHEST_MM, FARTHEST_PX = 8.0, 3.5, 40.0
"""Where steps are looked for: from so far inside the side, for the lens, to so far outside, as borders go."""
BEYOND_PX = 2.5
"""Steps nearer to the side's place belong to the same edge."""
WINDOW, LEAST_STEP = 4, 0.12
"""Pixels either side that make a step, and the least one: sum over the colours of the logarithm of light."""
SHADOW_ROOM = 2.0
"""So many standard uncertainties farther than is expected of them shadows may reach."""
SHOWS = 4.0
"""Clarity that a place needs to be believed in against an outline. On rendered shots, not the study's, sides rightly
moved had 10 or more, and the one wrongly moved 1.7."""
APART = 2
"""A step is the steepest within so many pixels."""
TRIALS = 3
U_CLOSE_PX, STAYS_PX, LOOKS = 1.0, 1.5, 2
"""What a side may be off by where it is looked at closely, and at most; how often it is, where it strays farther."""
FLOOR = 0.01
DARKER, SPOTS = 0.35, np.linspace(-0.6, 0.6, 9)
"""What lies outside an edge is no table where it is darker by so much, logarithm of light, than farther out than any
border is wide, at the median of these places along the side."""
STRETCHES = Stretches(every=3, phases=1)


def found_again(
    photo: Photo, camera: Camera, quads: Floats, edges: EdgeMeasurement, *, px_per_mm: float, u_place_px: float,
    measured: Measured, joined: Mask | None = None, sure: Mask | None = None,
) -> tuple[Floats, EdgeMeasurement]:  # fmt: skip
    """Quadrilaterals (c, 14) with lost sides moved to where they are found, and their edges; the same if none is.

    u_place_px : what others may be off by. measured : measures the edges of some cards, whose numbers (k,) it is given,
    as quadrilaterals (k, 11) whose sides (k, 4) may be off by so many pixels, and what the photo has taught of them.
    joined : sides (c, 4) that another card touches, which are not looked for. sure (c,): cards that have been found
    already, whose sides are looked for only where they are badly wrong.
    """
    lost = (edges.misfit > LOST) | ~_understood(photo, camera, quads, edges)
    if joined is not None:
        lost &= ~joined
    if sure is not None:
        lost &= ~sure[:, None] | (edges.misfit > CLOSER)
    with_lost: Mask = np.asarray(lost.any(axis=1))
    cards = np.flatnonzero(with_lost)
    if len(cards) == 0:
        return quads, edges
    some = edges.of_cards(with_lost)
    moved_px, close = _best_places(
        photo, camera, quads[cards], some, lost[cards], px_per_mm=px_per_mm, u_place_px=u_place_px,
        measured=lambda there, u: measured(cards, there, u, some.known.sides),
    )  # fmt: skip
    if not close.any():
        return quads, edges
    found, u_px = quads.copy(), np.full(lost.shape, u_place_px)
    found[cards] = moved_outward(camera, quads[cards], moved_px)
    u_px[cards] = np.where(close, U_CLOSE_PX, u_place_px)
    return found, measured(np.arange(len(quads)), found, u_px, None)


def _best_places(
    photo: Photo, camera: Camera, quads: Floats, edges: EdgeMeasurement, lost: Mask, *, px_per_mm: float,
    u_place_px: float, measured: Callable[[Floats, Floats], EdgeMeasurement],
) -> tuple[Floats, Mask]:  # fmt: skip
    """How far outward (c, 4) lost sides are explained best, px, and which are far better than where they were found."""
    understood = partial(_understood, photo, camera)
    steps = _steps_beyond(photo, camera, quads, edges, lost, px_per_mm=px_per_mm)
    misfit = np.where(understood(quads, edges), np.minimum(BETTER * edges.misfit, FOUND), FOUND)
    u_px = np.where(lost, U_CLOSE_PX, u_place_px)
    moved_px, close = np.zeros(lost.shape), np.zeros_like(lost)
    for k in range(steps.shape[2]):
        tried = lost & np.isfinite(steps[..., k])
        outward = np.where(tried, steps[..., k], 0.0)
        for _ in range(LOOKS):
            if not tried.any():
                break
            there = moved_outward(camera, quads, outward)
            trial = measured(there, u_px)
            place = trial.known.sides.looks.place_px.reshape(lost.shape)
            stays = np.abs(place) < STAYS_PX
            better = lost & stays & understood(there, trial) & (trial.clarity > SHOWS) & (trial.misfit < misfit)
            # those that are not tried are looked at as closely where they are
            moved_px, misfit = np.where(better, outward, moved_px), np.where(better, trial.misfit, misfit)
            close |= better
            # what has strayed to where it is explained far better is looked at there
            tried = tried & ~stays & (trial.misfit < BETTER * edges.misfit)
            outward = np.where(tried, outward + place, 0.0)
    return moved_px, close


def _understood(photo: Photo, camera: Camera, quads: Floats, edges: EdgeMeasurement) -> Mask:
    """Which sides (c, 4) show clearly, with the table outside them, as bright as it is farther out."""
    near = edges.known.sides.looks.parameters[:, TABLE]
    beyond = np.median(light_beside(photo, camera, quads, along=SPOTS, outward_mm=FARTHEST_MM), axis=1)
    shade = np.log((near + FLOOR) / (beyond + FLOOR)).mean(axis=1)
    return np.asarray((edges.clarity >= MIN_CLARITY) & edges.on_table & (shade > -DARKER).reshape(edges.misfit.shape))


def _shadows_px(edges: EdgeMeasurement) -> Floats:
    """How far (c, 4) shadows may reach, by what the photo has taught of them."""
    priors = edges.known.sides.priors
    reach = priors.mean[:, SHADOW] + SHADOW_ROOM * np.sqrt(priors.covariance[:, SHADOW, SHADOW])
    return np.asarray((reach + np.minimum(priors.mean[:, WIDTH], 0)).reshape(edges.misfit.shape))


def _steps_beyond(
    photo: Photo, camera: Camera, quads: Floats, edges: EdgeMeasurement, lost: Mask, *, px_per_mm: float
) -> Floats:
    """Distances (c, 4, 5) to try for lost sides, px outward: none, that at which they were found, if far off, and those
    of steps; NaN where there are fewer."""
    out = np.full((*lost.shape, 2 + TRIALS), np.nan)
    out[lost & (edges.misfit > CLOSER), 0] = 0.0
    reach = Reach(inner_px=INNER_PX, outer_px=min(FARTHEST_MM * px_per_mm, FARTHEST_PX))
    profiles = sample_profiles(photo, camera, quads, reach=reach, stretches=STRETCHES)
    whole = whole_sides(profiles, len(quads))
    place = edges.known.sides.looks.place_px.reshape(lost.shape)
    strayed = lost & (edges.misfit > CLOSER) & (np.abs(place) > STAYS_PX)
    out[strayed, 1] = place[strayed]
    # what is well explained, but dark outside, may lie in its own shadow
    nearest = np.where(edges.misfit > LOST, BEYOND_PX, np.maximum(_shadows_px(edges), BEYOND_PX))
    for row in range(len(whole.card)):
        card, side = whole.card[row], whole.side[row]
        if lost[card, side]:
            found = _steps(whole, row, beyond_px=place[card, side] + nearest[card, side])
            out[card, side, 2 : 2 + len(found)] = found
    return out


def _steps(whole: Profiles, row: int, *, beyond_px: float) -> Floats:
    """Places of the clear steps of one profile further out than `beyond_px`, px, at most so many as are tried."""
    used = whole.weight[row] > 0
    d, light = whole.distance_px[row][used], np.log(whole.light[row][used] + FLOOR)
    total = np.concatenate([np.zeros((1, 3)), np.cumsum(light, axis=0)])
    cut = np.arange(WINDOW, len(d) - WINDOW + 1)
    if len(cut) < 3:
        return np.zeros(0)
    step = np.abs(total[cut + WINDOW] - 2 * total[cut] + total[cut - WINDOW]).sum(axis=1) / WINDOW
    padded = np.pad(step, APART, constant_values=-1.0)
    peak = step >= np.max([padded[k : k + len(step)] for k in range(2 * APART + 1)], axis=0)
    at = (d[cut - 1] + d[np.minimum(cut, len(d) - 1)]) / 2
    clear = np.flatnonzero(peak & (step > LEAST_STEP) & (at > beyond_px))
    return np.asarray(np.sort(at[clear[np.argsort(-step[clear])[:TRIALS]]]))


def moved_outward(camera: Camera, quads: Floats, outward_px: Floats) -> Floats:
    """Quadrilaterals (c, 14) with their sides moved outward by so many pixels (c, 4)."""
    moved = quads.copy()
    those = np.flatnonzero(outward_px.any(axis=1))
    corners = project(camera, qd.corners_mm(quads[those]).reshape(-1, 3)).reshape(-1, qd.SIDES, 2)
    way = np.roll(corners, -1, axis=1) - corners
    normal = np.stack([way[..., 1], -way[..., 0]], axis=2) / lengths(way)[..., None]
    shift = outward_px[those][..., None] * normal
    elevations = quads[those, qd.ELEVATION]
    # a corner is where a side meets the one before it
    px = (corners + shift + np.roll(shift, 1, axis=1)).reshape(-1, 2)
    world = to_plane(camera, px, z_mm=np.repeat(-elevations, qd.SIDES)).reshape(-1, qd.SIDES, 2)
    moved[those] = qd.quads_from_corners(world, elevation_mm=elevations)
    return moved
