"""The camera: pinhole with Brown's distortion, its projection and the projection's exact derivatives.

World axes are the first square's design axes as they lie on the table (x right, y down as printed, z into the table),
so a card's top face has a negative z. A camera point is R X + t and looks along +z. Distortion after Brown,
"Close-range camera calibration", Photogrammetric Engineering 1971, in OpenCV's order of terms.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from cardmeasure import kernels
from cardmeasure.bow import Bow

Floats = NDArray[np.floating[Any]]

PARAMETERS = 14
"""Rotation increment (3, rad), translation (3, mm), log focal length, principal point (2, px), k1, k2, k3, p1, p2."""
UNDISTORTING, UNDISTORTED = 8, 1e-7
"""Most rounds, and last step, normalised, of the inversion of the distortion; the next would be its square."""
BOW_ROUNDS = 4
"""Paper rises by some hundredths of the way along it, so that each round takes off most of what was left."""
ROTATION, TRANSLATION, LOG_FOCAL, PRINCIPAL, DISTORTION = slice(0, 3), slice(3, 6), 6, slice(7, 9), slice(9, 14)


@dataclass(frozen=True, kw_only=True, eq=False)
class Camera:
    """Pose and lens. rotation (3, 3); translation_mm (3,); principal_px (2,); distortion (5,): k1, k2, k3, p1, p2.

    bow : that of the print, where it is a sheet: heights of world points are then heights above the bowed paper.
    """

    rotation: Floats
    translation_mm: Floats
    focal_px: float
    principal_px: Floats
    distortion: Floats
    bow: Bow | None = None

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the table's normal."""
        return float(np.degrees(np.arccos(np.clip(self.rotation[2, 2], -1.0, 1.0))))

    @property
    def position_mm(self) -> Floats:
        """Centre of projection in world axes, (3,)."""
        return np.asarray(-self.rotation.T @ self.translation_mm)

    @cached_property
    def numbers(self) -> Floats:
        """Rotation, translation, focal length, principal point and distortion, (20,), as kernels take them."""
        parts = (self.rotation.ravel(), self.translation_mm, [self.focal_px], self.principal_px, self.distortion)
        return np.concatenate(parts).astype(np.float64)

    def moved(self, step: Floats) -> Camera:
        """The camera after a step in its 14 parameters."""
        return Camera(
            rotation=rotation_matrix(step[ROTATION]) @ self.rotation,
            translation_mm=self.translation_mm + step[TRANSLATION],
            focal_px=self.focal_px * float(np.exp(step[LOG_FOCAL])),
            principal_px=self.principal_px + step[PRINCIPAL],
            distortion=self.distortion + step[DISTORTION],
            bow=self.bow,
        )


