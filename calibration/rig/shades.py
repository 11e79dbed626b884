"""Shadows of what stands outside the picture: a hand, the bars of a window, a glass, a lamp's shade.

A shadow lies on the table's plane and takes away a share of the light, from cards (0.3 mm high) as from the table.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import rays
from calibration.rig.scene import Camera, Scene

Singles = NDArray[np.float32]
Floats = NDArray[np.float64]
Rng = np.random.Generator

MASK_PX = 384
"""Side of the raster of a shadow."""
GRID_PX = 24
"""Where a pixel sees the table is worked out every so many pixels, and interpolated between them."""


def shaded(image: Singles, scene: Scene) -> Singles:
    """The linear picture (h, w, 3) under all shades of its light; as it is where there are none."""
    for shade in scene.light.shades:
        places = ground_places(scene.camera)
        low, high = places.reshape(-1, 2).min(0), places.reshape(-1, 2).max(0)
        mask = KINDS[shade.kind](np.random.default_rng([shade.seed, 78]))
        at = ((places - low) / (high - low).max() * (MASK_PX - 1)).astype(np.float32)
        full = cv2.resize(at, (image.shape[1], image.shape[0]), interpolation=cv2.INTER_LINEAR)
        share = cv2.remap(mask, full[..., 0], full[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        image = np.asarray(image * np.maximum(1 - shade.depth * share, 0.02)[..., None], np.float32)
    return image


def ground_places(camera: Camera) -> Floats:
    """Where a coarse grid over the picture sees the table, (rows, columns, 2) mm; far places are cut at 1.5 m."""
    columns = np.linspace(-0.5, camera.width - 0.5, max(3, camera.width // GRID_PX))
    rows = np.linspace(-0.5, camera.height - 0.5, max(3, camera.height // GRID_PX))
    x, y = np.meshgrid(columns, rows)
    ways, centre = rays(camera, np.column_stack([x.ravel(), y.ravel()])), np.array(camera.centre_mm)
    reach = centre[2] / np.maximum(-ways[:, 2], 1e-3)
    world = centre[:2] + np.clip(ways[:, :2] * reach[:, None], -1500, 1500)
    return np.asarray(world.reshape(len(rows), len(columns), 2))


def _soft(mask: Singles, rng: Rng, *, low: float, high: float) -> Singles:
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), float(rng.uniform(low, high)) * MASK_PX), np.float32)


def _hand(rng: Rng) -> Singles:
    """A palm and fingers that reach in from one side, with the phone between them."""
    mask, n = np.zeros((MASK_PX, MASK_PX), np.float32), MASK_PX
    turn = float(rng.uniform(0, 2 * np.pi))
    way = np.array([np.cos(turn), np.sin(turn)])
    across, palm = np.array([-way[1], way[0]]), n * (0.5 + 0.42 * way)
    middle = (int(palm[0]), int(palm[1]))
    cv2.ellipse(mask, middle, (int(0.16 * n), int(0.13 * n)), np.degrees(turn), 0, 360, 1.0, -1)
    for finger in range(4):
        root = palm + across * (finger - 1.5) * 0.065 * n
        tip = root - way * n * float(rng.uniform(0.22, 0.36)) + across * float(rng.normal(0, 0.02)) * n
        cv2.line(mask, (int(root[0]), int(root[1])), (int(tip[0]), int(tip[1])), 1.0, int(0.045 * n), cv2.LINE_AA)
    wrist = palm + way * n * 0.5
    cv2.line(mask, middle, (int(wrist[0]), int(wrist[1])), 1.0, int(0.17 * n), cv2.LINE_AA)
    return _soft(mask, rng, low=0.006, high=0.03)


def _window(rng: Rng) -> Singles:
    """The bars of a window, or the slats of a blind: stripes of light across the table."""
    y, x = np.mgrid[0:MASK_PX, 0:MASK_PX].astype(np.float32) / MASK_PX
    turn, pitch = float(rng.uniform(0, np.pi)), float(rng.choice([0.08, 0.25, 0.5])) * float(rng.uniform(0.8, 1.3))
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    bars = (along / pitch % 1.0 < float(rng.uniform(0.15, 0.5))).astype(np.float32)
    if pitch > 0.2:
        bars = np.maximum(bars, (across / (1.4 * pitch) % 1.0 < 0.15).astype(np.float32))
    return _soft(np.asarray(bars, np.float32), rng, low=0.004, high=0.02)


def _glass(rng: Rng) -> Singles:
    """A drinking glass beyond the picture's edge: a long grey shadow with bright lines of gathered light in it."""
    mask = np.zeros((MASK_PX, MASK_PX), np.float32)
    turn, n = float(rng.uniform(0, 360)), MASK_PX
    way = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    middle = n * (0.5 + 0.45 * way)
    centre = (int(middle[0]), int(middle[1]))
    cv2.ellipse(mask, centre, (int(0.42 * n), int(0.13 * n)), turn, 0, 360, 0.6, -1, cv2.LINE_AA)
    for _ in range(4):
        size = (int(rng.uniform(0.1, 0.38) * n), int(rng.uniform(0.03, 0.11) * n))
        first, last = np.sort(rng.uniform(0, 360, 2))
        cv2.ellipse(mask, centre, size, turn, float(first), float(last), -0.7, int(rng.integers(1, 4)), cv2.LINE_AA)
    return _soft(mask, rng, low=0.003, high=0.008)


def _ramp(rng: Rng) -> Singles:
    """Light that fades from one side of the picture to the other."""
    y, x = np.mgrid[0:MASK_PX, 0:MASK_PX].astype(np.float32) / MASK_PX
    turn = float(rng.uniform(0, 2 * np.pi))
    along = (x - 0.5) * np.cos(turn) + (y - 0.5) * np.sin(turn) + 0.5
    return np.asarray(np.clip(along, 0, 1) ** float(rng.uniform(0.7, 1.6)), np.float32)


KINDS: dict[str, Callable[[Rng], Singles]] = {"hand": _hand, "window": _window, "glass": _glass, "ramp": _ramp}
"""All kinds, and what draws the share of light that each takes, (n, n); below zero it adds light."""
