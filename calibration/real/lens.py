"""Plane and lens of a photo from things of known shape that lie in it: a bundle adjustment of its own.

Unknowns: pose, focal length, principal point, three radial terms, the common side ratio of the equal cards, and the
place and turn of each. Observations: points along the cards' sides and, where the truth file names a grid, its points.
It shares the projection with the package, none of its edges, priors or weights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.real.side_points import POINTS
from cardmeasure.camera import Camera, camera_from_homography, project, to_plane
from cardmeasure.geometry import apply_homography, fit_homography, local_scale

Floats = NDArray[np.floating[Any]]

FULL_FRAME_DIAGONAL_MM = 43.2666
USUAL_FOCAL_35MM = 27.0
"""Of a phone's main camera; common practice, no source."""
U_LOG_FOCAL_READ, U_LOG_FOCAL_GUESSED = 0.03, 0.1
U_PRINCIPAL = 0.03
"""Of the photo's diagonal: 150 px at 12 megapixels, wide enough for 58 px, which equal cards asked for."""
U_RADIAL = (0.5, 2.0, 3.0)
"""Of k1, k2, k3 in normalised radii: wide enough for (+0.33, -1.7, +2.8), which equal cards asked for."""
PER_CARD = 3
"""Unknowns of a card: x, y, turn."""
COMMON = 13
"""Unknowns of the camera (12) and the common side ratio."""
STEP = 1e-6
ROUNDS, CONVERGED, ROBUST_AT = 80, 1e-7, 2.0
U_AXES_MM, U_AXES_RAD = 1e-2, 1e-4
"""How firmly the plane's axes are held to those of the truth file; the fit is free up to a shift and a turn."""
U_RADIAL_OF_GRID = (0.1, 0.1, 0.05)
"""The same where a grid alone tells the lens: it covers little of the photo, and the square lies beyond it."""
U_LOG_RATIO = 0.002
"""Of the side ratio that the truth file names."""
FEWEST_CARDS = 3
"""With fewer equal cards no lens is estimated: their sides hardly tell it from the pose."""
POINT_PX = 0.9
"""What a point on a side counts for: sides of real cards stray from straight by some 0.4 px, and the points of one side
together, so that its fourteen are worth about three."""
SCATTERED_PX = 0.25
"""Of a point of a grid, each by itself."""
U_OF_A_SHOT = (0.01, 0.03, 0.1, 0.2)
"""By how much log focal length, k1, k2 and k3 differ between photos of one camera (focus, stabilisation): common
practice, no source."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ScatteredPoints:
    """Points (n, 2) of the plane, mm, and where they are seen, px: corners of a board or a mat's crossings."""

    mm: Floats
    px: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class SharedLens:
    """What other photos of the same camera say of log focal length, k1, k2, k3: mean (4,) and covariance (4, 4)."""

    mean: Floats
    covariance: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class LensFit:
    """The camera as fitted, in the plane's millimetres.

    u_lens : standard uncertainties of k1, k2, k3. cards : how many it was fitted to. has_lens : whether radial terms
    were estimated at all. rms_px, rms_mm : residuals of the points it was fitted to, across their sides.
    size_mm : of the equal cards as fitted, long and short side.
    """

    camera: Camera
    u_radial: Floats
    u_focal: float
    cards: int
    has_lens: bool
    rms_px: float
    rms_mm: float
    size_mm: tuple[float, float]
    covariance: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class _Scene:
    """What is fitted: side points (c, 4, n, 2) of the cards, their side (2,) as named, along and across the first side,
    the weight of a millimetre in pixels at each card (c,), scattered points, and the priors."""

    sides_px: Floats
    size_mm: Floats
    px_per_mm: Floats
    scattered: ScatteredPoints
    start: Camera
    places: Floats
    principal_px: Floats
    prior_mean: Floats
    prior_root: Floats
    u_principal_px: float


