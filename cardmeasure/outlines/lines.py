"""Straight edges on the table, in millimetres: segments found on a rectified, reduced view in three colour cues."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, project_table, to_plane
from cardmeasure.photo import Photo
from cardmeasure.reducing import reduced_photo

Floats = NDArray[np.floating[Any]]
Singles = NDArray[np.float32]

PER_MM = 4.0
"""Pixels per millimetre of the view: a foot shadow 0.2 mm wide still shows."""
FARTHEST_MM = 800.0
"""The view ends so far from the reference: beyond the slant is too great to see edges."""
FLOOR = 0.012
"""Added to linear light before the logarithm, so that black noise does not count as colour."""
COARSE_MM = 14.0
"""What varies over more than this is light, not edges."""
LEAST_GAIN, MOST_GAIN, NOISE_LEVELS = 70.0, 220.0, 2.0
"""Code values per unit of the logarithm: as many as make the view's noise so many levels, within these limits."""
FAINT_GAIN = 500.0
"""The upper limit where edges are as faint as those of white borders on a white desk."""
LEAST_SEGMENT_MM = 5.0


@dataclass(frozen=True, kw_only=True, eq=False)
class View:
    """The table from above. cues (h, w, 3): logarithm of brightness, and two differences of colour; seen (h, w):
    whether the photo shows that place; origin_mm (2,): of the first pixel's centre; per_mm: pixels per millimetre."""

    cues: Singles
    seen: NDArray[np.bool_]
    origin_mm: Floats
    per_mm: float

    @cached_property
    def codes(self) -> tuple[NDArray[np.uint8], ...]:
        """Each cue without what varies slowly, as code values about 128, as fine as its noise allows."""
        return tuple(_codes(self.cues[..., k], self.per_mm, MOST_GAIN) for k in range(self.cues.shape[2]))

    @cached_property
    def faint_codes(self) -> tuple[NDArray[np.uint8], ...]:
        """The same, finer, where edges hardly show."""
        return tuple(_codes(self.cues[..., k], self.per_mm, FAINT_GAIN) for k in range(self.cues.shape[2]))

    def to_view(self, points_mm: Floats) -> Floats:
        """Pixels of the view (..., 2) of places on the table, mm."""
        return np.asarray((points_mm - self.origin_mm) * self.per_mm)

    def to_mm(self, points: Floats) -> Floats:
        """Places on the table of pixels of the view (..., 2)."""
        return np.asarray(points / self.per_mm + self.origin_mm)

    def cues_at(self, points_mm: Floats) -> Floats:
        """The cues (..., 3) at places on the table (..., 2), of the nearest pixel."""
        at = np.rint(self.to_view(points_mm)).astype(np.intp)
        h, w = self.cues.shape[:2]
        return np.asarray(self.cues[np.clip(at[..., 1], 0, h - 1), np.clip(at[..., 0], 0, w - 1)], np.float64)


def view_of(photo: Photo, camera: Camera, *, px_per_mm: float, within: Floats | None = None) -> View:
    """The table as seen from above, at `PER_MM` or as fine as the photo is; all of it, or what these points (n, 2) mm
    enclose."""
    per_mm = min(PER_MM, px_per_mm)
    k = per_mm / px_per_mm
    size = (max(8, round(photo.width_px * k)), max(8, round(photo.height_px * k)))
    small = photo.pixels_bgr if k == 1.0 else reduced_photo(photo, *size)
    factor = np.array([small.shape[1] / photo.width_px, small.shape[0] / photo.height_px])
    reach = to_plane(camera, _frame(photo.width_px, photo.height_px))
    if within is not None:
        reach = np.clip(within, reach.min(axis=0), reach.max(axis=0))
    low, high = (np.clip(f(reach, axis=0), -FARTHEST_MM, FARTHEST_MM) for f in (np.min, np.max))
    columns, rows = (max(8, int(v)) for v in (high - low) * per_mm)
    x, y = _map(camera, low, rows, columns, per_mm, factor)
    codes = cv2.remap(small, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = (x >= 0) & (y >= 0) & (x <= small.shape[1] - 1) & (y <= small.shape[0] - 1)
    return View(cues=cues_of(photo.response[codes.astype(np.intp)]), seen=seen, origin_mm=low, per_mm=per_mm)


def cues_of(light: Floats) -> Singles:
    """Brightness and two differences of colour (h, w, 3), logarithms, of linear light (h, w, 3)."""
    log = np.log(light.astype(np.float32) + np.float32(FLOOR))
    b, g, r = log[..., 0], log[..., 1], log[..., 2]
    return np.asarray(np.stack([(r + g + b) / 3, r - g, b - (r + g) / 2], axis=2), np.float32)


def segments_mm(view: View, *, faint: bool = False) -> Floats:
    """Straight edges (n, 2, 2) on the table: both ends; where wanted, those that hardly show, too."""
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD)
    found = [np.zeros((0, 4), np.float32)]
    for codes in view.faint_codes if faint else view.codes:
        lines = detector.detect(codes)[0]
        if lines is not None:
            found.append(np.asarray(lines, np.float32).reshape(-1, 4))
    ends = np.concatenate(found).reshape(-1, 2, 2).astype(np.float64)
    long = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) >= LEAST_SEGMENT_MM * view.per_mm
    return view.to_mm(ends[long])


