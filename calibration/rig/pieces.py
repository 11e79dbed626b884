"""Pieces as flat arrays, and where rays meet them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from calibration.rig.compiled import compiled, compiled_apart
from calibration.rig.outlines import signed_distance
from calibration.rig.warps import along_face, frayed, slope, warp_height

Record = Any
"""One row of a structured array, as kernels see it."""

MISS, TOP, WALL = 0, 1, 2
"""What a ray meets of a piece."""
MOST_CORNERS = 12
"""Corners a plan may have."""

PIECE = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("cos", "f8"),
        ("sin", "f8"),
        ("base", "f8"),
        ("thick", "f8"),
        ("bend", "f8"),
        ("rise", "f8"),
        ("across", "i8"),
        ("count", "i8"),
        ("radius", "f8"),
        ("rim", "f8"),
        ("gloss", "f8"),
        ("roughness", "f8"),
        ("printed", "i8"),
        ("first", "i8"),
        ("rows", "i8"),
        ("columns", "i8"),
        ("core", "f8", (3,)),
        ("box", "f8", (4,)),
        ("warped", "i8"),
        ("warp", "f8", (4,)),
        ("ear", "f8", (4,)),
        ("fray", "f8"),
        ("fray_seed", "f8"),
        ("vertices", "f8", (MOST_CORNERS, 2)),
    ]
)
"""One piece: place and turn; base, thickness, signed bend radius (0 is flat), rise and the axis that is bent; the plan
(see `outlines`) and its box (low corner, sizes); rim, gloss, core; the row of the printed design, -1 for a card; first
texel, rows and columns of a card's face; whether it is warped, the warp's terms and its folded corner (see `warps`);
depth and seed of a frayed edge."""


@compiled
def distance(p: Record, u: float, v: float) -> float:
    """Signed distance of a point of the piece's own frame from its outline."""
    d = signed_distance(p.vertices, p.count, p.radius, u, v)
    if p.fray > 0.0 and abs(d) < 6 * p.fray:
        d += p.fray * frayed(p.fray_seed, u, v)
    return d


@compiled
def to_piece(p: Record, x: float, y: float) -> tuple[float, float]:
    """World x, y to the piece's frame (y down)."""
    dx, dy = x - p.x, y - p.y
    return p.cos * dx + p.sin * dy, p.sin * dx - p.cos * dy


@compiled
def turn_to_piece(p: Record, x: float, y: float) -> tuple[float, float]:
    """A direction in world axes to the piece's frame; the map is its own inverse."""
    return p.cos * x + p.sin * y, p.sin * x - p.cos * y


@compiled_apart
def meet_warped(
    p: Record, top: bool, ou: float, ov: float, oz: float, du: float, dv: float, dz: float
) -> tuple[float, float, float]:
    """`meet` of a warped piece: its height where the ray has come to says how far the ray still has to go."""
    level = p.base + (p.thick if top else 0.0) - oz
    t = (level + warp_height(p.warp, p.ear, 0.0, 0.0)) / dz
    for _ in range(9 if p.ear[3] > 0 else 4):
        t = (level + warp_height(p.warp, p.ear, ou + t * du, ov + t * dv)) / dz
    u, v = along_face(p.warp, ou + t * du, ov + t * dv)
    return t, u, v


@compiled
def meet(
    p: Record, top: bool, ou: float, ov: float, oz: float, du: float, dv: float, dz: float
) -> tuple[float, float, float]:
    """Where a ray in the piece's frame meets the (endless) top or bottom surface: ray parameter, u, v.

    For a bent piece u, v are lengths along the arc of the neutral surface. The parameter is -1 where there is none.
    """
    base, thick, bend = p.base, p.thick, p.bend
    if p.warped == 1:
        return meet_warped(p, top, ou, ov, oz, du, dv, dz)
    if bend == 0.0:
        t = (base + (thick if top else 0.0) - oz) / dz
        return t, ou + t * du, ov + t * dv
    hollow = bend > 0
    big = abs(bend)
    if hollow:
        zc = base + thick / 2 + big
        r = big - thick / 2 if top else big + thick / 2
    else:
        zc = base + thick / 2 + p.rise - big
        r = big + thick / 2 if top else big - thick / 2
    across_u = p.across == 0
    oa, da = (ou, du) if across_u else (ov, dv)
    hz = oz - zc
    a, b, c = da * da + dz * dz, oa * da + hz * dz, oa * oa + hz * hz - r * r
    disc = b * b - a * c
    if disc < 0:
        return -1.0, 0.0, 0.0
    far = hollow == (dz < 0)
    t = (-b + math.sqrt(disc)) / a if far else (-b - math.sqrt(disc)) / a
    z = hz + t * dz
    s = big * math.atan2(oa + t * da, -z if hollow else z)
    if across_u:
        return t, s, ov + t * dv
    return t, ou + t * du, s


