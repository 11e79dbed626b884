"""A card's top face as a nearly rectangular, perhaps curled quadrilateral on the table: parameters and derivatives.

A card that curls across its width lies on a parabola: with a positive rise its left and right sides stand up by that
much, with a negative one its middle does; likewise across its height. A warped card's twist lifts two opposite corners
and lowers the other two by that much; its slopes lift its right and its lower side and lower the ones across. The
elevation is the mean of all that: so heights are smooth in all parameters. Width and height are measured straight.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

PARAMETERS = 14
"""Centre x, y (mm), turn (rad), width, height (mm), shear (rad), width taper, height taper, elevation (mm), rise across
the width and across the height, twist, slope along the width and along the height (mm)."""
X, Y, TURN, WIDTH, HEIGHT, SHEAR, WIDTH_TAPER, HEIGHT_TAPER, ELEVATION, RISE_WIDTH, RISE_HEIGHT, TWIST = range(12)
SLOPE_WIDTH, SLOPE_HEIGHT = 12, 13
WARP = (RISE_WIDTH, RISE_HEIGHT, TWIST)
"""How a card is bent."""
SHAPE = (WIDTH, HEIGHT, RISE_WIDTH, RISE_HEIGHT)
"""What the size of the card laid flat is made from."""

SIDES = 4
"""Top, right, bottom, left, each run clockwise from -1 to 1."""
_WAYS, _MIDDLES = np.array([[[1, 0], [0, 1], [-1, 0], [0, -1]], [[0, -1], [1, 0], [0, 1], [-1, 0]]], float)
"""Which way each runs, and its middle."""
CORNERS = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float)


def side_places(side: Ints, along: Floats) -> Floats:
    """Places (n, 2) in -1..1 of points at `along` (n,), -1..1 clockwise, on sides (n,)."""
    return np.asarray(along[:, None] * _WAYS[side] + _MIDDLES[side])


def world_points(quads: Floats, places: Floats) -> Floats:
    """World points (n, 3) of places (n, 2) in -1..1 on quadrilaterals (n, 14)."""
    return laid(quads, places).world


class Laid(NamedTuple):
    """Places (n,) a, b of quadrilaterals (n, 14) on the table: world points (n, 3), the same as x, y along the
    quadrilaterals from their centres (n,), and cosine and sine of their turns (n,)."""

    quads: Floats
    a: Floats
    b: Floats
    world: Floats
    x: Floats
    y: Floats
    cos: Floats
    sin: Floats


def by_parameters(laid: Laid, by_world: Floats) -> Floats:
    """Derivatives (14, n) after the quadrilaterals' parameters of what changes by `by_world` (3, n) where the world
    points move."""
    quads, a, b, _, x, y, c, s = laid
    along_x, along_y = c * by_world[0] + s * by_world[1], c * by_world[1] - s * by_world[0]
    j = np.empty((PARAMETERS, len(a)))
    j[X], j[Y] = by_world[:2]
    j[TURN] = along_y * x - along_x * y
    half_x, half_y = along_x / 2, along_y / 2
    j[WIDTH] = half_x * a
    j[SHEAR] = half_x * b
    j[HEIGHT] = j[SHEAR] * quads[:, SHEAR] + half_y * b
    j[SHEAR] *= quads[:, HEIGHT]
    j[WIDTH_TAPER] = j[WIDTH] * b
    j[HEIGHT_TAPER] = half_y * a * b
    j[ELEVATION] = -by_world[2]
    j[RISE_WIDTH], j[RISE_HEIGHT] = -by_world[2] * _arc(a), -by_world[2] * _arc(b)
    j[TWIST] = -by_world[2] * a * b
    j[SLOPE_WIDTH], j[SLOPE_HEIGHT] = -by_world[2] * a, -by_world[2] * b
    return j


def corners_mm(quads: Floats) -> Floats:
    """World corners (..., 4, 3) of quadrilaterals (..., 14), clockwise from the one at (-1, -1)."""
    each = np.repeat(quads.reshape(-1, PARAMETERS), len(CORNERS), axis=0)
    places = np.tile(CORNERS, (len(each) // len(CORNERS), 1))
    return world_points(each, places).reshape(*quads.shape[:-1], len(CORNERS), 3)


def quads_from_corners(corners: Floats, *, elevation_mm: Floats | float) -> Floats:
    """Quadrilaterals (..., 14) with world corners (..., 4, 2), clockwise; elevation_mm: of each (...,), or of all."""
    first, second, third, fourth = np.moveaxis(corners, -2, 0)
    across = (second + third - first - fourth) / 2
    turn = np.arctan2(across[..., 1], across[..., 0])
    c, s = np.cos(turn)[..., None], np.sin(turn)[..., None]
    centre = corners.mean(axis=-2)
    off_x, off_y = np.moveaxis(corners - centre[..., None, :], -1, 0)
    x, y = (np.moveaxis(along, -1, 0) for along in (off_x * c + off_y * s, off_y * c - off_x * s))
    quads = np.zeros((*turn.shape, PARAMETERS))
    quads[..., X], quads[..., Y] = np.moveaxis(centre, -1, 0)
    quads[..., TURN], quads[..., ELEVATION] = turn, elevation_mm
    quads[..., WIDTH], quads[..., HEIGHT] = (x[1] - x[0] + x[2] - x[3]) / 2, (y[3] - y[0] + y[2] - y[1]) / 2
    quads[..., WIDTH_TAPER] = (x[2] - x[3] - x[1] + x[0]) / 2
    quads[..., HEIGHT_TAPER] = (y[2] - y[1] - y[3] + y[0]) / 2
    quads[..., SHEAR] = (x[2] + x[3] - x[0] - x[1]) / 2 / quads[..., HEIGHT]
    return quads


def pressed_flat_mm(quad: Floats, *, thickness_mm: Floats | float) -> Floats:
    """Width and height (..., 2) of cards (..., 14) so thick (...,) laid flat: along the middle of the board, which
    bending does not stretch.

    A shallow arc of chord c and sagitta h is longer than its chord by 8 h^2 / 3 c, and its top, half the thickness
    from the middle, is bent by the angle 8 h / c.
    """
    chord, rise = quad[..., [WIDTH, HEIGHT]], quad[..., [RISE_WIDTH, RISE_HEIGHT]]
    return np.asarray(chord + 8 * rise**2 / (3 * chord) + 4 * np.asarray(thickness_mm)[..., None] * rise / chord)


def flat_by_shape(quad: Floats, *, thickness_mm: Floats | float) -> Floats:
    """Derivatives (..., 2, 4) of the flat cards' widths and heights after those of the quadrilaterals' `SHAPE`."""
    chord, rise = quad[..., [WIDTH, HEIGHT]], quad[..., [RISE_WIDTH, RISE_HEIGHT]]
    thickness = np.asarray(thickness_mm)[..., None]
    by = np.zeros((*chord.shape, len(SHAPE)))
    by[..., [0, 1], [0, 1]] = 1 - (8 * rise**2 / 3 + 4 * thickness * rise) / chord**2
    by[..., [0, 1], [2, 3]] = (16 * rise / 3 + 4 * thickness) / chord
    return by


def laid(quads: Floats, places: Floats) -> Laid:
    """Places (n, 2) in -1..1 on quadrilaterals (n, 14)."""
    a, b = places.T
    width, height = quads[:, WIDTH], quads[:, HEIGHT]
    x = (a * (width + b * quads[:, WIDTH_TAPER]) + quads[:, SHEAR] * b * height) / 2
    y = b * (height + a * quads[:, HEIGHT_TAPER]) / 2
    c, s = np.cos(quads[:, TURN]), np.sin(quads[:, TURN])
    world = np.empty((3, len(a)))
    world[0] = quads[:, X] + c * x - s * y
    world[1] = quads[:, Y] + s * x + c * y
    world[2] = -quads[:, ELEVATION] - quads[:, RISE_WIDTH] * _arc(a) - quads[:, RISE_HEIGHT] * _arc(b)
    world[2] -= quads[:, TWIST] * a * b + quads[:, SLOPE_WIDTH] * a + quads[:, SLOPE_HEIGHT] * b
    return Laid(quads, a, b, world.T, x, y, c, s)


def _arc(place: Floats) -> Floats:
    """Height above the mean of a unit rise at places (n,), -1..1 across it."""
    return place**2 - 1 / 3
