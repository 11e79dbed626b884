"""Sides of cards drawn finely in linear light and then blurred, by no formula of the model's, for tests of its fits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from cardmeasure.edges.lighting import Surroundings

Floats = NDArray[np.float64]
Colour = tuple[float, float, float]

FINE_PX = 0.02
DISTANCE_PX = np.arange(-6.0, 12.0, 0.5)


@dataclass(frozen=True, kw_only=True)
class Side:
    """What a side is made of: place, wall and shadow in pixels, light left in the shadow, levels by colour.

    rim : blur of the shadow's rim beside the picture's own, as a share of its reach. sharpening : share of a step less
    a wider step added, the wider one blurred by another 1.35 px. wall_height_px : what hides the room from the table;
    0: nothing. white : light of white paper, of which 0.85 is reflected.
    """

    place: float
    blur: float = 0.9
    wall_px: float = 0.0
    shadow_px: float = 0.0
    shade: float = 1.0
    face: Colour
    wall: Colour = (0.3, 0.3, 0.3)
    table: Colour
    rim: float = 0.0
    sharpening: float = 0.0
    wall_height_px: float = 0.0
    white: float = 0.7


def drawn(side: Side, *, distance_px: Floats = DISTANCE_PX) -> Floats:
    """Light (1, b, 3)."""
    x = np.arange(distance_px[0] - 8.0, distance_px[-1] + 8.0, FINE_PX)
    foot = side.place + side.wall_px
    on_face, not_on_table, shaded = (
        np.clip((end - x) / FINE_PX + 0.5, 0, 1) for end in (side.place, max(side.place, foot), foot + side.shadow_px)
    )
    if side.rim * side.shadow_px > 0:
        shaded = gaussian_filter1d(shaded, side.rim * side.shadow_px / FINE_PX, mode="nearest")
    lit = (1 - not_on_table) * (1 - (1 - side.shade) * shaded - _room_hidden(side, x - foot))
    shares = np.stack([on_face, not_on_table - on_face, lit], axis=1)
    light = shares @ np.array([side.face, side.wall, side.table])
    light = gaussian_filter1d(light, side.blur / FINE_PX, axis=0, mode="nearest")
    if side.sharpening:
        light += side.sharpening * (light - gaussian_filter1d(light, 1.35 / FINE_PX, axis=0, mode="nearest"))
    return np.stack([np.interp(distance_px, x, light[:, k]) for k in range(3)], axis=1)[None]


def _room_hidden(side: Side, from_foot: Floats) -> Floats:
    """Of the table's light: what an even room would send from behind the wall, less what the wall sends itself."""
    if not side.wall_height_px:
        return np.zeros_like(from_foot)
    hidden = (1 - from_foot / np.hypot(from_foot, side.wall_height_px)) / 2
    return np.asarray((side.shade - 0.85 * float(np.mean(side.wall)) / side.white) * hidden)


def surroundings(n: int, *, width: Floats, thickness: float = 3.0, u_width: float = 0.05) -> Surroundings:
    """Of n sides that look round the compass, with walls of these widths (n,), px."""
    return Surroundings(
        width_px=width, u_width_px=np.full(n, u_width), azimuth_rad=np.linspace(0, 2 * np.pi, n, endpoint=False),
        thickness_px=np.full(n, thickness), u_thickness=np.full(n, 0.17), blur_px=np.full(n, 0.9), bins_px=0.0,
        white=0.7,
    )  # fmt: skip
