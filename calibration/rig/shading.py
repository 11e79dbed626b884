"""What a ray sees where it lands: mat, face, print, rim or side wall, under lamps, dome and shadows."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.rig.compiled import compiled, compiled_apart
from calibration.rig.lighting import FACE_NODES, Lights, Maps, lattice, lookup, shine_of, towards_lamp
from calibration.rig.outlines import outward
from calibration.rig.pieces import Record, blocks, distance, gap_and_top, to_piece, top_normal, turn_to_piece
from calibration.rig.printed import dot_screen, ink_cover, ink_distance, streaked
from calibration.rig.sheet import is_grey

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Colour = tuple[float, float, float]


class Cover(NamedTuple):
    """The mat's reflectance: a tile (n, n, 3) repeated at `tile_per_mm`, times a slow gain (m, m) at `slow_per_mm`."""

    tile: Singles
    tile_per_mm: float
    slow: Singles
    slow_per_mm: float


class Bowed(NamedTuple):
    """A slow wave of heights: amplitude, wave vector, phase (radians); see `scene.Bow`. Pieces and mat stand on it."""

    amplitude: float
    kx: float
    ky: float
    phase: float


@compiled
def bow_height(b: Bowed, x: float, y: float) -> float:
    """Height of the wave, from -amplitude to amplitude."""
    return b.amplitude * math.cos(b.kx * x + b.ky * y + b.phase)


class World(NamedTuple):
    """All that a ray can see. `near` (rows, columns): bit k says that piece k can matter in that cell of `step` mm."""

    pieces: Record
    designs: Record
    lights: Lights
    maps: Maps
    cover: Cover
    texels: NDArray[np.uint16]
    near: NDArray[np.uint64]
    near_x: float
    near_y: float
    near_step: float
    bow: Bowed
    mirror: Record


class Spot(NamedTuple):
    """A place to be lit: world point, pieces that matter, first and number of lamp rays, their lattice shift."""

    x: float
    y: float
    z: float
    mask: np.uint64
    first: int
    rays: int
    shift_1: float
    shift_2: float


@compiled
def has(mask: np.uint64, k: int) -> bool:
    """Whether bit `k` is set."""
    return bool((mask >> np.uint64(k)) & np.uint64(1))


@compiled
def lamp_point(s: Spot, m: int) -> tuple[float, float]:
    """Lattice point of lamp ray `m`, both 0..1."""
    a, b = lattice(s.first + m, 2) + s.shift_1, lattice(s.first + m, 3) + s.shift_2
    return a - math.floor(a), b - math.floor(b)


@compiled
def repeat(tile: Singles, x: float, y: float, channel: int) -> float:
    """Bilinear value of a tile that repeats."""
    n = tile.shape[0]
    fx, fy = math.floor(x), math.floor(y)
    f, g = x - fx, y - fy
    i, j = int(fx) % n, int(fy) % n
    i1, j1 = (i + 1) % n, (j + 1) % n
    upper: float = tile[j, i, channel] * (1 - f) + tile[j, i1, channel] * f
    lower: float = tile[j1, i, channel] * (1 - f) + tile[j1, i1, channel] * f
    return upper * (1 - g) + lower * g


@compiled
def mat_colour(c: Cover, x: float, y: float) -> Colour:
    """Reflectance of the mat."""
    a, b = x * c.tile_per_mm, y * c.tile_per_mm
    gain = repeat(c.slow, x * c.slow_per_mm, y * c.slow_per_mm, 0)
    return repeat(c.tile, a, b, 0) * gain, repeat(c.tile, a, b, 1) * gain, repeat(c.tile, a, b, 2) * gain


@compiled
def face_colour(w: World, p: Record, u: float, v: float) -> Colour:
    """Reflectance of a card's top at (u, v)."""
    first, rows, columns = p.first, p.rows, p.columns
    c = min(max((u - p.box[0]) / p.box[2] * columns - 0.5, 0.0), columns - 1.000001)
    r = min(max((v - p.box[1]) / p.box[3] * rows - 0.5, 0.0), rows - 1.000001)
    i, j = int(c), int(r)
    f, g = c - i, r - j
    at = first + j * columns + i
    t = w.texels
    n = at + columns
    a, b, d, e = (1 - f) * (1 - g) / 65535, f * (1 - g) / 65535, (1 - f) * g / 65535, f * g / 65535
    return (
        a * t[at, 0] + b * t[at + 1, 0] + d * t[n, 0] + e * t[n + 1, 0],
        a * t[at, 1] + b * t[at + 1, 1] + d * t[n, 1] + e * t[n + 1, 1],
        a * t[at, 2] + b * t[at + 1, 2] + d * t[n, 2] + e * t[n + 1, 2],
    )