def fit_lens(
    *,
    sides_px: Sequence[Floats],
    corners_px: Sequence[Floats],
    size_mm: tuple[float, float] | None,
    plane_mm: Floats,
    plane_px: Floats,
    picture_px: tuple[int, int],
    focal_35mm: float | None,
    scattered: ScatteredPoints | None = None,
    with_lens: bool | None = None,
    shared: SharedLens | None = None,
) -> LensFit:
    """The camera that sees the cards as equal rectangles.

    Parameters
    ----------
    sides_px, corners_px : of each card, (4, n, 2) with nan where nothing was found, and (4, 2).
    size_mm : long and short side of the cards; None where only scattered points are fitted.
    plane_mm, plane_px : (n, 2) points of the plane that the truth file names; they set the plane's axes only.
    picture_px : width and height of the photo. focal_35mm : equivalent focal length where it is known.
    scattered : points of a grid, fitted as they are. with_lens : whether radial terms are fitted; by default where
        there are enough cards. shared : what other photos of the same camera say, in place of wide priors.
    """
    scattered = scattered or ScatteredPoints(mm=np.zeros((0, 2)), px=np.zeros((0, 2)))
    if with_lens is None:
        with_lens = len(sides_px) >= FEWEST_CARDS
    diagonal = float(np.hypot(*picture_px))
    focal_px = (focal_35mm or USUAL_FOCAL_35MM) / FULL_FRAME_DIAGONAL_MM * diagonal
    principal = (np.array(picture_px, float) - 1) / 2
    h = fit_homography(plane_mm, plane_px)
    start = camera_from_homography(h, focal_px=focal_px, principal_px=principal)
    sides, places, sizes, scales = _cards(sides_px, corners_px, size_mm, h)
    radial = U_RADIAL if len(sides) else U_RADIAL_OF_GRID
    usual = np.array([np.log(focal_px), 0.0, 0.0, 0.0])
    wide = np.array([U_LOG_FOCAL_READ if focal_35mm else U_LOG_FOCAL_GUESSED, *(radial if with_lens else [1e-6] * 3)])
    known = shared if with_lens and shared is not None else SharedLens(mean=usual, covariance=np.diag(wide**2))
    scene = _Scene(
        sides_px=sides, size_mm=sizes, px_per_mm=scales, scattered=scattered, start=start, places=places,
        principal_px=principal, prior_mean=known.mean, prior_root=np.linalg.cholesky(np.linalg.inv(known.covariance)).T,
        u_principal_px=U_PRINCIPAL * diagonal,
    )  # fmt: skip
    return _solved(scene, has_lens=with_lens)


