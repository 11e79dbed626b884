"""Paints a reference square into a photo through its lens, with the photo's blur, light, grain, halo, JPEG and EXIF.

The square lies on the table, so much lower than the cards' faces as they are thicker than its paper. Not made: the
paper's shadow, ink spread, and the table's light reflected by it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, JpegImagePlugin

from calibration.real.halo import Halo, sharpened
from calibration.real.print_raster import PX_PER_MM, print_raster
from cardmeasure.camera import Camera, project, to_plane
from cardmeasure.reference.design import SquareDesign

Floats = NDArray[np.floating[Any]]
Picture = NDArray[np.uint8]

INK = 0.09
"""Reflectance of black print as a share of the paper's; common practice, no source."""
GAMMA = 1.4
"""Print and surroundings mix between linear light (2.2) and code values (1), as edges of real printed boards do: they
lie 0.1 to 0.3 sigma towards black."""
SAMPLES = 4
"""Along each axis of a pixel."""
ORIENTATION, GPS = 0x0112, 0x8825


@dataclass(frozen=True, kw_only=True)
class Placing:
    """Where a square lies in the plane of the photo, mm and degrees, how large it is printed (1 is 100 %) and how far
    below the plane."""

    design: SquareDesign
    at_mm: tuple[float, float]
    turn_deg: float
    scale: float
    below_mm: float

    def to_plane_mm(self, design_mm: Floats) -> Floats:
        """Points (n, 3) of the world of points (n, 2) of the design."""
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        flat = self.scale * design_mm @ np.array([[c, s], [-s, c]]) + np.array(self.at_mm)
        return np.column_stack([flat, np.full(len(flat), self.below_mm)])

    def to_design_mm(self, plane_mm: Floats) -> Floats:
        """Points (n, 2) of the design of points (n, 2) of the plane that lies `below_mm` down."""
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        return np.asarray((plane_mm - np.array(self.at_mm)) @ np.array([[c, -s], [s, c]]) / self.scale)


