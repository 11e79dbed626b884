"""The camera's geometry: projection, its exact inverse, and poses above a table."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calibration.rig.compiled import compiled
from calibration.rig.scene import Camera, Xy, Xyz

Floats = NDArray[np.float64]

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
"""Diagonal of the 36 x 24 mm frame that "35 mm equivalent" refers to (CIPA DCG-001), 43.2666 mm."""


SENSOR_DIAGONAL_MM = 9.6
"""Of the invented phone: a 1/1.7-inch sensor."""
F_NUMBER = 1.8
"""Of the invented phone."""


class Optics(NamedTuple):
    """A camera as kernels take it: `lens` = f, cx, cy, k1, k2, k3, p1, p2; `rotation` world to camera; `centre`."""

    lens: Floats
    rotation: Floats
    centre: Floats


def optics(camera: Camera) -> Optics:
    """The camera as flat arrays."""
    c = camera
    lens = np.array([c.focal_px, *c.principal_px, c.k1, c.k2, c.k3, c.p1, c.p2])
    return Optics(lens=lens, rotation=rotation_matrix(c.rotation), centre=np.array(c.centre_mm))


def focal_px_of(focal_35mm: float, *, width: int, height: int) -> float:
    """Focal length in pixels of a 35 mm equivalent (equal diagonal field of view, CIPA DCG-001)."""
    return focal_35mm * math.hypot(width, height) / FULL_FRAME_DIAGONAL_MM


def defocus_px_of(camera: Camera, *, distance_mm: float) -> float:
    """Sigma, px, of the blur of a place at distance d, over |1 - s / d|, where s is the focused distance.

    A thin lens sees it as a disc of diameter f^2 / (N s); a Gaussian of the same variance has a quarter of that.
    """
    focal_mm = camera.focal_px * SENSOR_DIAGONAL_MM / math.hypot(camera.width, camera.height)
    return camera.focal_px * focal_mm / (F_NUMBER * distance_mm) / 4


def rotation_matrix(vector: Xyz) -> Floats:
    """Matrix of a rotation vector (Rodrigues), (3, 3)."""
    angle = math.sqrt(sum(a * a for a in vector))
    if angle == 0:
        return np.eye(3)
    x, y, z = (a / angle for a in vector)
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + math.sin(angle) * cross + (1 - math.cos(angle)) * cross @ cross)


def rotation_vector(matrix: Floats) -> Xyz:
    """Rotation vector of a matrix, the inverse of `rotation_matrix`, for angles up to and including 180 degrees."""
    cosine = (np.trace(matrix) - 1) / 2
    angle = math.acos(min(max(cosine, -1.0), 1.0))
    # The symmetric part gives the axis up to sign, and is exact near half a turn, where a camera looking down is.
    outer = (matrix + matrix.T) / 2 - math.cos(angle) * np.eye(3)
    axis = outer[:, int(np.argmax(np.diag(outer)))]
    norm = np.linalg.norm(axis)
    if angle == 0 or norm == 0:
        return (0.0, 0.0, 0.0)
    axis = axis / norm
    skew = np.array([matrix[2, 1] - matrix[1, 2], matrix[0, 2] - matrix[2, 0], matrix[1, 0] - matrix[0, 1]])
    if skew @ axis < 0:
        axis = -axis
    x, y, z = (float(a) * angle for a in axis)
    return (x, y, z)


def pose_above(
    *, target_mm: Xy, distance_mm: float, tilt_deg: float = 0.0, azimuth_deg: float = 0.0, roll_deg: float = 0.0
) -> tuple[Xyz, Xyz]:
    """Rotation vector and centre of a camera that looks at a point of the table from `distance_mm`.

    Its axis leans by `tilt_deg` off the vertical, the camera standing towards `azimuth_deg`; `roll_deg` turns the
    picture about the axis. At zero tilt and roll the photo shows x to the right and y up.
    """
    t, a, r = (math.radians(v) for v in (tilt_deg, azimuth_deg, roll_deg))
    back = np.array([math.sin(t) * math.cos(a), math.sin(t) * math.sin(a), math.cos(t)])
    lean = rotation_matrix((-t * math.sin(a), t * math.cos(a), 0.0))
    right, down = lean @ np.array([1.0, 0, 0]), lean @ np.array([0, -1.0, 0])
    matrix = np.array([math.cos(r) * right + math.sin(r) * down, math.cos(r) * down - math.sin(r) * right, -back])
    x, y, z = (float(v) for v in np.array([*target_mm, 0.0]) + distance_mm * back)
    return rotation_vector(matrix), (x, y, z)


def distort(lens: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Distorted normalised coordinates (Brown-Conrady, as OpenCV has it), element by element."""
    r2 = x * x + y * y
    radial = 1 + r2 * (lens[3] + r2 * (lens[4] + r2 * lens[5]))
    xd = x * radial + 2 * lens[6] * x * y + lens[7] * (r2 + 2 * x * x)
    yd = y * radial + lens[6] * (r2 + 2 * y * y) + 2 * lens[7] * x * y
    return xd, yd


@compiled
def undistort(lens: Floats, xd: float, yd: float, x: float, y: float, steps: int) -> tuple[float, float]:
    """Inverse of `distort` by Newton's method with the exact Jacobian, started from (x, y)."""
    for _ in range(steps):
        r2 = x * x + y * y
        radial = 1 + r2 * (lens[3] + r2 * (lens[4] + r2 * lens[5]))
        slope = 2 * (lens[3] + r2 * (2 * lens[4] + 3 * r2 * lens[5]))
        fx = x * radial + 2 * lens[6] * x * y + lens[7] * (r2 + 2 * x * x) - xd
        fy = y * radial + lens[6] * (r2 + 2 * y * y) + 2 * lens[7] * x * y - yd
        a = radial + slope * x * x + 2 * lens[6] * y + 6 * lens[7] * x
        b = slope * x * y + 2 * lens[6] * x + 2 * lens[7] * y
        d = radial + slope * y * y + 6 * lens[6] * y + 2 * lens[7] * x
        det = a * d - b * b
        x -= (d * fx - b * fy) / det
        y -= (a * fy - b * fx) / det
    return x, y


def project(camera: Camera, points_mm: Floats) -> Floats:
    """Pixels (n, 2) of world points (n, 3)."""
    o = optics(camera)
    local = (np.asarray(points_mm, float) - o.centre) @ o.rotation.T
    x, y = local[:, 0] / local[:, 2], local[:, 1] / local[:, 2]
    xd, yd = distort(o.lens, x, y)
    return np.asarray(np.column_stack([xd, yd]) * camera.focal_px + np.array(camera.principal_px))


def rays(camera: Camera, pixels: Floats) -> Floats:
    """Directions (n, 3) in world axes of pixels (n, 2); not of unit length."""
    o = optics(camera)
    normalised = (np.asarray(pixels, float) - np.array(camera.principal_px)) / camera.focal_px
    flat = np.array([undistort(o.lens, x, y, x, y, 25) for x, y in normalised])
    return np.asarray(np.column_stack([flat, np.ones(len(flat))]) @ o.rotation)
