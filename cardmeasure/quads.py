"""A card's top face as a nearly rectangular quadrilateral on the table: nine parameters and their derivatives."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

PARAMETERS = 9
"""Centre x, y (mm), turn (rad), width, height (mm), shear (rad), width taper, height taper (mm), elevation (mm)."""
X, Y, TURN, WIDTH, HEIGHT, SHEAR, WIDTH_TAPER, HEIGHT_TAPER, ELEVATION = range(PARAMETERS)

SIDES = 4
"""Top, right, bottom, left, each run clockwise from -1 to 1."""
CORNERS = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float)


def side_places(side: Ints, along: Floats) -> Floats:
    """Places (n, 2) in -1..1 of points at `along` (n,), -1..1 clockwise, on sides (n,)."""
    one = np.ones(len(along))
    choices = ((along, -one), (one, along), (-along, one), (-one, -along))
    a = np.choose(side, [c[0] for c in choices])
    b = np.choose(side, [c[1] for c in choices])
    return np.column_stack([a, b])


def world_points(quads: Floats, places: Floats) -> Floats:
    """World points (n, 3) of places (n, 2) in -1..1 on quadrilaterals (n, 9)."""
    return _world(quads, places)[0]


def world_points_with_jacobian(quads: Floats, places: Floats) -> tuple[Floats, Floats]:
    """World points (n, 3) and their derivatives (n, 3, 9) after the quadrilaterals' parameters."""
    points, x, y, c, s = _world(quads, places)
    a, b = places.T
    j = np.zeros((len(places), 3, PARAMETERS))
    j[:, 0, X] = j[:, 1, Y] = 1.0
    j[:, 0, TURN], j[:, 1, TURN] = -s * x - c * y, c * x - s * y
    local = {
        WIDTH: (a / 2, 0.0),
        HEIGHT: (quads[:, SHEAR] * b / 2, b / 2),
        SHEAR: (b * quads[:, HEIGHT] / 2, 0.0),
        WIDTH_TAPER: (a * b / 2, 0.0),
        HEIGHT_TAPER: (0.0, a * b / 2),
    }
    for column, (dx, dy) in local.items():
        j[:, 0, column] = c * dx - s * dy
        j[:, 1, column] = s * dx + c * dy
    j[:, 2, ELEVATION] = -1.0
    return points, j


def corners_mm(quad: Floats) -> Floats:
    """World corners (4, 3), clockwise from the one at (-1, -1)."""
    return world_points(np.repeat(quad[None], 4, axis=0), CORNERS)


def quad_from_corners(corners: Floats, *, elevation_mm: float) -> Floats:
    """The quadrilateral (9,) with world corners (4, 2), clockwise."""
    across = (corners[1] + corners[2] - corners[0] - corners[3]) / 2
    turn = np.arctan2(across[1], across[0])
    c, s = np.cos(turn), np.sin(turn)
    centre = corners.mean(axis=0)
    x, y = ((corners - centre) @ np.array([[c, -s], [s, c]])).T
    width, height = (x[1] - x[0] + x[2] - x[3]) / 2, (y[3] - y[0] + y[2] - y[1]) / 2
    width_taper, height_taper = (x[2] - x[3] - x[1] + x[0]) / 2, (y[2] - y[1] - y[3] + y[0]) / 2
    shear = (x[2] + x[3] - x[0] - x[1]) / 2 / height
    return np.array([*centre, turn, width, height, shear, width_taper, height_taper, elevation_mm])


def _world(quads: Floats, places: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    a, b = places.T
    x = a * (quads[:, WIDTH] + b * quads[:, WIDTH_TAPER]) / 2 + quads[:, SHEAR] * b * quads[:, HEIGHT] / 2
    y = b * (quads[:, HEIGHT] + a * quads[:, HEIGHT_TAPER]) / 2
    c, s = np.cos(quads[:, TURN]), np.sin(quads[:, TURN])
    points = np.column_stack([quads[:, X] + c * x - s * y, quads[:, Y] + s * x + c * y, -quads[:, ELEVATION]])
    return points, x, y, c, s
