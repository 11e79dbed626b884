"""What an uncovered sheet looks like in a photo, at any pixel: what is printed there, and how much light falls on it.

The light follows the cells about the saddle points that can be seen: a cubic polynomial over the picture, and what that
leaves as a mean over a thumb's breadth, so that the phone's own shadow is followed. Places are looked up on a coarse
grid, between whose nodes lens and bow are as good as linear.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, project_table, to_plane
from cardmeasure.numerics import normal_cdf
from cardmeasure.photo import Photo
from cardmeasure.reference.sheet import BLACK, DARK, LIGHT, WHITE, SheetDesign, check_coordinates
from cardmeasure.reference.sheet_finding import SheetSighting
from cardmeasure.reference.sheet_levels import FLOOR, CellLevels, cell_levels, cubic

Floats = NDArray[np.floating[Any]]

STEP_PX = 16
"""From one node of the grid to the next."""
LOCAL_MM = 9.0
"""Standard deviation of the mean that follows sudden changes of light."""
FAITH = 0.3
"""So many points' worth of weight stands against following them."""
LEAST_BLUR_PX = 0.4


@dataclass(frozen=True, kw_only=True, eq=False)
class SheetLook:
    """The look of a sheet in one photo.

    nodes (h, w, 5): design mm x, y, and the logarithms of the light half-way between light and dark cells (blue first)
    at every `STEP_PX`-th pixel. contrast (3,): of the logarithms of light and dark cells. white, black: of the
    fiducials, over half-way. blur_mm: standard deviation of the photo's blur.
    """

    design: SheetDesign
    nodes: Floats
    contrast: Floats
    white: float
    black: float
    blur_mm: float

    def at(self, px: Floats) -> tuple[Floats, Floats]:
        """Design mm (n, 2) and the logarithm of half-way light (n, 3) at pixels (n, 2)."""
        h, w, _ = self.nodes.shape
        at = np.clip(px / STEP_PX, 0, [w - 1.001, h - 1.001])
        whole = at.astype(np.intp)
        f, g = (at - whole).T[..., None]
        (x, y), n = whole.T, self.nodes
        value = (n[y, x] * (1 - f) + n[y, x + 1] * f) * (1 - g) + (n[y + 1, x] * (1 - f) + n[y + 1, x + 1] * f) * g
        return value[:, :2], value[:, 2:]

    def on_raster(self, x_px: Floats, y_px: Floats) -> Floats:
        """The nodes' values (m, n, 5) at the crossings of columns x_px (n,) and rows y_px (m,)."""
        h, w, _ = self.nodes.shape
        across, down = _weights(x_px, w), _weights(y_px, h)
        in_columns = np.einsum("nw,hwc->hnc", across, self.nodes, optimize=True)
        return np.asarray(np.einsum("mh,hnc->mnc", down, in_columns, optimize=True))

    def share(self, mm: Floats, *, blur_mm: float | None = None) -> Floats:
        """Share of light cells (...,) seen at places (..., 2): 0 in dark ones, 1 in light ones, between at borders."""
        blur = (self.blur_mm if blur_mm is None else blur_mm) / self.design.cell_mm
        cells = check_coordinates(mm)
        whole = np.rint(cells)
        # from the nearest line between cells, in both directions; beyond it the colour changes
        edge = 2 * normal_cdf((cells - whole) / blur) - 1
        sign = 1 - 2 * (whole.sum(axis=-1) % 2)
        return np.asarray(0.5 - 0.5 * sign * edge[..., 0] * edge[..., 1])

    def light_of(self, kind: int, half_way: Floats) -> Floats:
        """Linear light (..., 3) of what is printed as `kind`, where the logarithm of half-way light is (..., 3)."""
        one = np.ones(3)
        above = {LIGHT: self.contrast / 2, DARK: -self.contrast / 2, WHITE: self.white * one, BLACK: self.black * one}
        return np.asarray(np.maximum(np.exp(half_way + above[kind]) - FLOOR, 1e-4))


