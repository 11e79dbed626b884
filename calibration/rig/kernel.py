"""The ray caster: which rays a pixel sends, what they hit, and the mean of what they see."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import Optics, undistort
from calibration.rig.compiled import compiled, compiled_apart
from calibration.rig.lighting import lattice
from calibration.rig.mirror import mirrored
from calibration.rig.pieces import MISS, TOP, WALL, enter
from calibration.rig.printed import is_on_ink_edge
from calibration.rig.shading import Colour, Spot, World, bow_height, has, shade_mat, shade_top, shade_wall


class Counts(NamedTuple):
    """Rays a pixel (see `scene.Sampling`), and the seed of their jitter."""

    plain: int
    face: int
    print: int
    edge: int
    lamp: int
    seed: int


@compiled
def scramble(a: int, b: int) -> float:
    """A number in 0..1 that looks random and depends on (a, b) only (splitmix64)."""
    z = np.uint64(a) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(b) * np.uint64(0xD1B54A32D192ED03)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return float(z >> np.uint64(11)) / 9007199254740992.0


@compiled
def world_ray(o: Optics, x: float, y: float) -> Colour:
    """Unit direction in world axes of normalised camera coordinates."""
    r = o.rotation
    norm = math.sqrt(x * x + y * y + 1)
    return (
        (r[0, 0] * x + r[1, 0] * y + r[2, 0]) / norm,
        (r[0, 1] * x + r[1, 1] * y + r[2, 1]) / norm,
        (r[0, 2] * x + r[1, 2] * y + r[2, 2]) / norm,
    )


@compiled
def pieces_near(w: World, x: float, y: float) -> np.uint64:
    """Bits of the pieces that can matter at a place of the mat."""
    i = math.floor((x - w.near_x) / w.near_step)
    j = math.floor((y - w.near_y) / w.near_step)
    if i < 0 or j < 0 or j >= w.near.shape[0] or i >= w.near.shape[1]:
        return np.uint64(0)
    bits: np.uint64 = w.near[j, i]
    return bits


@compiled_apart
def rays_wanted(w: World, o: Optics, oz: float, mask: np.uint64, d: Colour, px_mm: float, counts: Counts) -> int:
    """How many rays the pixel needs, from what its middle sees and how near an outline or the ink's edge is.

    `oz`: the pinhole's height above the table there.
    """
    wanted = counts.face
    run = math.sqrt(d[0] * d[0] + d[1] * d[1]) / -d[2]
    for k in range(w.pieces.shape[0]):
        if not has(mask, k):
            continue
        part, _, u, v, away = enter(w.pieces[k], o.centre[0], o.centre[1], oz, d[0], d[1], d[2])
        high = w.pieces[k].thick + w.pieces[k].rise
        if part == WALL or (part == TOP and away > -1.2 * px_mm) or (part == MISS and away < 1.2 * px_mm + high * run):
            return counts.edge
        n = w.pieces[k].printed
        if part == TOP and n >= 0 and is_on_ink_edge(w.designs[n], u, v, 0.75 * px_mm):
            wanted = counts.print
    return wanted


@compiled
def see(
    w: World, o: Optics, oz: float, mask: np.uint64, d: Colour, first: int, count: int, s1: float, s2: float
) -> Colour:
    """What one ray sees; `oz` is the pinhole's height above the table where it lands."""
    ox, oy = o.centre[0], o.centre[1]
    best, hit, part, u, v, away = -oz / d[2], -1, MISS, 0.0, 0.0, 0.0
    if mask != 0:
        for k in range(w.pieces.shape[0]):
            if has(mask, k):
                kind, t, hu, hv, ha = enter(w.pieces[k], ox, oy, oz, d[0], d[1], d[2])
                if kind != MISS and t < best:
                    best, hit, part, u, v, away = t, k, kind, hu, hv, ha
    spot = Spot(ox + best * d[0], oy + best * d[1], oz + best * d[2] if hit >= 0 else 0.0, mask, first, count, s1, s2)
    if hit < 0:
        mat = shade_mat(w, spot)
        if w.mirror.shape[0] == 0:
            return mat
        more = mirrored(w.mirror, spot.x, spot.y, d[0], d[1], d[2])
        return mat[0] + more[0], mat[1] + more[1], mat[2] + more[2]
    back = (-d[0], -d[1], -d[2])
    if part == TOP:
        return shade_top(w, spot, hit, u, v, away, back)
    return shade_wall(w, spot, hit, u, v, back)


@compiled
def pixel(w: World, o: Optics, counts: Counts, index: int, px: float, py: float, x: float, y: float) -> Colour:
    """Mean radiance over the pixel's square; (x, y) are the undistorted coordinates of its middle."""
    d = world_ray(o, x, y)
    if d[2] > -1e-3:
        return 0.0, 0.0, 0.0
    t, oz = -o.centre[2] / d[2], o.centre[2]
    if w.bow.amplitude != 0:
        for _ in range(3):  # it rises by some hundredths at most, so that this settles fast
            oz = o.centre[2] - bow_height(w.bow, o.centre[0] + t * d[0], o.centre[1] + t * d[1])
            t = -oz / d[2]
    mask = pieces_near(w, o.centre[0] + t * d[0], o.centre[1] + t * d[1])
    rays, lamp_rays = counts.plain, 1
    if mask != 0:
        rays = rays_wanted(w, o, oz, mask, d, t / (o.lens[0] * -d[2]), counts)
        lamp_rays = counts.lamp if rays >= counts.edge else 2 * counts.lamp
    s0, s1 = scramble(index, 4 * counts.seed + 1), scramble(index, 4 * counts.seed + 2)
    s2, s3 = scramble(index, 4 * counts.seed + 3), scramble(index, 4 * counts.seed + 4)
    r, g, b = 0.0, 0.0, 0.0
    for i in range(rays):
        ja, jb = lattice(i, 0) + s0, lattice(i, 1) + s1
        dx, dy = (ja - math.floor(ja) - 0.5) / o.lens[0], (jb - math.floor(jb) - 0.5) / o.lens[0]
        xd, yd = (px - o.lens[1]) / o.lens[0] + dx, (py - o.lens[2]) / o.lens[0] + dy
        xs, ys = undistort(o.lens, xd, yd, x + dx, y + dy, 2)
        c = see(w, o, oz, mask, world_ray(o, xs, ys), i * lamp_rays, lamp_rays, s2, s3)
        r, g, b = r + c[0], g + c[1], b + c[2]
    return r / rays, g / rays, b / rays


@compiled
def cast_rows(image: NDArray[np.float32], first_row: int, w: World, o: Optics, counts: Counts, width: int) -> None:
    """Fills `image` (rows, width, 3), whose first row is row `first_row` of the photo, with linear radiance."""
    for row in range(image.shape[0]):
        py = float(row + first_row)
        x, y = -o.lens[1] / o.lens[0], (py - o.lens[2]) / o.lens[0]
        x, y = undistort(o.lens, x, y, x, y, 30)
        for column in range(width):
            xd, yd = (column - o.lens[1]) / o.lens[0], (py - o.lens[2]) / o.lens[0]
            x, y = undistort(o.lens, xd, yd, x + 1 / o.lens[0], y, 3)
            c = pixel(w, o, counts, (row + first_row) * width + column, float(column), py, x, y)
            image[row, column, 0], image[row, column, 1], image[row, column, 2] = c[0], c[1], c[2]
