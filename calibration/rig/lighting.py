"""Light that falls on a point: lamps of finite size, the ambient dome, the phone in the way.

What varies smoothly (light of an unobstructed lamp on the mat and on each face, gloss included) is worked out once on
coarse grids; shadows of the pieces themselves are traced ray by ray.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.rig.compiled import compiled, compiled_apart
from calibration.rig.pieces import Record, gap_and_top, top_normal, turn_to_piece

Floats = NDArray[np.float64]

FACE_NODES = 33
"""Nodes along each side of a face's light map."""
MAP_RAYS = 96
"""Lamp points a node of a light map is worked out with."""


LAMP = np.dtype(
    [
        ("centre", "f8", (3,)),
        ("half_x", "f8", (3,)),
        ("half_y", "f8", (3,)),
        ("normal", "f8", (3,)),
        ("rgb", "f8", (3,)),
        ("power", "f8"),
    ]
)
"""One lamp: its middle, two half sides, its normal, colour, and irradiance at one millimetre."""
AMBIENCE = np.dtype([("rgb", "f8", (3,)), ("side", "f8", (3,)), ("phone", "f8", (3, 3)), ("has_phone", "i8")])
"""The dome: its irradiance, its lean (strength, cos, sin); the phone: its middle and two half sides."""


class Lights(NamedTuple):
    """Lamps (structured, `LAMP`) and all else that lights or hides (one record, `AMBIENCE`)."""

    lamps: Record
    ambience: Record


class Maps(NamedTuple):
    """Light maps. `ground` (lamps, rows, columns) from (x0, y0) with `step` mm; `sky`: the dome's share seen there.

    `face` (pieces, lamps, 2, nodes, nodes): irradiance and gloss over each plan's box.
    """

    x0: float
    y0: float
    step: float
    ground: Floats
    sky: Floats
    face: Floats


@compiled_apart
def phone_covers(lights: Lights, x: float, y: float, z: float, dx: float, dy: float, dz: float) -> bool:
    """Whether the phone stands in the way of the ray."""
    if not lights.ambience.has_phone:
        return False
    c, a, b = lights.ambience.phone[0], lights.ambience.phone[1], lights.ambience.phone[2]
    nx, ny, nz = a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]
    along = nx * dx + ny * dy + nz * dz
    if along == 0:
        return False
    t = (nx * (c[0] - x) + ny * (c[1] - y) + nz * (c[2] - z)) / along
    if t <= 0:
        return False
    qx, qy, qz = x + t * dx - c[0], y + t * dy - c[1], z + t * dz - c[2]
    fa: float = (qx * a[0] + qy * a[1] + qz * a[2]) / (a[0] * a[0] + a[1] * a[1] + a[2] * a[2])
    fb: float = (qx * b[0] + qy * b[1] + qz * b[2]) / (b[0] * b[0] + b[1] * b[1] + b[2] * b[2])
    return bool(abs(fa) <= 1 and abs(fb) <= 1)


@compiled
def towards_lamp(
    lights: Lights, i: int, r1: float, r2: float, x: float, y: float, z: float
) -> tuple[float, float, float, float]:
    """Unit direction to a point of lamp `i` (r1, r2 in 0..1) and the irradiance facing it; 0 behind or covered."""
    lamp, a, b = lights.lamps[i], 2 * r1 - 1, 2 * r2 - 1
    lx = lamp.centre[0] + a * lamp.half_x[0] + b * lamp.half_y[0] - x
    ly = lamp.centre[1] + a * lamp.half_x[1] + b * lamp.half_y[1] - y
    lz = lamp.centre[2] + a * lamp.half_x[2] + b * lamp.half_y[2] - z
    squared = lx * lx + ly * ly + lz * lz
    norm = math.sqrt(squared)
    lx, ly, lz = lx / norm, ly / norm, lz / norm
    cosine = -(lx * lamp.normal[0] + ly * lamp.normal[1] + lz * lamp.normal[2])
    if cosine <= 0 or lz <= 0 or phone_covers(lights, x, y, z, lx, ly, lz):
        return lx, ly, lz, 0.0
    return lx, ly, lz, lamp.power * cosine / squared


@compiled_apart
def shine_of(
    gloss: float,
    roughness: float,
    n: tuple[float, float, float],
    to: tuple[float, float, float],
    back: tuple[float, float, float],
) -> float:
    """Gloss lobe, pi times the reflectance per steradian: GGX with Schlick's Fresnel term (Walter et al., 2007)."""
    hx, hy, hz = to[0] + back[0], to[1] + back[1], to[2] + back[2]
    norm = math.sqrt(hx * hx + hy * hy + hz * hz)
    nh = (n[0] * hx + n[1] * hy + n[2] * hz) / norm
    nl = n[0] * to[0] + n[1] * to[1] + n[2] * to[2]
    nv = n[0] * back[0] + n[1] * back[1] + n[2] * back[2]
    if nl <= 0 or nv <= 0:
        return 0.0
    lh = (to[0] * hx + to[1] * hy + to[2] * hz) / norm
    a2 = roughness**4
    spread = nh * nh * (a2 - 1) + 1
    fresnel = 0.04 + 0.96 * (1 - lh) ** 5
    k = roughness * roughness / 2
    mask = (nl / (nl * (1 - k) + k)) * (nv / (nv * (1 - k) + k))
    return gloss * fresnel * mask * a2 / (spread * spread) / (4 * nl * nv)