def _codes(cue: Singles, per_mm: float, most_gain: float) -> NDArray[np.uint8]:
    """A cue without what varies slowly, as code values about 128 with noise of about `NOISE_LEVELS`."""
    fine = cue - _coarse(cue, per_mm)
    noise = 1.05 * float(np.median(np.abs(np.diff(cue, axis=1))))
    gain = float(np.clip(NOISE_LEVELS / max(noise, 1e-4), LEAST_GAIN, most_gain))
    return np.asarray(np.clip(128 + gain * fine, 0, 255), np.uint8)


def _coarse(cue: Singles, per_mm: float) -> Singles:
    quarter = cv2.resize(cue, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(quarter, (0, 0), COARSE_MM * per_mm / 4)
    return np.asarray(cv2.resize(soft, cue.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _frame(width: int, height: int) -> Floats:
    """Points along the photo's frame (n, 2)."""
    s = np.linspace(0, 1, 9)
    x, y = (width - 1) * s, (height - 1) * s
    zero, one = np.zeros(9), np.ones(9)
    sides = ((x, zero), (x, (height - 1) * one), (zero, y), ((width - 1) * one, y))
    return np.concatenate([np.column_stack(side) for side in sides])


def _map(
    camera: Camera, low: Floats, rows: int, columns: int, per_mm: float, factor: Floats
) -> tuple[Singles, Singles]:
    """Pixels of the reduced photo for each pixel of the view, (rows, columns) each; worked out on every eighth."""
    coarse_x, coarse_y = np.arange(0, columns + 8, 8), np.arange(0, rows + 8, 8)
    x, y = np.meshgrid(coarse_x / per_mm + low[0], coarse_y / per_mm + low[1])
    px = project_table(camera, np.column_stack([x.ravel(), y.ravel()]))
    px = ((px + 0.5) * factor - 0.5).reshape(*x.shape, 2).astype(np.float32)
    # resize keeps the middles of pixels, and the grid's nodes are every eighth pixel
    affine = np.array([[0.125, 0, 0], [0, 0.125, 0]], np.float32)
    fine = cv2.warpAffine(px, affine, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return np.ascontiguousarray(fine[..., 0]), np.ascontiguousarray(fine[..., 1])


def slopes_of(view: View, *, faint: bool = False) -> Singles:
    """How the view's cues rise in x and y, code values a pixel, (h, w, 3, 2), each cue beside its own noise."""
    parts = []
    for codes in view.faint_codes if faint else view.codes:
        code = cv2.GaussianBlur(codes.astype(np.float32), (0, 0), 0.7)
        parts.append(
            np.stack(
                [cv2.Sobel(code, cv2.CV_32F, 1, 0, scale=1 / 8), cv2.Sobel(code, cv2.CV_32F, 0, 1, scale=1 / 8)],
                axis=-1,
            )
        )
    return np.asarray(np.stack(parts, axis=2), np.float32)