def sheet_look(photo: Photo, sighting: SheetSighting, camera: Camera, *, pose: Floats, scale: Floats) -> SheetLook:
    """The look of a sheet that lies at a pose (3,): x, y, turn in world axes, printed at scales (2,)."""
    h, w = (-(-side // STEP_PX) + 2 for side in (photo.height_px, photo.width_px))
    x, y = np.meshgrid(np.arange(w) * float(STEP_PX), np.arange(h) * float(STEP_PX))
    grid = np.column_stack([x.ravel(), y.ravel()])
    c, s = np.cos(pose[2]), np.sin(pose[2])
    mm = (to_plane(camera, grid) - pose[:2]) @ np.array([[c, -s], [s, c]]) / scale
    by_mm = np.array([[c, -s], [s, c]]) * scale
    levels = cell_levels(photo, sighting.points_mm, sighting.points_px, _slopes(camera, sighting.points_px) @ by_mm)
    half_way = _half_way(sighting, levels, grid, (h, w))
    middle = sighting.fiducials_px.mean(axis=1)
    at = np.clip(np.rint(middle / STEP_PX).astype(np.intp), 0, [w - 1, h - 1])
    there = float(half_way.reshape(h, w, 3)[at[:, 1], at[:, 0], 1].mean())
    codes = np.array([sighting.white, sighting.black]).astype(np.intp)
    white, black = (float(v) - there for v in np.log(photo.response[codes] + FLOOR))
    return SheetLook(
        design=sighting.design, nodes=np.concatenate([mm, half_way], axis=1).reshape(h, w, 5),
        contrast=np.median(levels.light - levels.dark, axis=0), white=white, black=black,
        blur_mm=max(sighting.blur_px, LEAST_BLUR_PX) / sighting.px_per_mm,
    )  # fmt: skip


def _slopes(camera: Camera, px: Floats) -> Floats:
    """Derivatives (n, 2, 2) of pixels after places on the plane of the print, seen at pixels (n, 2)."""
    at, step = to_plane(camera, px), 0.05
    steps = np.array([[0.0, 0.0], [step, 0.0], [0.0, step]])
    here, *ahead = (project_table(camera, at + off) for off in steps)
    return np.stack([(one - here) / step for one in ahead], axis=2)


def _half_way(sighting: SheetSighting, levels: CellLevels, grid: Floats, shape: tuple[int, int]) -> Floats:
    """Logarithm of the light half-way between light and dark cells (n, 3) at the nodes (n, 2)."""
    h, w = shape
    px, level = sighting.points_px, (levels.light + levels.dark) / 2
    fit = np.linalg.lstsq(cubic(px, px), level, rcond=None)[0]
    rest = (level - cubic(px, px) @ fit).astype(np.float32)
    total = np.zeros((h, w, 4), np.float32)
    column, row = np.clip(np.rint(px / STEP_PX).astype(np.intp), 0, [w - 1, h - 1]).T
    np.add.at(total, (row, column), np.column_stack([rest, np.ones(len(px), np.float32)]))
    sigma = LOCAL_MM * sighting.px_per_mm / STEP_PX
    total = np.asarray(cv2.GaussianBlur(total, (0, 0), sigma)) * np.float32(2 * np.pi * sigma**2)
    local = total[..., :3] / (total[..., 3:] + FAITH)
    # outside the points the polynomial would run away
    low, high = px.min(axis=0), px.max(axis=0)
    return np.asarray(cubic(np.clip(grid, low, high), px) @ fit + local.reshape(-1, 3), np.float64)


def _weights(px: Floats, nodes: int) -> Floats:
    """Matrix (n, nodes) that interpolates linearly at places (n,)."""
    at = np.clip(px / STEP_PX, 0, nodes - 1.001)
    whole = at.astype(np.intp)
    matrix, row = np.zeros((len(px), nodes)), np.arange(len(px))
    matrix[row, whole], matrix[row, whole + 1] = 1 - (at - whole), at - whole
    return matrix


def without_colour(photo: Photo) -> Photo:
    """The photo with its brightness in all three colours: JPEG and HEIC hold colours at half the resolution."""
    grey = np.asarray(cv2.cvtColor(np.asarray(photo.pixels_bgr), cv2.COLOR_BGR2GRAY))
    return replace(photo, pixels_bgr=np.ascontiguousarray(np.repeat(grey[..., None], 3, axis=2)))
