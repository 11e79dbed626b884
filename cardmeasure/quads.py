"""A card's top face as a nearly rectangular, perhaps curled quadrilateral on the table: parameters and derivatives.

A card that curls across its width lies on a parabola: with a positive rise its left and right sides stand up by that
much, with a negative one its middle does; likewise across its height. Width and height are measured straight.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

PARAMETERS = 11
"""Centre x, y (mm), turn (rad), width, height (mm), shear (rad), width taper, height taper, elevation (mm), rise across
the width and across the height (mm)."""
X, Y, TURN, WIDTH, HEIGHT, SHEAR, WIDTH_TAPER, HEIGHT_TAPER, ELEVATION, RISE_WIDTH, RISE_HEIGHT = range(PARAMETERS)

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
    """World points (n, 3) of places (n, 2) in -1..1 on quadrilaterals (n, 11)."""
    return _world(quads, places)[0]


def world_points_with_jacobian(quads: Floats, places: Floats) -> tuple[Floats, Floats]:
    """World points (n, 3) and their derivatives (n, 3, 11) after the quadrilaterals' parameters."""
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
    j[:, 2, RISE_WIDTH] = (quads[:, RISE_WIDTH] < 0) - a**2
    j[:, 2, RISE_HEIGHT] = (quads[:, RISE_HEIGHT] < 0) - b**2
    return points, j


def corners_mm(quad: Floats) -> Floats:
    """World corners (4, 3), clockwise from the one at (-1, -1)."""
    return world_points(np.repeat(quad[None], 4, axis=0), CORNERS)


def quad_from_corners(corners: Floats, *, elevation_mm: float) -> Floats:
    """The quadrilateral (11,) with world corners (4, 2), clockwise."""
    across = (corners[1] + corners[2] - corners[0] - corners[3]) / 2
    turn = np.arctan2(across[1], across[0])
    c, s = np.cos(turn), np.sin(turn)
    centre = corners.mean(axis=0)
    x, y = ((corners - centre) @ np.array([[c, -s], [s, c]])).T
    width, height = (x[1] - x[0] + x[2] - x[3]) / 2, (y[3] - y[0] + y[2] - y[1]) / 2
    width_taper, height_taper = (x[2] - x[3] - x[1] + x[0]) / 2, (y[2] - y[1] - y[3] + y[0]) / 2
    shear = (x[2] + x[3] - x[0] - x[1]) / 2 / height
    return np.array([*centre, turn, width, height, shear, width_taper, height_taper, elevation_mm, 0.0, 0.0])


def pressed_flat_mm(quad: Floats, *, thickness_mm: float) -> Floats:
    """Width and height (2,) of the card laid flat: along the middle of the board, which bending does not stretch.

    A shallow arc of chord c and sagitta h is longer than its chord by 8 h^2 / 3 c, and its top, half the thickness
    from the middle, is bent by the angle 8 h / c.
    """
    chord, rise = quad[[WIDTH, HEIGHT]], quad[[RISE_WIDTH, RISE_HEIGHT]]
    return np.asarray(chord + 8 * rise**2 / (3 * chord) + 4 * thickness_mm * rise / chord)


def _world(quads: Floats, places: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    a, b = places.T
    x = a * (quads[:, WIDTH] + b * quads[:, WIDTH_TAPER]) / 2 + quads[:, SHEAR] * b * quads[:, HEIGHT] / 2
    y = b * (quads[:, HEIGHT] + a * quads[:, HEIGHT_TAPER]) / 2
    c, s = np.cos(quads[:, TURN]), np.sin(quads[:, TURN])
    up = quads[:, ELEVATION] + _lift(quads[:, RISE_WIDTH], a) + _lift(quads[:, RISE_HEIGHT], b)
    points = np.column_stack([quads[:, X] + c * x - s * y, quads[:, Y] + s * x + c * y, -up])
    return points, x, y, c, s


def _lift(rise: Floats, place: Floats) -> Floats:
    """Height above the card's lowest line at places (n,), -1..1 across it."""
    return rise * place**2 - np.minimum(rise, 0.0)