@compiled
def lattice(index: int, axis: int) -> float:
    """Low-discrepancy point `index` of the four-dimensional golden lattice (M. Roberts), in 0..1."""
    step = 0.8566748838545029
    if axis == 1:
        step = 0.733891856627126
    elif axis == 2:
        step = 0.6287067210378087
    elif axis == 3:
        step = 0.5385972572236101
    value = index * step
    return value - math.floor(value)


@compiled_apart
def sky_share(lights: Lights, x: float, y: float) -> float:
    """Share of the dome's light on the mat that the phone leaves, from its form factor cut into 5 x 5 patches."""
    if not lights.ambience.has_phone:
        return 1.0
    c, a, b = lights.ambience.phone[0], lights.ambience.phone[1], lights.ambience.phone[2]
    nx, ny, nz = a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]
    area = math.sqrt(nx * nx + ny * ny + nz * nz)
    covered = 0.0
    for i in range(5):
        for j in range(5):
            f, g = (i - 2) * 0.4, (j - 2) * 0.4
            qx, qy, qz = (c[0] + f * a[0] + g * b[0] - x, c[1] + f * a[1] + g * b[1] - y, c[2] + f * a[2] + g * b[2])
            d2 = qx * qx + qy * qy + qz * qz
            facing = abs(qx * nx + qy * ny + qz * nz) / area
            covered += 4 * area / 25 * facing * qz / (math.pi * d2 * d2)
    return max(0.0, 1 - covered)


@compiled_apart
def light_ground(
    lights: Lights, ground: Floats, sky: Floats, x0: float, y0: float, step: float, first: int, last: int
) -> None:
    """Fills rows of the mat's light maps: each lamp (lamps, rows, columns) and the dome's share (rows, columns)."""
    for j in range(first, last):
        for i in range(sky.shape[1]):
            x, y = x0 + i * step, y0 + j * step
            sky[j, i] = sky_share(lights, x, y)
            for lamp in range(ground.shape[0]):
                total = 0.0
                for m in range(MAP_RAYS):
                    _, _, lz, e = towards_lamp(lights, lamp, lattice(m, 2), lattice(m, 3), x, y, 0.0)
                    total += e * lz
                ground[lamp, j, i] = total / MAP_RAYS


@compiled_apart
def light_node(p: Record, lights: Lights, eye: Floats, u: float, v: float, lamp: int) -> tuple[float, float]:
    """Irradiance and gloss of one lamp at one place of a piece's top."""
    n = top_normal(p, u, v)
    nx, ny = turn_to_piece(p, n[0], n[1])
    wx, wy = turn_to_piece(p, u, v)
    x, y, z = p.x + wx, p.y + wy, gap_and_top(p, u, v)[1]
    bx, by, bz = eye[0] - x, eye[1] - y, eye[2] - z
    norm = math.sqrt(bx * bx + by * by + bz * bz)
    back = (bx / norm, by / norm, bz / norm)
    face, shine = 0.0, 0.0
    for m in range(MAP_RAYS):
        lx, ly, lz, e = towards_lamp(lights, lamp, lattice(m, 2), lattice(m, 3), x, y, z)
        e *= max(0.0, nx * lx + ny * ly + n[2] * lz) / MAP_RAYS
        face += e
        if e > 0 and p.gloss > 0:
            shine += e * shine_of(p.gloss, p.roughness, (nx, ny, n[2]), (lx, ly, lz), back)
    return face, shine


@compiled_apart
def light_faces(pieces: Record, lights: Lights, eye: Floats, face: Floats, first: int, last: int) -> None:
    """Fills rows `first` to `last`, counted through all pieces, of the light maps of the faces."""
    nodes = FACE_NODES
    for row in range(first, last):
        k, j = row // nodes, row % nodes
        p = pieces[k]
        for i in range(nodes):
            u = p.box[0] + p.box[2] * i / (nodes - 1)
            v = p.box[1] + p.box[3] * j / (nodes - 1)
            for lamp in range(face.shape[1]):
                face[k, lamp, 0, j, i], face[k, lamp, 1, j, i] = light_node(p, lights, eye, u, v, lamp)


@compiled
def lookup(grid: Floats, column: float, row: float) -> float:
    """Bilinear value of a grid, clamped at its borders."""
    rows, columns = grid.shape
    c, r = min(max(column, 0.0), columns - 1.000001), min(max(row, 0.0), rows - 1.000001)
    i, j = int(c), int(r)
    f, g = c - i, r - j
    upper: float = grid[j, i] * (1 - f) + grid[j, i + 1] * f
    lower: float = grid[j + 1, i] * (1 - f) + grid[j + 1, i + 1] * f
    value: float = upper * (1 - g) + lower * g
    return value