def _cards(
    sides_px: Sequence[Floats], corners_px: Sequence[Floats], size_mm: tuple[float, float] | None, h: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Points, rough places (c, 3) x, y, turn, sizes (c, 2) along the first side and across it, and scales (c,)."""
    if size_mm is None or not len(sides_px):
        return np.zeros((0, 4, POINTS, 2)), np.zeros((0, 3)), np.zeros((0, 2)), np.zeros(0)
    inverse = np.linalg.inv(h)
    long_mm, short_mm = max(size_mm), min(size_mm)
    places, sizes, scales = [], [], []
    for corners in corners_px:
        mm = apply_homography(inverse, corners)
        first, second = np.linalg.norm(mm[1] - mm[0]), np.linalg.norm(mm[2] - mm[1])
        across = mm[1] + mm[2] - mm[0] - mm[3]
        places.append([*mm.mean(axis=0), np.arctan2(across[1], across[0])])
        sizes.append([long_mm, short_mm] if first > second else [short_mm, long_mm])
        scales.append(local_scale(h, mm.mean(axis=0)))
    return np.array(sides_px, float), np.array(places), np.array(sizes), np.array(scales)


def _camera(scene: _Scene, x: Floats) -> Camera:
    step = np.zeros(14)
    step[:12] = x[:12]
    return scene.start.moved(step)


def _off_sides_mm(camera: Camera, scene: _Scene, x: Floats) -> Floats:
    """Distances (c, 4, n) of the side points from the sides of their cards, mm, outward positive; nan where none."""
    count, _, n, _ = scene.sides_px.shape
    flat = scene.sides_px.reshape(-1, 2)
    seen = np.isfinite(flat[:, 0])
    mm = np.full_like(flat, np.nan)
    mm[seen] = to_plane(camera, flat[seen])
    cards = x[COMMON:].reshape(-1, PER_CARD)
    rel = mm.reshape(count, 4, n, 2) - cards[:, None, None, :2]
    c, s = np.cos(cards[:, 2])[:, None], np.sin(cards[:, 2])[:, None]
    long = scene.size_mm == scene.size_mm.max(axis=1, keepdims=True)
    half = scene.size_mm * np.exp(np.where(long, 0.5, -0.5) * x[COMMON - 1]) / 2
    along = rel[..., 0] * c[:, :, None] + rel[..., 1] * s[:, :, None]
    across = rel[..., 1] * c[:, :, None] - rel[..., 0] * s[:, :, None]
    w, h = half[:, :1], half[:, 1:]
    return np.stack([-across[:, 0] - h, along[:, 1] - w, across[:, 2] - h, -along[:, 3] - w], axis=1)


def _residuals(x: Floats, scene: _Scene) -> Floats:
    """Rows: of the cards' points, card by card; of scattered points; of the priors."""
    camera = _camera(scene, x)
    parts: list[Floats] = []
    if len(scene.places):
        off = _off_sides_mm(camera, scene, x) * scene.px_per_mm[:, None, None]
        parts.append(off[np.isfinite(scene.sides_px[..., 0])] / POINT_PX)
    if len(scene.scattered.px):
        mm = np.column_stack([scene.scattered.mm, np.zeros(len(scene.scattered.mm))])
        parts.append((project(camera, mm) - scene.scattered.px).ravel() / SCATTERED_PX)
    lens = np.array([np.log(camera.focal_px), *camera.distortion[:3]])
    parts.append(scene.prior_root @ (lens - scene.prior_mean))
    parts.append((camera.principal_px - scene.principal_px) / scene.u_principal_px)
    parts.append(x[COMMON - 1 : COMMON] / U_LOG_RATIO)
    if len(scene.places):
        # nothing else says where the plane's axes lie
        drift = (x[COMMON:].reshape(-1, PER_CARD) - scene.places).mean(axis=0)
        parts.append(drift / np.array([U_AXES_MM, U_AXES_MM, U_AXES_RAD]))
    return np.concatenate(parts)


def _jacobian(x: Floats, scene: _Scene) -> Floats:
    """Derivatives of the residuals, by differences; those after one unknown of all cards at once."""
    base = _residuals(x, scene)
    j = np.zeros((len(base), len(x)))
    for k in range(COMMON):
        there = x.copy()
        there[k] += STEP
        j[:, k] = (_residuals(there, scene) - base) / STEP
    owner = np.nonzero(np.isfinite(scene.sides_px[..., 0]))[0]
    rows = np.arange(len(owner))
    for k in range(PER_CARD if len(owner) else 0):
        there = x.copy()
        there[COMMON + k :: PER_CARD] += STEP
        change = (_residuals(there, scene) - base) / STEP
        j[rows, COMMON + k + PER_CARD * owner] = change[: len(owner)]
        j[len(base) - PER_CARD + k, COMMON + k :: PER_CARD] = change[len(base) - PER_CARD + k] / len(scene.places)
    return j


def _settled(x: Floats, scene: _Scene) -> tuple[Floats, Floats]:
    """The solution from a start, by Levenberg's and Marquardt's steps, and the weighted derivatives there.

    Outliers lose weight as by the loss 2 (sqrt(1 + r^2) - 1), r in units of `ROBUST_AT`.
    """
    damping = 1e-3
    residuals = _residuals(x, scene)
    for _ in range(ROUNDS):
        root = (1 + (residuals / ROBUST_AT) ** 2) ** -0.25
        j = _jacobian(x, scene) * root[:, None]
        normal, right = j.T @ j, j.T @ (residuals * root)
        for _ in range(ROUNDS):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -right)
            trial = _residuals(x + step, scene)
            if _loss(trial) <= _loss(residuals):
                break
            damping *= 10
        else:
            return x, j
        gain = _loss(residuals) - _loss(trial)
        x, residuals, damping = x + step, trial, max(damping / 10, 1e-9)
        if gain < CONVERGED * _loss(residuals):
            break
    return x, j


