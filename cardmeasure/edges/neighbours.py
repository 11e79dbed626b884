"""What lies close outside a side and is no table: the face of the card beside it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project
from cardmeasure.edges.profiles import Profiles

Floats = NDArray[np.floating[Any]]

ROOM_MM = 4.0
"""Cards farther apart do not see each other."""
MARGIN_PX = 1.5
"""Beside a neighbour's edge its blur is left out, too."""


def without_neighbours(
    profiles: Profiles, camera: Camera, quads: Floats, *, joined: NDArray[np.bool_] | None = None
) -> Profiles:
    """Profiles without the pixels that lie on another of the quadrilaterals (c, 14).

    joined : sides (c, 4) that another touches, which are seen against its face.
    """
    pairs = _close_pairs(quads)
    if not pairs:
        return profiles
    corners = project(camera, qd.corners_mm(quads).reshape(-1, 3)).reshape(-1, qd.SIDES, 2)
    weight = profiles.weight.copy()
    for card, other in pairs:
        mine = profiles.card == card
        rows = np.flatnonzero(mine if joined is None else mine & ~joined[card, profiles.side])
        places = profiles.px[rows, None] + profiles.distance_px[rows, :, None] * profiles.normal[rows, None]
        # a pixel within its own side's face belongs to it, however the outlines overlap
        outside = profiles.distance_px[rows] > 0
        weight[rows] = np.where(outside & (_depth(places, corners[other]) > -MARGIN_PX), 0, weight[rows])
    return replace(profiles, weight=weight)


def _close_pairs(quads: Floats) -> list[tuple[int, int]]:
    """Cards whose rectangles nearly meet, both ways round: along a side's normal convex pieces are apart."""
    corners = qd.corners_mm(quads)[..., :2]
    way = np.roll(corners, -1, axis=1) - corners
    out = np.stack([way[..., 1], -way[..., 0]], axis=2) / np.linalg.norm(way, axis=2)[..., None]
    # how far beyond each side (c, 4) of one card the nearest corner of each other one lies
    beyond = np.einsum("ask,bck->asbc", out, corners).min(axis=3) - np.einsum("ask,ask->as", out, corners)[..., None]
    apart = beyond.max(axis=1)
    near = (np.maximum(apart, apart.T) < ROOM_MM) & ~np.eye(len(quads), dtype=bool)
    return [(int(a), int(b)) for a, b in np.argwhere(near)]


def _depth(points: Floats, corners: Floats) -> Floats:
    """How far inside a clockwise quadrilateral (4, 2) points (n, m, 2) lie, negative outside."""
    way = np.roll(corners, -1, axis=0) - corners
    way = way / np.linalg.norm(way, axis=1)[:, None]
    off = points[:, :, None] - corners
    return np.asarray((way[:, 0] * off[..., 1] - way[:, 1] * off[..., 0]).min(axis=2))