@compiled_apart
def march(p: Record, u1: float, v1: float, u2: float, v2: float, start: float) -> float:
    """Share of the way from (u1, v1) to (u2, v2) at which the outline is entered, -1 if never.

    `start` is the signed distance of the first point, positive. Sphere tracing: exact distances never step over.
    """
    length = math.hypot(u2 - u1, v2 - v1)
    walk = start
    while walk < length:
        f = walk / length
        d = distance(p, u1 + f * (u2 - u1), v1 + f * (v2 - v1))
        if d < 1e-5:
            return f
        walk += d
    return -1.0


@compiled
def enter(
    p: Record, ox: float, oy: float, oz: float, dx: float, dy: float, dz: float
) -> tuple[int, float, float, float, float]:
    """First meeting of a downward ray with the piece: part, ray parameter, u, v, signed distance (of a top hit)."""
    ou, ov = to_piece(p, ox, oy)
    du, dv = turn_to_piece(p, dx, dy)
    t1, u1, v1 = meet(p, True, ou, ov, oz, du, dv, dz)
    if t1 <= 0:
        return MISS, 0.0, 0.0, 0.0, 0.0
    d = distance(p, u1, v1)
    if d <= 0:
        return TOP, t1, u1, v1, d
    t2, u2, v2 = meet(p, False, ou, ov, oz, du, dv, dz)
    if t2 <= 0 or d >= math.hypot(u2 - u1, v2 - v1):
        return MISS, 0.0, 0.0, 0.0, d
    f = march(p, u1, v1, u2, v2, d)
    if f < 0:
        return MISS, 0.0, 0.0, 0.0, d
    return WALL, t1 + f * (t2 - t1), u1 + f * (u2 - u1), v1 + f * (v2 - v1), 0.0


@compiled_apart
def blocks(p: Record, x: float, y: float, z: float, dx: float, dy: float, dz: float) -> bool:
    """Whether the piece stands in the way of an upward ray from a point outside it."""
    ou, ov = to_piece(p, x, y)
    du, dv = turn_to_piece(p, dx, dy)
    t2, u2, v2 = meet(p, True, ou, ov, z, du, dv, dz)
    if t2 <= 1e-7:
        return False
    t1, u1, v1 = meet(p, False, ou, ov, z, du, dv, dz)
    if t1 < 0:
        u1, v1 = ou, ov
    d = distance(p, u1, v1)
    if d <= 0:
        return True
    if d >= math.hypot(u2 - u1, v2 - v1):
        return False
    return march(p, u1, v1, u2, v2, d) >= 0


@compiled
def gap_and_top(p: Record, u: float, v: float) -> tuple[float, float]:
    """Heights above the mat of the underside and of the top at a point of the piece (clamped to its box)."""
    base, thick, bend = p.base, p.thick, p.bend
    if p.warped == 1:
        x = min(max(u, p.box[0]), p.box[0] + p.box[2])
        low = base + warp_height(p.warp, p.ear, x, min(max(v, p.box[1]), p.box[1] + p.box[3]))
        return low, low + thick
    if bend == 0.0:
        return base, base + thick
    a = u if p.across == 0 else v
    low, size = p.box[p.across], p.box[2 + p.across]
    lift = abs(bend) * (1 - math.cos(min(max(a, low), low + size) / bend))
    low_side = base + lift if bend > 0 else base + p.rise - lift
    return low_side, low_side + thick


@compiled
def top_normal(p: Record, u: float, v: float) -> tuple[float, float, float]:
    """Normal of the top face at (u, v), in the piece's frame."""
    bend = p.bend
    if p.warped == 1:
        sx, sy = slope(p.warp, p.ear, u, v)
        norm = math.sqrt(sx * sx + sy * sy + 1)
        return -sx / norm, -sy / norm, 1 / norm
    if bend == 0.0:
        return 0.0, 0.0, 1.0
    a = (u if p.across == 0 else v) / bend
    if p.across == 0:
        return -math.sin(a), 0.0, math.cos(a)
    return 0.0, -math.sin(a), math.cos(a)