@compiled
def top_colour(w: World, p: Record, u: float, v: float) -> Colour:
    """Reflectance of a piece's top: a face's art or ink on paper."""
    if p.printed < 0:
        return face_colour(w, p, u, v)
    design = w.designs[p.printed]
    cover, paper, ink = ink_cover(design, ink_distance(design, u, v)), design.paper, design.ink
    if design.sheet.here == 1 and is_grey(design.sheet, u / design.scale[0], v / design.scale[1]):
        grey = design.sheet.light + (design.sheet.dark - design.sheet.light) * cover
        if design.halftone == 0.0 and design.streaks == 0.0:
            return grey, grey, grey
        cover = (paper[1] - grey) / (paper[1] - ink)
        if design.halftone > 0.0:
            cover = dot_screen(design.halftone, cover, u, v)
    if design.streaks > 0.0:
        cover = streaked(design, cover, v)
    return (
        paper[0] + (ink - paper[0]) * cover,
        paper[1] + (ink - paper[1]) * cover,
        paper[2] + (ink - paper[2]) * cover,
    )


@compiled_apart
def wall_light(lights: Lights, p: Record, u: float, v: float) -> Colour:
    """Rough light on the side wall nearest to (u, v): lamps' middles and half the dome."""
    nu, nv = outward(p.vertices, p.count, p.radius, u, v)
    nx, ny = turn_to_piece(p, nu, nv)
    dx, dy = turn_to_piece(p, u, v)
    r, g, b = 0.5 * lights.ambience.rgb[0], 0.5 * lights.ambience.rgb[1], 0.5 * lights.ambience.rgb[2]
    for i in range(lights.lamps.shape[0]):
        lx, ly, _, e = towards_lamp(lights, i, 0.5, 0.5, p.x + dx, p.y + dy, 0.0)
        e *= max(0.0, nx * lx + ny * ly)
        r, g, b = r + e * lights.lamps[i].rgb[0], g + e * lights.lamps[i].rgb[1], b + e * lights.lamps[i].rgb[2]
    return r, g, b


@compiled_apart
def surroundings(w: World, s: Spot, own: int) -> tuple[float, float, float, float]:
    """Share of the dome that the pieces leave open above a level spot, and the light their walls send instead.

    A long wall of height h at distance d hides (1 - d / sqrt(d^2 + h^2)) / 2 of the cosine-weighted dome.
    """
    free, r, g, b = 1.0, 0.0, 0.0, 0.0
    for k in range(w.pieces.shape[0]):
        if k == own or not has(s.mask, k):
            continue
        p = w.pieces[k]
        u, v = to_piece(p, s.x, s.y)
        low, high = gap_and_top(p, u, v)
        low, high = low - s.z, high - s.z
        if high <= 1e-6:
            continue
        d = distance(p, u, v)
        if d <= 0:
            free *= 0.5 * (1 + d / math.sqrt(d * d + low * low)) if low > 0 else 0.0
            continue
        foot = d / math.sqrt(d * d + low * low) if low > 0 else 1.0
        hidden = 0.5 * (foot - d / math.sqrt(d * d + high * high))
        free *= 1 - hidden
        if hidden > 0.004:
            e = wall_light(w.lights, p, u, v)
            core = p.core
            r, g, b = r + hidden * core[0] * e[0], g + hidden * core[1] * e[1], b + hidden * core[2] * e[2]
    return free, r, g, b


@compiled
def hidden_by_pieces(w: World, s: Spot, own: int, lx: float, ly: float, lz: float) -> bool:
    """Whether a piece other than `own` stands between the spot and the lamp."""
    for k in range(w.pieces.shape[0]):
        if k != own and has(s.mask, k) and blocks(w.pieces[k], s.x, s.y, s.z, lx, ly, lz):
            return True
    return False