def rim_px(camera: Camera, placing: Placing, *, per_side: int = 9) -> Floats:
    """The square's rim as it is seen, (4 * per_side, 2), bent by the lens."""
    corners = placing.design.cut_corners_mm
    t = np.linspace(0, 1, per_side, endpoint=False)[:, None]
    sides = [a + t * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    return project(camera, placing.to_plane_mm(np.concatenate(sides)))


def painted(pixels: Picture, camera: Camera, placing: Placing, halo: Halo, *, seed: int = 0) -> Picture:
    """The photo (h, w, 3), blue first, with the square in it."""
    rng = np.random.default_rng(seed)
    pad = int(4 * halo.sigma_px + 3 * halo.radius_px + 6)
    rim = rim_px(camera, placing)
    x0, y0 = np.maximum(np.floor(rim.min(axis=0)).astype(int) - pad, 0).tolist()
    x1, y1 = np.minimum(np.ceil(rim.max(axis=0)).astype(int) + pad + 1, pixels.shape[1::-1]).tolist()
    paper, mask = _seen(camera, placing, (x0, y0, x1, y1), sigma_px=halo.sigma_px)
    there = pixels[y0:y1, x0:x1]
    light = _linear(there)
    slow = _smooth_light(light)
    base = _paper_light(pixels, slow)
    coded = _coded(light * (1 - mask) + base * paper)
    # the wood that is covered was sharpened before: what the mask adds is that of the paper on plain ground
    coded += sharpened(_coded(slow * (1 - mask) + base * paper) - _coded(slow), halo)
    black = np.clip(mask - paper, 0, 1)
    grain = _grain_of(pixels)
    for share, level in ((np.clip(paper, 0, 1), base), (black, base * INK)):
        coded += _noise(grain, float(_coded(level).mean()), mask.shape[:2], rng) * share
    picture = pixels.copy()
    picture[y0:y1, x0:x1] = np.clip(np.round(coded), 0, 255).astype(np.uint8)
    return picture


def _seen(
    camera: Camera, placing: Placing, window: tuple[int, int, int, int], *, sigma_px: float
) -> tuple[Floats, Floats]:
    """Reflectance times coverage, and coverage, of the square in a window x0, y0, x1, y1, as (h, w, 1)."""
    x0, y0, x1, y1 = window
    w, h = (x1 - x0) * SAMPLES, (y1 - y0) * SAMPLES
    xs = (np.arange(w) + 0.5) / SAMPLES - 0.5 + x0
    ys = (np.arange(h) + 0.5) / SAMPLES - 0.5 + y0
    design = _on_design(camera, placing, xs, ys)
    half = placing.design.side_mm / 2
    span = float(np.median(np.hypot(*np.diff(design[h // 2], axis=0).T)))
    raster: Floats = print_raster(placing.design)
    share = min(1.0, 1.0 / (span * PX_PER_MM))
    if share < 1.0:
        raster = np.asarray(cv2.resize(raster, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), np.float32)
    k = raster.shape[0] / placing.design.side_mm
    at = ((design + half) * k - 0.5).astype(np.float32)
    white = cv2.remap(raster, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = half - np.abs(design).max(axis=2)
    mask = np.clip(inside / span + 0.5, 0, 1).astype(np.float32)
    paper = (INK + (1 - INK) * white) * mask
    blur = float(np.sqrt(max(sigma_px**2 - 1 / 12, 0.01)))
    size = (x1 - x0, y1 - y0)
    parts = [cv2.GaussianBlur(cv2.resize(m, size, interpolation=cv2.INTER_AREA), (0, 0), blur) for m in (paper, mask)]
    return parts[0][..., None], parts[1][..., None]


def _on_design(camera: Camera, placing: Placing, xs: Floats, ys: Floats) -> Floats:
    """Places (h, w, 2) on the design of all samples: by the lens on a coarse grid, by cubics between."""
    every = 4 * SAMPLES
    gx = np.linspace(xs[0], xs[-1], max(2, len(xs) // every + 1))
    gy = np.linspace(ys[0], ys[-1], max(2, len(ys) // every + 1))
    grid = np.stack(np.meshgrid(gx, gy), axis=-1).reshape(-1, 2)
    plane = to_plane(camera, grid, z_mm=placing.below_mm)
    coarse = placing.to_design_mm(plane).reshape(len(gy), len(gx), 2)
    u = np.interp(xs, gx, np.arange(len(gx)))
    v = np.interp(ys, gy, np.arange(len(gy)))
    return _bilinear(coarse, u, v)


def _bilinear(grid: Floats, u: Floats, v: Floats) -> Floats:
    """Values (h, w, 2) between those of a grid; over some pixels a lens is a plane to 1e-4 px."""
    i, j = np.minimum(u.astype(int), grid.shape[1] - 2), np.minimum(v.astype(int), grid.shape[0] - 2)
    fu, fv = (u - i)[None, :, None], (v - j)[:, None, None]
    rows = grid[j] * (1 - fv) + grid[j + 1] * fv
    return np.asarray(rows[:, i] * (1 - fu) + rows[:, i + 1] * fu)


def _linear(values: Any) -> Floats:
    return np.asarray((np.clip(np.asarray(values, np.float32), 0, 255) / 255) ** GAMMA)


def _coded(values: Floats) -> Floats:
    return np.asarray(255 * np.clip(values, 0, 1) ** (1 / GAMMA))


def _smooth_light(light: Floats) -> Floats:
    """The slow part of the light over a patch: medians of small cells, smoothed."""
    size = (max(light.shape[1] // 8, 1), max(light.shape[0] // 8, 1))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    m = int(max(3, min(small.shape[:2]) // 6)) | 1
    small = np.dstack([cv2.medianBlur(np.ascontiguousarray(small[..., c]), min(m, 5)) for c in range(3)])
    return np.asarray(
        cv2.resize(cv2.GaussianBlur(small, (0, 0), m / 2), light.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    )


def _paper_light(pixels: Picture, slow: Floats) -> Floats:
    """Light of a white paper: as bright as the photo's lightest tones, shaded half as much as the ground is."""
    light = pixels[::4, ::4].reshape(-1, 3)
    light = np.median(light[light.mean(1) >= np.percentile(light.mean(1), 95)], axis=0)
    light = (light + light.mean()) / 2 * min(1.0, 222 / light.max())
    shade = slow.mean(-1, keepdims=True)
    return np.asarray(np.minimum(_linear(light) * np.clip(shade / np.median(shade), 0.4, 1.7) ** 0.5, _linear(238)))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Grain:
    """The photo's fine structure (h, w, 3), and the middles (n, 2) y, x of its flat patches with their grey (n,)."""

    fine: Floats
    at: NDArray[np.intp]
    grey: Floats
    tile: int


def _grain_of(pixels: Picture) -> _Grain:
    """Noise of the flattest of the photo's patches that are neither black nor burnt out."""
    tile = 48 if min(pixels.shape[:2]) > 1000 else 24
    half = tile // 2
    image = pixels.astype(np.float32)
    fine = image - cv2.GaussianBlur(image, (0, 0), 3)
    ys, xs = (np.arange(half, n - half, half // 2) for n in image.shape[:2])
    weights = np.full((1, 3), 1 / 3, np.float32)
    means = (cv2.transform(values, weights) for values in (image, fine * fine))
    grey, rough = (cv2.blur(v, (tile, tile))[np.ix_(ys, xs)].ravel() for v in means)
    at = np.stack(np.meshgrid(ys, xs, indexing="ij"), axis=-1).reshape(-1, 2)
    live = (grey > 8) & (grey < 246) & (rough > 0.02)
    flat = live & (rough <= 3 * np.quantile(rough[live], 0.05)) if live.any() else live
    return _Grain(fine=fine, at=at[flat], grey=grey[flat], tile=tile)


def _noise(grain: _Grain, like: float, shape: tuple[int, ...], rng: np.random.Generator) -> Floats:
    """Noise (h, w, 3) laid together from patches, if possible of about that brightness: right strength and texture."""
    tile, half = grain.tile, grain.tile // 2
    near = np.abs(grain.grey - like) < 40
    at = grain.at[near if near.sum() >= 12 else slice(None)]
    out = np.zeros((*shape, 3), np.float32)
    if not len(at):
        return out
    for y in range(0, shape[0], tile):
        for x in range(0, shape[1], tile):
            cy, cx = at[rng.integers(len(at))]
            patch = grain.fine[cy - half : cy + half, cx - half : cx + half]
            patch = patch[:: rng.choice([-1, 1]), :: rng.choice([-1, 1])]
            out[y : y + tile, x : x + tile] = patch[: shape[0] - y, : shape[1] - x]
    return out


def save_like(picture: Picture, source: Path, target: Path) -> None:
    """A JPEG with the source's tables, chroma subsampling and EXIF (upright, no place); quality 92 if it had none."""
    with Image.open(source) as image:
        options: dict[str, Any] = {"quality": 92, "subsampling": 2}
        exif = image.getexif()
        if isinstance(image, JpegImagePlugin.JpegImageFile):
            sampling = max(0, JpegImagePlugin.get_sampling(image))
            options = {"qtables": image.quantization, "subsampling": sampling}
        if ORIENTATION in exif:
            exif[ORIENTATION] = 1
        exif.pop(GPS, None)
        Image.fromarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB)).save(
            target, "JPEG", exif=exif.tobytes(), icc_profile=image.info.get("icc_profile"), **options
        )
