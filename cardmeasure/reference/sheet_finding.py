"""Finds the saddle points of a measuring sheet from whichever of its corner fiducials can be seen.

From the fiducials outwards, ring by ring: what is found so far predicts the next. Lens and paper bend the check by more
than a homography follows, so a smooth polynomial takes what that leaves. A point counts where the saddle is fitted as a
blurred crossing, the cells about it look like cells, and its place agrees with the others'.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.errors import PhotoTrouble
from cardmeasure.geometry import apply_homography, area, fit_homography, local_scale, side_lengths
from cardmeasure.photo import Photo
from cardmeasure.reference.crossings import fit_crossings
from cardmeasure.reference.design import FIDUCIAL_MODULES
from cardmeasure.reference.saddles import Saddles, refine_saddles
from cardmeasure.reference.scatter import u_points_px
from cardmeasure.reference.sheet import MODULE_MM, PERIOD_MM, SHEET_CORNERS, SheetDesign, sign_at
from cardmeasure.reference.sheet_levels import WAYS, cell_levels, plausible

Floats = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]

FIRST_MM, RING_MM = 28.0, 16.0
"""How far from a fiducial's middle points are sought first, and how far from those found then, at first."""
WIDER = 1.25
ROUNDS = 40
FEWEST = 60
"""Saddle points that must be seen: a hand's breadth of open check."""
MIN_PX_PER_MM = 1.6
MAX_BLUR_OF_CELL = 0.28
"""A blur wider than that reaches from one crossing to the next, and is doubted."""
MAX_PATCH_PX = 10
ALONE, BENT = 40, 150
"""With fewer points a homography says all there is to say; with more than the latter a polynomial of the fifth degree
takes what it leaves, else one of the third."""
OFF_PX, OFF_SPREADS = 0.35, 5.0
"""A point further from the smooth course of all than this, and than so many times the usual, is something else."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SheetSighting:
    """A measuring sheet as seen; like `SquareSighting`. fiducials_px (f, 4, 2): corners of the fiducials seen."""

    design: SheetDesign
    points_mm: Floats
    points_px: Floats
    homography: Floats
    blur_px: float
    black: float
    white: float
    fiducials_px: Floats
    doubts: tuple[str, ...] = ()

    @property
    def px_per_mm(self) -> float:
        """Scale in the middle of the points seen."""
        return local_scale(self.homography, self.points_mm.mean(axis=0))

    @cached_property
    def u_px(self) -> float:
        """Standard uncertainty of the points, per axis."""
        return u_points_px(self.points_mm, self.points_px, self.homography)

    def of_points(self, keep: Mask) -> SheetSighting:
        """The sighting with some of its points (n,) only."""
        return replace(self, points_mm=self.points_mm[keep], points_px=self.points_px[keep])


@dataclass(frozen=True, kw_only=True, eq=False)
class _Course:
    """Where design points appear: a homography, and what a polynomial of what it leaves says."""

    homography: Floats
    degree: int
    centre: Floats
    half: Floats
    rest: Floats

    def px(self, mm: Floats) -> Floats:
        return np.asarray(apply_homography(self.homography, mm) + _powers(self._scaled(mm), self.degree) @ self.rest)

    def by_mm(self, mm: Floats) -> Floats:
        """Derivatives (n, 2, 2)."""
        step, at = 0.05, self.px(mm)
        return np.stack([(self.px(mm + np.eye(2)[k] * step) - at) / step for k in range(2)], axis=2)

    def _scaled(self, mm: Floats) -> Floats:
        # beyond the points it was fitted to, a polynomial runs away
        return np.clip((mm - self.centre) / self.half, -1.15, 1.15)


def sight_sheet(photo: Photo, fiducials: Sequence[tuple[int, Floats]]) -> SheetSighting:
    """The sheet whose fiducials (id, corners (4, 2) px) were seen; PhotoTrouble where it cannot be used."""
    green = photo.pixels_bgr[..., 1]
    sheets = [SHEET_CORNERS[number][0] for number, _ in fiducials]
    design = max(set(sheets), key=lambda sheet: (sheets.count(sheet), sheet.name))
    seen = {SHEET_CORNERS[number][1]: quad for number, quad in fiducials if SHEET_CORNERS[number][0] is design}
    if any(area(quad) <= 0 for quad in seen.values()):
        raise PhotoTrouble("reference-unclear", f"The measuring sheet ({design.name}) is mirrored.")
    seen = {corner: _sharpened(green, quad) for corner, quad in seen.items()}
    course = _fitted(np.concatenate([design.fiducial_corners_mm(c) for c in seen]), np.concatenate(list(seen.values())))
    near = design.hole_centres_mm[list(seen)]
    scale = float(np.mean([local_scale(course.homography, place) for place in near]))
    if scale < MIN_PX_PER_MM:
        raise PhotoTrouble("reference-too-small", f"The measuring sheet has only {scale:.1f} pixels per millimetre.")
    course = _grown(green, design, course, near)
    return _sighted(photo, design, course, seen)


def _sharpened(green: NDArray[np.generic], quad: Floats) -> Floats:
    """Corners (4, 2) of a fiducial to a fraction of a pixel: those of a reduced picture are too rough to go on from."""
    module_px = float(side_lengths(quad).min()) / FIDUCIAL_MODULES
    window = int(np.clip(0.4 * module_px, 2, 12))
    low = np.floor(quad.min(axis=0)).astype(int) - 2 * window
    high = np.ceil(quad.max(axis=0)).astype(int) + 2 * window + 1
    low, high = np.maximum(low, 0), np.minimum(high, green.shape[::-1])
    part = np.asarray(green[low[1] : high[1], low[0] : high[0]], np.float32)
    start = np.ascontiguousarray(quad - low, np.float32).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 0.01)
    found = cv2.cornerSubPix(part, start, (window, window), (-1, -1), criteria).reshape(4, 2) + low
    near = np.linalg.norm(found - quad, axis=1) < 2 * window
    return np.where(near[:, None], found, quad).astype(np.float64)


def _grown(green: NDArray[np.generic], design: SheetDesign, course: _Course, near: Floats) -> _Course:
    mm = design.saddles_mm
    found = np.zeros(len(mm), bool)
    px = np.zeros_like(mm)
    # from one corner the way is felt out; between three there is nothing to go wrong
    reach = (_nearest(mm, near) < FIRST_MM) | (len(near) > 2)
    ring = RING_MM
    for _ in range(ROUNDS):
        tried = np.flatnonzero(reach)
        saddles = _refined(green, course, mm[tried])
        good = saddles.ok & _way_is_right(saddles, mm[tried], course.by_mm(mm[tried]))
        px[tried[good]] = saddles.points_px[good]
        found[:] = False
        found[tried[good]] = True
        if found.sum() < 8:
            raise _hidden(design, int(found.sum()))
        course = _fitted(mm[found], px[found])
        agree = np.linalg.norm(course.px(mm[found]) - px[found], axis=1) < max(
            2.0, 4 * float(np.median(np.linalg.norm(course.px(mm[found]) - px[found], axis=1)))
        )
        found[np.flatnonzero(found)[~agree]] = False
        course = _fitted(mm[found], px[found])
        wider = reach | (_nearest(mm, mm[found]) < ring)
        # the more is known, the further ahead it predicts
        ring *= WIDER
        if (wider == reach).all():
            break
        reach = wider
    return course


def _sighted(photo: Photo, design: SheetDesign, course: _Course, seen: dict[int, Floats]) -> SheetSighting:
    green, mm = photo.pixels_bgr[..., 1], design.saddles_mm
    rough = _refined(green, course, mm)
    by_mm = course.by_mm(mm)
    cell = float(np.median(np.linalg.norm(by_mm @ WAYS.T, axis=1)))
    start = np.where(rough.ok[:, None], rough.points_px, course.px(mm))
    normals = np.linalg.inv(by_mm @ WAYS.T)
    normals /= np.linalg.norm(normals, axis=2, keepdims=True)
    radius = int(np.clip(np.floor(0.42 * cell), 2, MAX_PATCH_PX))
    crossings = fit_crossings(green, start, normals, radius_px=radius, blur_px=min(1.0, 0.12 * cell))
    px = crossings.points_px.astype(np.float64)
    contrast = -crossings.contrast * sign_at(mm)
    good = crossings.ok & (contrast > 0) & plausible(cell_levels(photo, mm, px, by_mm), px)
    good &= _agreeing(mm, px, good)
    if good.sum() < FEWEST:
        raise _hidden(design, int(good.sum()))
    blur = float(np.median(crossings.blur_px[good]))
    black, white = _levels(green, design, course, seen)
    return SheetSighting(
        design=design, points_mm=mm[good], points_px=px[good], homography=fit_homography(mm[good], px[good]),
        blur_px=blur, black=black, white=white, fiducials_px=np.array(list(seen.values())),
        doubts=("reference-blurred",) if blur > MAX_BLUR_OF_CELL * cell else (),
    )  # fmt: skip


def _refined(green: NDArray[np.generic], course: _Course, mm: Floats) -> Saddles:
    cell = np.linalg.norm(course.by_mm(mm) @ WAYS.T, axis=1).min()
    radius = int(np.clip(np.floor(0.36 * cell), 2, 12))
    smoothing = float(np.clip(0.13 * cell, 0.7, 1.2))
    return refine_saddles(green, course.px(mm), radius_px=radius, smoothing_px=smoothing)


def _way_is_right(saddles: Saddles, mm: Floats, by_mm: Floats) -> Mask:
    """Whether brightness bends down towards the dark cells and up towards the light ones."""
    ways = by_mm @ np.column_stack([WAYS[0] + WAYS[1], WAYS[0] - WAYS[1]])
    bend = np.einsum("nik,nij,njk->nk", ways, saddles.curvature, ways) * sign_at(mm)[:, None]
    return np.asarray((bend[:, 0] < 0) & (bend[:, 1] > 0))


def _agreeing(mm: Floats, px: Floats, good: Mask) -> Mask:
    """Points that follow the smooth course of all good ones."""
    keep = good.copy()
    for _ in range(4):
        if keep.sum() < FEWEST:
            break
        off = np.linalg.norm(_fitted(mm[keep], px[keep]).px(mm) - px, axis=1)
        keep = good & (off < max(OFF_PX, OFF_SPREADS * float(np.median(off[keep]))))
    return keep


def _fitted(mm: Floats, px: Floats) -> _Course:
    h = fit_homography(mm, px)
    degree = 0 if len(mm) < ALONE else 3 if len(mm) < BENT else 5
    centre, half = (mm.min(axis=0) + mm.max(axis=0)) / 2, np.maximum(np.ptp(mm, axis=0) / 2, PERIOD_MM)
    course = _Course(homography=h, degree=degree, centre=centre, half=half, rest=np.zeros((1, 2)))
    if degree == 0:
        return course
    basis = _powers((mm - centre) / half, degree)
    rest = px - apply_homography(h, mm)
    weight: Floats = np.ones(len(mm))
    normal: Floats = np.zeros((basis.shape[1], 2))
    for _ in range(3):  # sums of distances count, not of squares: some points are something else
        scaled = basis * weight[:, None]
        ridge = 1e-3 * np.eye(basis.shape[1])
        normal = np.linalg.solve(scaled.T @ basis + ridge, scaled.T @ rest)
        weight = 1.0 / np.maximum(np.linalg.norm(rest - basis @ normal, axis=1), 0.05)
        weight /= weight.max()
    return replace(course, rest=normal)


def _powers(xy: Floats, degree: int) -> Floats:
    x, y = xy.T
    return np.column_stack([x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)])


def _nearest(mm: Floats, others: Floats) -> Floats:
    """Distance (n,) of each point from the nearest of others (m, 2)."""
    squared = ((mm**2).sum(axis=1)[:, None] + (others**2).sum(axis=1)) - 2 * mm @ others.T
    return np.asarray(np.sqrt(np.maximum(squared.min(axis=1), 0.0)))


def _levels(
    green: NDArray[np.generic], design: SheetDesign, course: _Course, seen: dict[int, Floats]
) -> tuple[float, float]:
    """Median code values of the black rims of the fiducials seen, and of the white about them."""
    out = []
    for modules in (2.5, 3.5):
        side = np.linspace(-modules, modules, 15)
        one = np.full_like(side, modules)
        ring = np.concatenate([np.column_stack(s) for s in ((side, one), (side, -one), (one, side), (-one, side))])
        codes = []
        for corner, quad in seen.items():
            h = fit_homography(design.fiducial_corners_mm(corner), quad)
            x, y = np.rint(apply_homography(h, design.hole_centres_mm[corner] + ring * MODULE_MM)).astype(np.intp).T
            inside = (x >= 0) & (y >= 0) & (x < green.shape[1]) & (y < green.shape[0])
            codes.append(green[y[inside], x[inside]])
        out.append(float(np.median(np.concatenate(codes))))
    return out[0], out[1]


def _hidden(design: SheetDesign, count: int) -> PhotoTrouble:
    seen = f"Only {count} of {len(design.saddles_mm)} points of the measuring sheet ({design.name}) can be seen."
    return PhotoTrouble("reference-covered", seen)