@compiled_apart
def lamp_share(w: World, s: Spot, own: int, lamp: int) -> float:
    """Share of a lamp's light on a level spot that no piece keeps away."""
    total, seen = 0.0, 0.0
    for m in range(s.rays):
        a, b = lamp_point(s, m)
        lx, ly, lz, e = towards_lamp(w.lights, lamp, a, b, s.x, s.y, s.z)
        e *= lz
        total += e
        if e > 0 and not hidden_by_pieces(w, s, own, lx, ly, lz):
            seen += e
    return seen / total if total > 0 else 1.0


@compiled
def is_overtopped(w: World, s: Spot, own: int) -> bool:
    """Whether a piece that matters here reaches higher than the spot."""
    for k in range(w.pieces.shape[0]):
        if k != own and has(s.mask, k):
            p = w.pieces[k]
            if p.base + p.thick + p.rise > s.z + 1e-6:
                return True
    return False


@compiled
def shade_mat(w: World, s: Spot) -> Colour:
    """Radiance of the mat."""
    m, lights = w.maps, w.lights
    column, row = (s.x - m.x0) / m.step, (s.y - m.y0) / m.step
    sky = lookup(m.sky, column, row)
    free, r, g, b = 1.0, 0.0, 0.0, 0.0
    if s.mask != 0:
        free, r, g, b = surroundings(w, s, -1)
    sky *= free
    r, g, b = r + sky * lights.ambience.rgb[0], g + sky * lights.ambience.rgb[1], b + sky * lights.ambience.rgb[2]
    for i in range(lights.lamps.shape[0]):
        e = lookup(m.ground[i], column, row)
        if s.mask != 0:
            e *= lamp_share(w, s, -1, i)
        r, g, b = r + e * lights.lamps[i].rgb[0], g + e * lights.lamps[i].rgb[1], b + e * lights.lamps[i].rgb[2]
    c = mat_colour(w.cover, s.x, s.y)
    return c[0] * r, c[1] * g, c[2] * b


@compiled_apart
def lit(w: World, s: Spot, own: int, n: Colour, gloss: float, back: Colour) -> tuple[Colour, Colour]:
    """Light of all lamps on a spot of any normal, traced ray by ray: irradiance and gloss."""
    lights = w.lights
    r, g, b, hr, hg, hb = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(lights.lamps.shape[0]):
        total, shine = 0.0, 0.0
        for m in range(s.rays):
            p1, p2 = lamp_point(s, m)
            lx, ly, lz, e = towards_lamp(lights, i, p1, p2, s.x, s.y, s.z)
            e *= max(0.0, n[0] * lx + n[1] * ly + n[2] * lz) / s.rays
            if e > 0 and not hidden_by_pieces(w, s, own, lx, ly, lz):
                total += e
                if gloss > 0:
                    shine += e * shine_of(gloss, w.pieces[own].roughness, n, (lx, ly, lz), back)
        r, g, b = (
            r + total * lights.lamps[i].rgb[0],
            g + total * lights.lamps[i].rgb[1],
            b + total * lights.lamps[i].rgb[2],
        )
        hr, hg, hb = (
            hr + shine * lights.lamps[i].rgb[0],
            hg + shine * lights.lamps[i].rgb[1],
            hb + shine * lights.lamps[i].rgb[2],
        )
    return (r, g, b), (hr, hg, hb)


@compiled
def dome(w: World, n: Colour, free: float) -> Colour:
    """Light of the dome, and of the mat below it, on a surface of any normal."""
    a, f = w.lights.ambience.rgb, 0.5 * (1 + n[2])
    lean = 1 + w.lights.ambience.side[0] * (n[0] * w.lights.ambience.side[1] + n[1] * w.lights.ambience.side[2])
    f *= lean * free
    return a[0] * f, a[1] * f, a[2] * f


