"""What a ray finds printed on a card: the raster of a face, with its border's tone and its wear."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from calibration.rig.faces import INK, PAPER, Canvas, Rng, Singles, mottle
from calibration.rig.faces import STYLES as FIRST
from calibration.rig.further_faces import STYLES as FURTHER
from calibration.rig.scene import Face

STYLES: dict[str, Callable[[Canvas, Rng], None]] = {**FIRST, **FURTHER}
"""All kinds of face; `even` is bare board, for tests of geometry."""
WORN_BOARD = np.array([0.62, 0.60, 0.55], np.float32)
"""Reflectance of board whose print has rubbed off."""


def face_raster(face: Face, *, width_mm: float, height_mm: float, px_per_mm: float) -> Singles:
    """Reflectance of a face, (rows, columns, 3), its first row at the top.

    Deterministic by face and size. Raises KeyError for a style that is not in `STYLES`.
    """
    canvas = Canvas(width_mm=width_mm, height_mm=height_mm, px_per_mm=px_per_mm)
    rng = np.random.default_rng([face.seed, 71])
    STYLES[face.style](canvas, rng)
    if face.style != "even":  # no print is quite even
        rows, columns = canvas.pixels.shape[:2]
        canvas.pixels *= 1 + 0.004 * mottle(rng, rows, columns, cells=7) + 0.006 * mottle(rng, rows, columns, cells=120)
    display = np.clip(canvas.pixels, 0, 1)
    linear = np.where(display <= 0.04045, display / 12.92, ((display + 0.055) / 1.055) ** 2.4)
    raster = np.asarray(INK + (PAPER - INK) * linear, np.float32)
    if face.tone is not None:
        raster = _toned(raster, face, np.array(face.tone, np.float32), px_per_mm)
    return _worn(raster, face, px_per_mm) if face.wear > 0 else raster


def _from_edge_mm(rows: int, columns: int, px_per_mm: float) -> Singles:
    """Distance of each texel from the nearest side of the face, mm."""
    down, across = (np.minimum(np.arange(n) + 0.5, n - 0.5 - np.arange(n)) for n in (rows, columns))
    return np.asarray(np.minimum(down[:, None], across[None, :]) / px_per_mm, np.float32)


def _toned(raster: Singles, face: Face, tone: Singles, px_per_mm: float) -> Singles:
    """The face with a border of one tone, 2.5 to 6 mm wide; every fourth face has nothing else."""
    rng = np.random.default_rng([face.seed, 76])
    rows, columns = raster.shape[:2]
    border = float(rng.uniform(2.5, 6.0)) if rng.uniform() < 0.75 else 1e3
    plain = tone * (1 + 0.01 * mottle(rng, rows, columns, cells=6) + 0.01 * mottle(rng, rows, columns, cells=90))
    outside = _from_edge_mm(rows, columns, px_per_mm) < border
    return np.where(outside[..., None], plain, raster).astype(np.float32)


def _worn(raster: Singles, face: Face, px_per_mm: float) -> Singles:
    """The face after many games: edges rubbed white and grey, scuffs, creases across corners."""
    rng = np.random.default_rng([face.seed, 77])
    rows, columns = raster.shape[:2]
    away = _from_edge_mm(rows, columns, px_per_mm)
    uneven = 0.5 + 0.5 * np.tanh(mottle(rng, rows, columns, cells=9) + 0.7 * mottle(rng, rows, columns, cells=60))
    rubbed = np.clip(face.wear * uneven[..., 0] * 1.6 - away / (0.25 + 0.9 * face.wear), 0, 1)
    down, across = np.mgrid[0:rows, 0:columns]
    corner = np.hypot(np.minimum(down, rows - 1 - down), np.minimum(across, columns - 1 - across)) / px_per_mm
    rubbed = np.maximum(rubbed, np.clip(face.wear * (1.2 - corner / 3.0), 0, 1))
    marks = np.zeros((rows, columns), np.float32)
    for _ in range(int(3 + 14 * face.wear)):
        x, y, turn = rng.uniform(0, columns), rng.uniform(0, rows), rng.uniform(0, np.pi)
        long = float(rng.uniform(2, 25)) * px_per_mm
        ends = (int(x), int(y)), (int(x + long * np.cos(turn)), int(y + long * np.sin(turn)))
        cv2.line(marks, *ends, float(rng.uniform(0.05, 0.5)), max(1, round(0.15 * px_per_mm)), cv2.LINE_AA)
    share = np.clip(np.maximum(rubbed, face.wear * marks), 0, 0.95)[..., None]
    dirt = 1 - 0.12 * face.wear * np.clip(mottle(rng, rows, columns, cells=5), 0, 2)
    return np.asarray((raster * (1 - share) + WORN_BOARD * share) * dirt, np.float32)
