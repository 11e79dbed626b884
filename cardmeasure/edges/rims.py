"""How far a rounded rim seems to move an edge: cut board is rounded at its upper edge, and shaded there.

The rim turns from the face's direction into the wall's. On the side away from the lamp most of it lies in its own
shadow, so that the face seems to end too soon by a part of the radius; towards the lamp it may be brighter than the
face. The strip is much narrower than the blur, so only its light as a whole counts: as much light as it lacks, over the
step from the face to what lies outside, is the shift. (Of the room a rim sees hardly less than the face does: what it
turns away from, the table makes up for.)
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.edges.fitting import LookPriors
from cardmeasure.edges.lighting import Surroundings, slants
from cardmeasure.edges.looks import BLUR, FACE, SHADE, SHADOW, TABLE, WALL, WIDTH, seen_shadow_px

Floats = NDArray[np.floating[Any]]

RADIUS_MM, U_RADIUS_MM = 0.04, 0.015
"""Radius of the rim of cut board (common practice, no source)."""
LAMP_BY_SLANT = 0.4
"""Slope of the lamp's light on a rim after the slant of the light, about."""
WIDE_BLURS = 1.5
"""A wall so many blurs wide is all that the face's edge is seen against; less of a narrower one."""
FAINT = 0.15
"""A step that is a smaller share of the levels does not say where the edge is."""


def lamp_on_rim(slant: Floats) -> Floats:
    """Light (...) of a lamp on a quarter circle, seen from above, over that on the face.

    slant : the shadow's reach over the height of what throws it, outward; negative towards the lamp. The light on a
    rim at angle a is cos a - slant sin a, as long as that is positive; it is seen in proportion to cos a.
    """
    end = np.minimum(np.arctan2(1.0, slant), np.pi / 2)
    return np.asarray((end + np.sin(end) * np.cos(end)) / 2 - slant / 2 * np.sin(end) ** 2)


def rim_shifts_px(
    looks: Floats, priors: LookPriors, around: Surroundings, *, px_per_mm: float
) -> tuple[Floats, Floats]:
    """How far outward (n,) the edges of n sides, four to a card, seem to be moved, px, and the uncertainty of that.

    looks : (n, 15). priors : as the photo has taught them.
    """
    slant = slants(priors.mean[:, SHADOW], _across(priors.mean[:, SHADOW]), around)
    u_slant = np.sqrt(priors.covariance[:, SHADOW, SHADOW]) / around.thickness_px
    # how much of the light is the room's shows in shadows only, which fall on the side away from the lamp
    shade = np.clip(priors.mean[:, SHADE], 0.0, 1.0)
    room = np.where(slant < 0, _across(shade), shade)
    face, wall, table = (looks[:, part].mean(axis=1) for part in (FACE, WALL, TABLE))
    gain = (1 - room) * (lamp_on_rim(slant) - 1)
    shows = np.clip(looks[:, WIDTH] / (WIDE_BLURS * looks[:, BLUR]), 0.0, 1.0)
    dark = np.where(seen_shadow_px(looks) > 0, looks[:, SHADE], 1.0) * table
    step = face - (shows * wall + (1 - shows) * dark)
    per_gain = face * step / (step**2 + (FAINT * np.maximum(face, table)) ** 2)
    radius, u_radius = RADIUS_MM * px_per_mm, U_RADIUS_MM * px_per_mm
    u_gain = LAMP_BY_SLANT * (1 - room) * np.minimum(u_slant, 1.0)
    return radius * gain * per_gain, np.abs(per_gain) * np.hypot(u_radius * gain, radius * u_gain)


def _across(value: Floats) -> Floats:
    """Of the opposite sides (n,)."""
    return np.asarray(np.roll(value.reshape(-1, qd.SIDES), 2, axis=1).ravel())
