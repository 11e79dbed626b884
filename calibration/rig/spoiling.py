"""Flaws of a whole shot that are put into its light: shown on a screen, mirrored, a lamp's glare."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import project, rays
from calibration.rig.compiled import compiled_apart
from calibration.rig.packing import design_named
from calibration.rig.printed import Record, design_names, ink_distance, printed_designs
from calibration.rig.scene import Flaw, Scene
from calibration.rig.truth import on_table

Singles = NDArray[np.float32]
Floats = NDArray[np.float64]

GLASS_MM = 34.0
"""How far the lit part of a screen reaches beyond the square, and its dark rim as far again over 6."""
RAYS = 3
"""Along each side of a pixel, where a screen is seen."""


def spoiled(image: Singles, scene: Scene) -> Singles:
    """The linear picture (h, w, 3) with the scene's flaw, if it is one of light; else as it is."""
    flaw = scene.flaw
    if flaw is None:
        return image
    if flaw.kind == "screen":
        return _on_a_screen(image, scene, flaw)
    if flaw.kind == "glare":
        return _with_glare(image, scene, flaw)
    if flaw.kind == "mirrored":
        return np.ascontiguousarray(image[:, ::-1])
    return image


def _with_glare(image: Singles, scene: Scene, flaw: Flaw) -> Singles:
    """A lamp mirrored by a laminated or glossy print: a patch far brighter than paper, soft at its rim."""
    rng, square = np.random.default_rng([flaw.seed, 91]), scene.squares[0]
    reach = 0.5 * design_named(square.design).side_mm
    spot = rng.uniform(-0.3, 0.3, 2) * reach
    middle, turn = on_table(square.place, spot[None])[0], float(rng.uniform(0, np.pi))
    sides = reach * np.array([rng.uniform(0.75, 1.0), rng.uniform(0.6, 0.9)])
    rows, columns = image.shape[:2]
    out = image.copy()
    for row in range(rows):
        world = on_plane(scene, np.column_stack([np.arange(columns, dtype=float), np.full(columns, float(row))]))
        d = world - middle
        u = (np.cos(turn) * d[:, 0] + np.sin(turn) * d[:, 1]) / sides[0]
        v = (np.cos(turn) * d[:, 1] - np.sin(turn) * d[:, 0]) / sides[1]
        shine = 4.0 / (1 + np.exp(np.clip((np.hypot(u, v) - 1) / 0.05, -60, 60)))
        out[row] += shine[:, None].astype(np.float32) / np.float32(scene.post.exposure)
    return out


def on_plane(scene: Scene, pixels: Floats) -> Floats:
    """Where the rays of pixels (n, 2) meet the table, (n, 2)."""
    ways, centre = rays(scene.camera, pixels), np.array(scene.camera.centre_mm)
    return np.asarray(centre[:2] - ways[:, :2] * (centre[2] / ways[:, 2])[:, None])


@compiled_apart
def _lit(design: Record, x: Floats, y: Floats, out: Floats, pitch_mm: float, half_mm: float, rim_mm: float) -> None:
    """Fills `out` (n, 4) with the light of a screen at places of the design, and 1 where there is a screen.

    Each screen pixel shows the design at its middle, by three upright stripes of red, green and blue, with dark gaps.
    """
    for k in range(len(x)):
        away = max(abs(x[k]), abs(y[k]))
        out[k, :] = 0.0
        if away > half_mm + rim_mm:
            continue
        out[k, 3] = 1.0
        if away > half_mm:
            continue
        i, j = math.floor(x[k] / pitch_mm), math.floor(y[k] / pitch_mm)
        u, v = x[k] / pitch_mm - i, y[k] / pitch_mm - j
        white = ink_distance(design, (i + 0.5) * pitch_mm, (j + 0.5) * pitch_mm) > 0
        stripe = int(3 * u)
        if 0.08 < v < 0.92 and 0.1 < 3 * u - stripe < 0.9:
            out[k, stripe] = 3.0 / (0.84 * 0.8) * (1.0 if white else 0.002)


def _on_a_screen(image: Singles, scene: Scene, flaw: Flaw) -> Singles:
    """The square as a screen shows it: its own light, a grid of stripes, a dark glass rim, a little of the room."""
    rng, square = np.random.default_rng([flaw.seed, 92]), scene.squares[0]
    design = design_named(square.design)
    record = printed_designs(scene.print)[design_names().index(square.design)]
    half, rim = design.side_mm / 2 + GLASS_MM, GLASS_MM / 6
    pitch, strength = float(rng.choice([0.25, 0.18, 0.13, 0.11])), float(rng.uniform(1.3, 2.0))
    white = strength * 0.85 * _irradiance(scene)
    room = 0.02 * _irradiance(scene)
    corners = on_table(square.place, (half + rim) * np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]]))
    seen = project(scene.camera, np.column_stack([corners, np.zeros(4)]))
    low = np.maximum(np.floor(seen.min(0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(seen.max(0)).astype(int) + 2, [image.shape[1], image.shape[0]])
    out = image.copy()
    steps = (np.arange(RAYS) + 0.5) / RAYS - 0.5
    turn = np.radians(square.place.turn_deg)
    c, s = np.cos(turn), np.sin(turn)
    columns = np.arange(low[0], high[0])
    for row in range(low[1], high[1]):
        total = np.zeros((len(columns), 4))
        for dx in steps:
            for dy in steps:
                world = on_plane(scene, np.column_stack([columns + dx, np.full(len(columns), row + dy)]))
                d = world - [square.place.x_mm, square.place.y_mm]
                x, y = c * d[:, 0] + s * d[:, 1], s * d[:, 0] - c * d[:, 1]
                lit = np.empty((len(columns), 4))
                _lit(record, x, y, lit, pitch, half, rim)
                total += lit
        total /= RAYS**2
        glass = total[:, 3:]
        light = white * total[:, :3] + room * glass
        part = out[row, low[0] : high[0]]
        part[:] = (part * (1 - glass) + light).astype(np.float32)
    return out


def _irradiance(scene: Scene) -> float:
    """What white paper would send back here, roughly."""
    lamps = sum(lamp.strength * lamp.centre_mm[2] / math.dist(lamp.centre_mm, (0, 0, 0)) for lamp in scene.light.lamps)
    return float(scene.light.ambient[1] + lamps)
