"""Many small photos that can be measured: a few rendered ones, each varied in brightness."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calibration.rig.develop import develop
from calibration.rig.groups import random_scene
from calibration.rig.rendering import render
from calibration.rig.shots import exif_of

WIDTH_PX, HEIGHT_PX, PX_PER_MM = 1000, 750, 3.4
SCENES = 4
DECKS = ("events", "heroes")


def write_small_photos(folder: Path, count: int) -> Path:
    """`count` photos, all different, in two sub-folders of `folder`."""
    made = [_rendered(seed) for seed in range(SCENES)]
    rng = np.random.default_rng(1)
    for deck in DECKS:
        (folder / deck).mkdir(parents=True)
    for i in range(count):
        pixels, exif = made[i % SCENES]
        varied = np.clip(pixels * np.float32(rng.uniform(0.9, 1.0)), 0, 255).astype(np.uint8)
        varied[:8, :8] = rng.integers(0, 256, (8, 8, 3))
        path = folder / DECKS[i % len(DECKS)] / f"{i:04d}.jpg"
        path.write_bytes(_jpeg(varied, exif))
    return folder


def _rendered(seed: int) -> tuple[NDArray[np.float32], bytes]:
    scene = random_scene("kind", 40 + seed, width=WIDTH_PX, height=HEIGHT_PX, px_per_mm=PX_PER_MM, cards=3)
    pixels = develop(render(scene, seed=seed), scene.post, camera=scene.camera, seed=seed)
    return pixels.astype(np.float32), exif_of(scene.post).tobytes()


def _jpeg(pixels: NDArray[np.uint8], exif: bytes) -> bytes:
    data = io.BytesIO()
    Image.fromarray(pixels).save(data, "JPEG", quality=88, exif=exif)
    return data.getvalue()
