"""What phones' software does to display values: smoothing of faint detail, local tone mapping, sharpening with limits;
and what happens to the file afterwards: saved again, made smaller by a messenger.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.rig.scene import Camera, Post, Scene

Singles = NDArray[np.float32]
Bytes = NDArray[np.uint8]

LUMA = np.array([0.299, 0.587, 0.114], np.float32)
BASE_SHARE = 0.02
"""Radius of the window that local tone mapping takes its base from, of the picture's diagonal (common practice, no
source)."""
BASE_CONTRAST = 0.12
"""Steps of display values larger than this are kept sharp in that base."""


def with_blotches(light: Singles, post: Post, seed: int) -> Singles:
    """Linear light with slow noise of colour, which leaves brightness nearly as it is."""
    if post.chroma == 0:
        return light
    rows, columns = light.shape[:2]
    coarse = np.random.default_rng([seed, 79]).standard_normal(
        (max(2, int(rows / post.chroma_px)), max(2, int(columns / post.chroma_px)), 2), np.float32
    )
    red, blue = np.moveaxis(cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_CUBIC), 2, 0)
    green = -(0.2126 * red + 0.0722 * blue) / 0.7152
    strength = post.chroma * np.sqrt(np.clip(light.mean(axis=2), 0.01, 1))
    return np.asarray(light + np.stack([red, green, blue], axis=2) * strength[..., None], np.float32)


def smeared(shown: Singles, post: Post) -> Singles:
    """Display values without detail fainter than `post.smear` (guided filter; K. He, J. Sun, X. Tang, 2013)."""
    if post.smear == 0:
        return shown
    return _guided(shown, post.smear_px, post.smear)


def tone_mapped(shown: Singles, post: Post) -> Singles:
    """Display values with `post.local_tone` of their slow contrast taken away; near edges of high contrast it leaks."""
    if post.local_tone == 0:
        return shown
    luma = shown @ LUMA
    small = np.asarray(cv2.resize(luma, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA), np.float32)
    radius = max(2, round(BASE_SHARE * float(np.hypot(*small.shape))))
    base = cv2.resize(_guided(small, radius, BASE_CONTRAST), luma.shape[::-1], interpolation=cv2.INTER_LINEAR)
    wanted = np.maximum(luma + post.local_tone * (float(base.mean()) - base), 0.0)
    return np.asarray(shown * (wanted / np.maximum(luma, 0.02))[..., None], np.float32)


def sharpened(shown: Singles, post: Post) -> Singles:
    """Unsharp masking whose overshoot is limited, differently on the light and on the dark side of an edge."""
    if post.sharpen <= 0:
        return shown
    soft = cv2.GaussianBlur(shown, (0, 0), post.sharpen_px, borderType=cv2.BORDER_REPLICATE)
    if post.halo_light is None and post.halo_dark is None:
        return np.asarray(shown + post.sharpen * (shown - soft), np.float32)
    luma = (shown - soft) @ LUMA  # with limits it works on brightness alone, as in phones
    low = -np.inf if post.halo_dark is None else -post.halo_dark
    high = np.inf if post.halo_light is None else post.halo_light
    return np.asarray(shown + np.clip(post.sharpen * luma, low, high)[..., None], np.float32)


def _guided(values: Singles, radius: int, contrast: float) -> Singles:
    size = (2 * radius + 1, 2 * radius + 1)
    mean = cv2.boxFilter(values, -1, size, borderType=cv2.BORDER_REFLECT)
    variance = np.maximum(cv2.boxFilter(values * values, -1, size, borderType=cv2.BORDER_REFLECT) - mean * mean, 0)
    share = variance / (variance + contrast * contrast)
    share_mean = cv2.boxFilter(share, -1, size, borderType=cv2.BORDER_REFLECT)
    rest = cv2.boxFilter((1 - share) * mean, -1, size, borderType=cv2.BORDER_REFLECT)
    return np.asarray(share_mean * values + rest, np.float32)


def as_taken(scene: Scene) -> Scene:
    """The scene with the camera as large as the picture was taken, before it was made smaller."""
    return scene if scene.post.taken == 1 else replace(scene, camera=enlarged(scene.camera, scene.post.taken))


def enlarged(camera: Camera, factor: float) -> Camera:
    """The camera whose picture is `factor` times as large; the same place of the picture sees the same."""
    width, height = round(camera.width * factor), round(camera.height * factor)
    fx, fy = width / camera.width, height / camera.height  # differ by less than one pixel over the picture
    x, y = camera.principal_px
    return replace(
        camera, width=width, height=height, focal_px=camera.focal_px * (fx + fy) / 2,
        principal_px=((x + 0.5) * fx - 0.5, (y + 0.5) * fy - 0.5),
    )  # fmt: skip


def sent(pixels: Bytes, scene: Scene) -> Bytes:
    """The picture as it arrives, (h, w, 3): saved again with each quality of `saved`, made as large as the camera's."""
    size = (scene.camera.width, scene.camera.height)
    for quality in scene.post.saved:
        _, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        pixels = np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)[..., ::-1])
    if pixels.shape[1::-1] != size:
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA))
    return np.asarray(pixels, np.uint8)
