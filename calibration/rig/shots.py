"""Shots as files: the picture as a phone writes it, and its truth beside it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calibration.rig.camera import F_NUMBER, FULL_FRAME_DIAGONAL_MM, SENSOR_DIAGONAL_MM
from calibration.rig.develop import develop
from calibration.rig.phone_software import as_taken, sent
from calibration.rig.rendering import render
from calibration.rig.scene import Post, Scene
from calibration.rig.truth import truth

Bytes = NDArray[np.uint8]

FORMATS = {
    ".jpg": "JPEG",
    ".jpeg": "JPEG",
    ".png": "PNG",
    ".heic": "HEIF",
    ".webp": "WEBP",
    ".tif": "TIFF",
    ".avif": "AVIF",
}
"""Picture formats by suffix."""

_T = Image.Transpose
STORED = {2: _T.FLIP_LEFT_RIGHT, 3: _T.ROTATE_180, 4: _T.FLIP_TOP_BOTTOM, 5: _T.TRANSPOSE, 6: _T.ROTATE_90,
          7: _T.TRANSVERSE, 8: _T.ROTATE_270}  # fmt: skip
"""How the upright picture is turned for storage, by EXIF orientation."""


def exif_of(post: Post) -> Image.Exif:
    """The EXIF data of a shot (CIPA DC-008): make, model, orientation, focal length and its 35 mm equivalent."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = post.make, post.model, post.orientation
    inner: dict[int, Any] = exif.get_ifd(0x8769)
    inner[0x829D], inner[0x8827] = F_NUMBER, 100
    if post.focal_35mm_tag is not None:
        inner[0x920A] = round(post.focal_35mm_tag * SENSOR_DIAGONAL_MM / FULL_FRAME_DIAGONAL_MM, 2)
        inner[0xA405] = post.focal_35mm_tag
    return exif


def save_picture(pixels: Bytes, path: Path, post: Post) -> None:
    """Writes an upright picture as the phone would, turned by `post.orientation`; the suffix says the format.

    Raises KeyError for a suffix that is not in `FORMATS`.
    """
    kind = FORMATS[path.suffix.lower()]
    picture = Image.fromarray(pixels)
    if post.orientation != 1:
        picture = picture.transpose(STORED[post.orientation])
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    options: dict[str, Any] = {} if kind in ("PNG", "TIFF") else {"quality": post.quality}
    beside = path.with_name(path.name + ".part")
    picture.save(beside, format=kind, exif=exif_of(post).tobytes(), **options)
    beside.replace(path)


def write_truth(scene: Scene, path: Path) -> Path:
    """Writes `NAME.truth.json` beside the picture `path`."""
    target = path.with_suffix(".truth.json")
    beside = target.with_name(target.name + ".part")
    beside.write_text(json.dumps(truth(scene, photo=path.name), indent=1) + "\n", encoding="utf-8")
    beside.replace(target)
    return target


def picture_of(scene: Scene, *, seed: int) -> Bytes:
    """The finished picture of a scene, upright, (height, width, 3)."""
    taken = as_taken(scene)
    pixels = develop(render(taken, seed=seed), taken.post, camera=taken.camera, seed=seed)
    return sent(pixels, scene)


def write_shot(scene: Scene, path: Path, *, seed: int) -> None:
    """Renders a scene into `path` and writes its truth beside it. The same scene and seed give the same pixels."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    save_picture(picture_of(scene, seed=seed), path, scene.post)
    write_truth(scene, path)