def rotation_matrix(vector: Floats) -> Floats:
    """Rotation (3, 3) about a vector (3,) by its length in radians (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    k = _cross_matrix(vector)
    if angle < 1e-12:
        return np.eye(3) + k
    return np.asarray(np.eye(3) + np.sin(angle) / angle * k + (1 - np.cos(angle)) / angle**2 * k @ k)


def project(camera: Camera, points_mm: Floats) -> Floats:
    """Pixels (n, 2) of world points (n, 3)."""
    if kernels.compiled is not None:
        px = np.empty((len(points_mm), 2))
        kernels.compiled.project(len(px), camera.numbers, kernels.doubles(_unbowed(camera, points_mm)), px)
        return px
    local = _unbowed(camera, points_mm) @ camera.rotation.T + camera.translation_mm
    xy = local[:, :2] / local[:, 2:]
    return camera.focal_px * _distort(xy, camera.distortion) + camera.principal_px


def project_table(camera: Camera, points_mm: Floats) -> Floats:
    """Pixels (..., 2) of places (..., 2) on the table itself, mm."""
    points = np.zeros((points_mm.size // 2, 3))
    points[:, :2] = points_mm.reshape(-1, 2)
    return project(camera, points).reshape(points_mm.shape)


class Along(NamedTuple):
    """Places of seen points along directions in the photo, px (n,), and their derivatives: after the camera's
    parameters (14, n), the points (3, n) and the bow's coefficients (t, n), none where there is no bow.
    """

    px: Floats
    by_camera: Floats
    by_world: Floats
    by_bow: Floats


def seen_along(camera: Camera, points_mm: Floats, directions: Floats) -> Along:
    """Where world points (n, 3) are seen along directions (2, n) of the photo, of any length, with derivatives.

    Each number of all points lies in one row, which is several times as fast as one small matrix a point.
    """
    px, j, by_world = _along(camera, _unbowed(camera, points_mm), directions)
    if camera.bow is None:
        return Along(px, j, by_world, np.zeros((0, len(px))))
    terms, rise = camera.bow.terms_and_slope(points_mm[:, :2])
    by_bow = -by_world[2] * terms.T
    by_world[:2] -= by_world[2] * rise.T
    return Along(px, j, by_world, by_bow)


def _along(camera: Camera, points_mm: Floats, directions: Floats) -> tuple[Floats, Floats, Floats]:
    """The same of world points (n, 3) above the plane z = 0: px (n,), derivatives (14, n) and (3, n)."""
    if kernels.compiled is not None:
        n = len(points_mm)
        px, j, by_world = np.empty(n), np.empty((PARAMETERS, n)), np.empty((3, n))
        points, ways = kernels.doubles(points_mm), kernels.doubles(directions)
        kernels.compiled.seen_along(n, camera.numbers, points, ways, px, j, by_world)
        return px, j, by_world
    turned = camera.rotation @ points_mm.T
    local = turned + camera.translation_mm[:, None]
    iz = 1.0 / local[2]
    x, y = local[0] * iz, local[1] * iz
    r2 = x * x + y * y
    radial, slope = _radial(r2, camera.distortion)
    p1, p2 = camera.distortion[3:].tolist()
    along_x, along_y = camera.focal_px * directions
    of_x, of_y, mixed = along_x * x, along_y * y, 2 * (along_x * y + along_y * x)
    along = of_x + of_y
    j = np.empty((PARAMETERS, len(x)))
    j[9] = along * r2
    j[10] = j[9] * r2
    j[11] = j[10] * r2
    j[12] = along_y * r2 + 2 * along * y
    j[13] = along_x * r2 + 2 * along * x
    j[LOG_FOCAL] = along * radial + p1 * j[12] + p2 * j[13]
    j[PRINCIPAL] = directions
    slope *= along
    by_local = j[TRANSLATION]
    by_local[0] = (along_x * radial + slope * x + p1 * mixed + 2 * p2 * (3 * of_x + of_y)) * iz
    by_local[1] = (along_y * radial + slope * y + p2 * mixed + 2 * p1 * (of_x + 3 * of_y)) * iz
    by_local[2] = -(by_local[0] * x + by_local[1] * y)
    # R <- exp(w) R moves the turned point by w x turned
    for axis, (one, other) in enumerate(((1, 2), (2, 0), (0, 1))):
        j[axis] = turned[one] * by_local[other] - turned[other] * by_local[one]
    px = j[LOG_FOCAL] + camera.principal_px @ directions
    return px, j, camera.rotation.T @ by_local


def project_with_jacobian(camera: Camera, points_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """Pixels (n, 2), their derivatives after the camera's parameters (n, 2, 14) and after the points (n, 2, 3)."""
    axes = np.eye(2)[:, :, None] * np.ones(len(points_mm))
    x, y = (seen_along(camera, points_mm, axis) for axis in axes)
    px, by_camera, by_world = (np.stack(pair) for pair in zip(x[:3], y[:3], strict=True))
    return px.T, by_camera.transpose(2, 0, 1), by_world.transpose(2, 0, 1)


def _unbowed(camera: Camera, points_mm: Floats) -> Floats:
    """World points (n, 3) with their heights above the plane z = 0 instead of those above the bowed paper."""
    if camera.bow is None:
        return points_mm
    x, y, z = points_mm.T
    return np.column_stack([x, y, z - camera.bow.height_mm(points_mm[:, :2])])