def _loss(residuals: Floats) -> float:
    loss = float(np.sum(2 * ROBUST_AT**2 * (np.sqrt(1 + (residuals / ROBUST_AT) ** 2) - 1)))
    return loss if np.isfinite(loss) else float("inf")


def _solved(scene: _Scene, *, has_lens: bool) -> LensFit:
    x = np.concatenate([np.zeros(COMMON), scene.places.ravel()])
    # once with hardly any lens, which a start far off would bend
    stiff = replace(scene, prior_root=np.diag([1e2, 1e3, 1e3, 1e3]))
    for one in (stiff, scene):
        x, jacobian = _settled(x, one)
    camera = _camera(scene, x)
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    rms_px, rms_mm = _rms(camera, scene, x)
    ratio = float(np.exp(0.5 * x[COMMON - 1]))
    long_mm, short_mm = (float(scene.size_mm.max()), float(scene.size_mm.min())) if len(scene.size_mm) else (0.0, 0.0)
    scale = max(1.0, rms_px / (POINT_PX if len(scene.places) else SCATTERED_PX))
    return LensFit(
        camera=camera, u_radial=np.sqrt(np.diag(covariance)[9:12]) * scale,
        u_focal=float(np.sqrt(covariance[6, 6]) * scale * camera.focal_px),
        cards=len(scene.places), has_lens=has_lens, rms_px=rms_px, rms_mm=rms_mm,
        size_mm=(long_mm * ratio, short_mm / ratio), covariance=covariance[:12, :12] * scale**2,
    )  # fmt: skip


def _rms(camera: Camera, scene: _Scene, x: Floats) -> tuple[float, float]:
    """Residuals of all points, px and mm."""
    px, mm = [], []
    if len(scene.places):
        off = _off_sides_mm(camera, scene, x)
        mm.append(off[np.isfinite(off)])
        off = off * scene.px_per_mm[:, None, None]
        px.append(off[np.isfinite(off)])
    if len(scene.scattered.px):
        seen = to_plane(camera, scene.scattered.px) - scene.scattered.mm
        mm.append(seen.ravel())
        ahead = project(camera, np.column_stack([scene.scattered.mm, np.zeros(len(seen))])) - scene.scattered.px
        px.append(ahead.ravel())
    return _root_mean_square(np.concatenate(px)), _root_mean_square(np.concatenate(mm))


def _root_mean_square(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else float("nan")


def shared_lens(fits: Sequence[LensFit]) -> SharedLens | None:
    """What photos of one camera say together of another one's lens; None where there are none."""
    total, right = np.zeros((4, 4)), np.zeros(4)
    at = [6, 9, 10, 11]
    shot = np.diag(np.array(U_OF_A_SHOT) ** 2)
    for fit in fits:
        own = np.linalg.inv(fit.covariance[np.ix_(at, at)] + shot)
        total += own
        right += own @ np.array([np.log(fit.camera.focal_px), *fit.camera.distortion[:3]])
    if not len(fits):
        return None
    covariance = np.linalg.inv(total)
    return SharedLens(mean=covariance @ right, covariance=covariance + shot)


def sizes_by(camera: Camera, sides_px: Floats) -> Floats | None:
    """Long and short side (2,) of a card by lines through its side points (4, n, 2) put on the plane, mm.

    None where a side has too few points. Sides are lines fitted to all their points, each size the mean distance of
    the middle of one side from the line of the other, both ways.
    """
    lines = []
    for side in sides_px:
        points = side[np.isfinite(side[:, 0])]
        if len(points) < POINTS // 2:
            return None
        mm = to_plane(camera, points)
        middle = mm.mean(axis=0)
        direction = np.linalg.svd(mm - middle)[2][0]
        lines.append((middle, np.array([-direction[1], direction[0]])))
    sizes = []
    for a, b in ((0, 2), (1, 3)):
        gap = lines[b][0] - lines[a][0]
        sizes.append((abs(gap @ lines[a][1]) + abs(gap @ lines[b][1])) / 2)
    return np.array(sorted(sizes, reverse=True))