@compiled
def shade_top(w: World, s: Spot, k: int, u: float, v: float, away: float, back: Colour) -> Colour:
    """Radiance of a piece's top at (u, v); `away` is the signed distance from its outline."""
    p, m, lights = w.pieces[k], w.maps, w.lights
    colour, rim = top_colour(w, p, u, v), p.rim
    free, r, g, b = 1.0, 0.0, 0.0, 0.0
    covered = is_overtopped(w, s, k)
    if covered:
        free, r, g, b = surroundings(w, s, k)
    sky = free * lookup(m.sky, (s.x - m.x0) / m.step, (s.y - m.y0) / m.step)
    veil = 0.04 * p.gloss * sky
    hr, hg, hb = veil * lights.ambience.rgb[0], veil * lights.ambience.rgb[1], veil * lights.ambience.rgb[2]
    if away > -rim:
        n = rim_normal(p, u, v, away + rim, 0.0, back)
        fall, lobe = lit(w, s, k, n, p.gloss, back)
        d = dome(w, n, sky)
        return (
            colour[0] * (r + d[0] + fall[0]) + lobe[0] + hr,
            colour[1] * (g + d[1] + fall[1]) + lobe[1] + hg,
            colour[2] * (b + d[2] + fall[2]) + lobe[2] + hb,
        )
    r, g, b = r + sky * lights.ambience.rgb[0], g + sky * lights.ambience.rgb[1], b + sky * lights.ambience.rgb[2]
    column = (u - p.box[0]) / p.box[2] * (FACE_NODES - 1)
    row = (v - p.box[1]) / p.box[3] * (FACE_NODES - 1)
    for i in range(lights.lamps.shape[0]):
        share = lamp_share(w, s, k, i) if covered else 1.0
        e, h = share * lookup(m.face[k, i, 0], column, row), share * lookup(m.face[k, i, 1], column, row)
        r, g, b = r + e * lights.lamps[i].rgb[0], g + e * lights.lamps[i].rgb[1], b + e * lights.lamps[i].rgb[2]
        hr, hg, hb = hr + h * lights.lamps[i].rgb[0], hg + h * lights.lamps[i].rgb[1], hb + h * lights.lamps[i].rgb[2]
    return colour[0] * r + hr, colour[1] * g + hg, colour[2] * b + hb


@compiled
def rim_normal(p: Record, u: float, v: float, past: float, depth: float, back: Colour) -> Colour:
    """Normal, in world axes, of a rim rounded to a quarter circle of radius `rim`, as the eye towards `back` sees it.

    Pieces have sharp edges; a place on one, `past` the start of the rounding and `depth` below the top, is shaded like
    the place of the quarter circle that the same line of sight would meet. With t the eye's tilt off the vertical in
    the plane across the rim, that is at the angle a where sin(a - t) = (past cos t + depth sin t) / rim - sin t.
    """
    nu, nv = outward(p.vertices, p.count, p.radius, u, v)
    sine, cosine = 1.0, 0.0
    if p.rim > 0:
        wx, wy = turn_to_piece(p, nu, nv)
        tilt = math.atan2(back[0] * wx + back[1] * wy, back[2])
        place = (past * math.cos(tilt) + depth * math.sin(tilt)) / p.rim - math.sin(tilt)
        angle = min(max(tilt + math.asin(min(max(place, -1.0), 1.0)), 0.0), 0.5 * math.pi)
        sine, cosine = math.sin(angle), math.cos(angle)
    top = top_normal(p, u, v)
    nx, ny = turn_to_piece(p, sine * nu + cosine * top[0], sine * nv + cosine * top[1])
    return nx, ny, cosine * top[2]


@compiled_apart
def shade_wall(w: World, s: Spot, k: int, u: float, v: float, back: Colour) -> Colour:
    """Radiance of a side wall; its topmost `rim` turns towards the top. The lit mat before it sends light as well."""
    p, m, lights = w.pieces[k], w.maps, w.lights
    n = rim_normal(p, u, v, p.rim, gap_and_top(p, u, v)[1] - s.z, back)
    e, _ = lit(w, s, k, n, 0.0, back)
    column, row = (s.x - m.x0) / m.step, (s.y - m.y0) / m.step
    d = dome(w, n, lookup(m.sky, column, row))
    mat = mat_colour(w.cover, s.x, s.y)
    r, g, b = lights.ambience.rgb[0], lights.ambience.rgb[1], lights.ambience.rgb[2]
    for i in range(lights.lamps.shape[0]):
        lx, ly, _, _ = towards_lamp(lights, i, 0.5, 0.5, s.x, s.y, s.z)
        f = lookup(m.ground[i], column, row) * (1.0 if lx * n[0] + ly * n[1] > 0 else 0.3)
        r, g, b = r + f * lights.lamps[i].rgb[0], g + f * lights.lamps[i].rgb[1], b + f * lights.lamps[i].rgb[2]
    half, core = 0.5 * (1 - n[2]), p.core
    return (
        core[0] * (e[0] + d[0] + half * mat[0] * r),
        core[1] * (e[1] + d[1] + half * mat[1] * g),
        core[2] * (e[2] + d[2] + half * mat[2] * b),
    )
