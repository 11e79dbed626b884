"""Pictures of printed squares for tests: each pixel the mean over 4 x 4 places of the design, in linear light."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.photo import CameraTags, Photo
from cardmeasure.photo.colour import response_curve
from cardmeasure.reference.design import SquareDesign, fiducial_bits

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

PAPER, INK, TABLE = 0.80, 0.05, 0.12
"""Linear light of the three."""
SUB = 4


@cache
def _black(design: SquareDesign) -> NDArray[np.bool_]:
    """Which cells of the check are black."""
    grid = np.zeros((design.cells, design.cells), bool)
    i, j = np.round((design.black_cells_mm + design.check_mm / 2) / design.cell_mm).astype(int).T
    grid[j, i] = True
    return grid


def is_black(design: SquareDesign, mm: Floats) -> NDArray[np.bool_]:
    """Whether places (..., 2) in design millimetres are printed black; the calliper's fine lines are left out."""
    cell = np.floor((mm + design.check_mm / 2) / design.cell_mm).astype(int)
    inside = ((cell >= 0) & (cell < design.cells)).all(axis=-1)
    x, y = np.moveaxis(np.clip(cell, 0, design.cells - 1), -1, 0)
    module = np.floor((mm + design.fiducial_mm / 2) / design.module_mm).astype(int)
    bits = fiducial_bits(design.fiducial_id)
    in_fiducial = ((module >= 0) & (module < len(bits))).all(axis=-1)
    u, v = np.moveaxis(np.clip(module, 0, len(bits) - 1), -1, 0)
    return np.asarray((inside & _black(design)[y, x]) | (in_fiducial & (bits[v, u] == 0)))


def homography_of(
    *, px_per_mm: float, middle_px: Sequence[float], turn_deg: float = 0.0, tilt_deg: float = 0.0,
    azimuth_deg: float = 0.0, distance_mm: float = 330.0,
) -> Floats:  # fmt: skip
    """Design mm to pixels, (3, 3): a pinhole `distance_mm` away whose axis goes through the design's middle."""
    t, a = np.radians(tilt_deg), np.radians(azimuth_deg)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    lean = cv2.Rodrigues(t * np.array([np.cos(a), np.sin(a), 0.0]))[0]
    rotation = lean @ turn
    focal = px_per_mm * distance_mm
    k = np.array([[focal, 0, middle_px[0]], [0, focal, middle_px[1]], [0, 0, 1.0]])
    h = k @ np.column_stack([rotation[:, 0], rotation[:, 1], [0.0, 0.0, distance_mm]])
    return np.asarray(h / h[2, 2], np.float64)


def table(width_px: int, height_px: int) -> Floats:
    """A bare table in linear light, (H, W)."""
    return np.full((height_px, width_px), TABLE)


def lay_square(light: Floats, design: SquareDesign, h: Floats) -> None:
    """Paint a cut-out square into linear light (H, W) in place; what lies outside the picture is left out."""
    corners = mapped(h, design.cut_corners_mm)
    low = np.maximum(np.floor(corners.min(axis=0)) - 1, 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0)) + 2, [light.shape[1], light.shape[0]]).astype(int)
    if (high <= low).any():
        return
    offset = (np.arange(SUB) + 0.5) / SUB - 0.5
    x, y = np.meshgrid(_sampled(low[0], high[0]), _sampled(low[1], high[1]))
    # each row of samples a little to the side of the last: along upright edges sixteen places count, not four
    slid_x, slid_y = np.resize(offset, len(y))[:, None] / SUB, np.resize(offset, x.shape[1]) / SUB
    px: Floats = np.stack([x + slid_x, y + slid_y], axis=-1)
    mm = mapped(np.linalg.inv(h), px.reshape(-1, 2)).reshape(px.shape)
    on_paper = (np.abs(mm) < design.side_mm / 2).all(axis=-1)
    value = np.where(on_paper, np.where(is_black(design, mm), INK, PAPER), np.nan)
    part = light[low[1] : high[1], low[0] : high[0]]
    fine = np.where(np.isnan(value), np.repeat(np.repeat(part, SUB, axis=0), SUB, axis=1), value)
    rows, columns = part.shape
    part[:] = fine.reshape(rows, SUB, columns, SUB).mean(axis=(1, 3))


def _sampled(low: int, high: int) -> Floats:
    offset = (np.arange(SUB) + 0.5) / SUB - 0.5
    return np.asarray((np.arange(low, high)[:, None] + offset).ravel(), np.float64)


def developed(
    light: Floats, *, blur_px: float = 0.8, tone: Callable[[Floats], Floats] | None = None, noise: float = 0.0
) -> Bytes:
    """Code values (H, W) of linear light: blur, noise of a code value or so, tone curve (sRGB's where None)."""
    blurred = cv2.GaussianBlur(light, (0, 0), blur_px) if blur_px > 0 else light
    value = (tone or srgb)(np.clip(np.asarray(blurred, np.float64), 0.0, 1.0)) * 255
    rng = np.random.default_rng(5)
    return np.asarray(np.clip(np.round(value + noise * rng.normal(size=value.shape)), 0, 255), np.uint8)


def srgb(light: Floats) -> Floats:
    """Display value of linear light (IEC 61966-2-1)."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def photo_of(grey: Bytes, *, focal_35mm: float | None = 26.0) -> Photo:
    """A decoded photo with these code values in all three channels."""
    return Photo(
        pixels_bgr=np.ascontiguousarray(np.repeat(grey[..., None], 3, axis=2)),
        response=response_curve(levels=256, white=255), sha256="0" * 64,
        camera=CameraTags(focal_35mm=focal_35mm), format="PNG",
    )  # fmt: skip


def mapped(h: NDArray[np.floating[Any]], points: NDArray[np.floating[Any]]) -> Floats:
    """Points (n, 2) by a homography (3, 3)."""
    p = np.column_stack([points, np.ones(len(points))]) @ h.T
    return np.asarray(p[:, :2] / p[:, 2:])