def to_plane(camera: Camera, points_px: Floats, *, z_mm: float | Floats = 0.0) -> Floats:
    """World x, y (n, 2) of pixels (n, 2) on the plane z = z_mm; the distortion is inverted by Newton's method.

    z_mm : one for all or (n,); where the print bows, it counts from the bowed paper.
    """
    xy = _undistorted(camera, points_px)
    rays = np.column_stack([xy, np.ones(len(xy))]) @ camera.rotation
    centre = camera.position_mm
    at = np.asarray(centre[:2] + rays[:, :2] * ((z_mm - centre[2]) / rays[:, 2])[:, None])
    for _ in range(BOW_ROUNDS if camera.bow is not None else 0):
        height = z_mm - camera.bow.height_mm(at)  # type: ignore[union-attr]
        at = centre[:2] + rays[:, :2] * ((height - centre[2]) / rays[:, 2])[:, None]
    return at


def _undistorted(camera: Camera, points_px: Floats) -> Floats:
    """Normalised coordinates (n, 2) of pixels (n, 2), the distortion taken off."""
    if kernels.compiled is not None:
        xy: Floats = np.empty((len(points_px), 2))
        kernels.compiled.undistort(len(xy), UNDISTORTING, UNDISTORTED, camera.numbers, kernels.doubles(points_px), xy)
        return xy
    target = (points_px - camera.principal_px) / camera.focal_px
    xy = target.copy()
    for _ in range(UNDISTORTING):
        error: Floats = _distort(xy, camera.distortion) - target
        j = _distortion_jacobian(xy[:, 0], xy[:, 1], camera.distortion)
        (a, b), (c, d) = j.transpose(1, 2, 0)
        step = np.column_stack([d * error[:, 0] - b * error[:, 1], a * error[:, 1] - c * error[:, 0]])
        step /= (a * d - b * c)[:, None]
        xy = xy - step
        if np.abs(step).max(initial=0.0) < UNDISTORTED:
            break
    return xy


def camera_from_homography(h: Floats, *, focal_px: float, principal_px: Floats) -> Camera:
    """The pose without distortion that best explains a homography (3, 3) from the plane z = 0 to pixels."""
    k = np.array([[focal_px, 0, principal_px[0]], [0, focal_px, principal_px[1]], [0, 0, 1.0]])
    m = np.linalg.inv(k) @ h
    m *= np.sign(m[2, 2]) * 2 / (np.linalg.norm(m[:, 0]) + np.linalg.norm(m[:, 1]))
    u, _, vt = np.linalg.svd(np.column_stack([m[:, 0], m[:, 1], np.cross(m[:, 0], m[:, 1])]))
    return Camera(
        rotation=np.asarray(u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt),
        translation_mm=m[:, 2],
        focal_px=focal_px,
        principal_px=np.asarray(principal_px, float),
        distortion=np.zeros(5),
    )


def _cross_matrix(v: Floats) -> Floats:
    return np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])


def _distort(xy: Floats, d: Floats) -> Floats:
    x, y = xy.T
    r2 = x * x + y * y
    radial = _radial(r2, d)[0]
    return np.column_stack(
        [
            x * radial + 2 * d[3] * x * y + d[4] * (r2 + 2 * x * x),
            y * radial + d[3] * (r2 + 2 * y * y) + 2 * d[4] * x * y,
        ]
    )


def _distortion_jacobian(x: Floats, y: Floats, d: Floats) -> Floats:
    """Derivatives (n, 2, 2) of distorted after undistorted normalised coordinates."""
    r2 = x * x + y * y
    radial, slope = _radial(r2, d)
    j = np.empty((len(x), 2, 2))
    j[:, 0, 0] = radial + slope * x * x + 2 * d[3] * y + 6 * d[4] * x
    j[:, 0, 1] = j[:, 1, 0] = slope * x * y + 2 * d[3] * x + 2 * d[4] * y
    j[:, 1, 1] = radial + slope * y * y + 6 * d[3] * y + 2 * d[4] * x
    return j


def _radial(r2: Floats, d: Floats) -> tuple[Floats, Floats]:
    """The radial distortion's factor (n,) at squared radii, and twice its derivative after these."""
    k1, k2, k3 = d[:3].tolist()
    return 1 + r2 * (k1 + r2 * (k2 + r2 * k3)), 2 * (k1 + r2 * (2 * k2 + 3 * r2 * k3))
