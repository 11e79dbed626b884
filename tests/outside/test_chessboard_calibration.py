"""A reference calibration with the product's own camera and saddle points: the chessboard photos of OpenCV.

The photos are those of Debian's package opencv-doc (left01 ... left09, left11 ... left14; 9 x 6 inner corners,
640 x 480). Their calibration has been published many times: with corners by `cv2.cornerSubPix` and a half window of 5,
fx = 532.795, fy = 532.919, principal point (342.458, 233.901), k1 = -0.281086. The 25 mm of the squares are declared,
not certified; they set the distances only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from cardmeasure.camera import PARAMETERS, Camera, camera_from_homography, project_with_jacobian
from cardmeasure.geometry import fit_homography
from cardmeasure.reference.crossings import fit_crossings
from cardmeasure.reference.saddles import refine_saddles

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

FOLDER = Path("/usr/share/doc/opencv-doc/examples/data")
NAMES = tuple(f"left{number:02d}.jpg" for number in (*range(1, 10), *range(11, 15)))
COLUMNS, ROWS, SQUARE_MM = 9, 6, 25.0
SIZE_PX = (640, 480)
BOARD_MM: Floats = np.zeros((COLUMNS * ROWS, 3))
BOARD_MM[:, :2] = np.mgrid[0:COLUMNS, 0:ROWS].T.reshape(-1, 2) * SQUARE_MM
POSE, LENS = 6, PARAMETERS - 6
PUBLISHED_FOCAL_PX = (532.795 + 532.919) / 2
PUBLISHED_PRINCIPAL_PX = (342.458, 233.901)
PUBLISHED_K1 = -0.281086


@dataclass(frozen=True, kw_only=True, eq=False)
class Calibration:
    """Cameras (one lens, thirteen poses), RMS distance of the corners from their projections, u of the log focal."""

    cameras: tuple[Camera, ...]
    rms_px: float
    u_log_focal: float

    @property
    def lens(self) -> Camera:
        return self.cameras[0]


@dataclass(frozen=True, kw_only=True, eq=False)
class Normal:
    """Normal equations of all photos, and the sum of squares."""

    matrix: Floats
    right: Floats
    squares: float


@cache
def photos() -> tuple[Bytes, ...]:
    missing = [name for name in NAMES if not (FOLDER / name).is_file()]
    if missing:
        pytest.fail(f"{missing[0]} is not in {FOLDER}: install Debian's package opencv-doc.")
    return tuple(np.asarray(cv2.imread(str(FOLDER / name), cv2.IMREAD_GRAYSCALE), np.uint8) for name in NAMES)


@cache
def rough_corners() -> tuple[Floats, ...]:
    """Corners good to a pixel, in the order of `BOARD_MM`."""
    found = [cv2.findChessboardCorners(photo, (COLUMNS, ROWS)) for photo in photos()]
    assert all(ok for ok, _ in found)
    return tuple(np.asarray(corners, np.float64).reshape(-1, 2) for _, corners in found)


@cache
def corners_by_opencv() -> tuple[Floats, ...]:
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 1e-3)
    refined = []
    for photo, rough in zip(photos(), rough_corners(), strict=True):
        start = rough.astype(np.float32).reshape(-1, 1, 2)
        refined.append(np.asarray(cv2.cornerSubPix(photo, start, (5, 5), (-1, -1), stop), np.float64).reshape(-1, 2))
    return tuple(refined)


def grid_steps(corners: Floats) -> Floats:
    """Derivatives (n, 2, 2) of the pixels along the board's axes, in pixels a square, from neighbouring corners."""
    grid = corners.reshape(ROWS, COLUMNS, 2)
    return np.stack([np.gradient(grid, axis=1), np.gradient(grid, axis=0)], axis=-1).reshape(-1, 2, 2)


@cache
def corners_by_cardmeasure() -> tuple[Floats, ...]:
    """Saddle points, then crossings, with the shares of a cell that a printed check is refined with."""
    refined = []
    for photo, rough in zip(photos(), rough_corners(), strict=True):
        cell = float(np.linalg.norm(grid_steps(rough), axis=1).min())
        smoothing = float(np.clip(0.13 * cell, 0.7, 1.2))
        saddles = refine_saddles(photo, rough, radius_px=int(0.36 * cell), smoothing_px=smoothing)
        assert saddles.ok.all()
        normals = np.linalg.inv(grid_steps(saddles.points_px))
        normals /= np.linalg.norm(normals, axis=2, keepdims=True)
        radius = min(10, int(0.45 * cell))
        crossings = fit_crossings(photo, saddles.points_px, normals, radius_px=radius, blur_px=1.0)
        assert crossings.ok.all()
        refined.append(crossings.points_px)
    return tuple(refined)


def normal_equations(cameras: list[Camera], corners: tuple[Floats, ...]) -> Normal:
    size = POSE * len(cameras) + LENS
    matrix, right, squares = np.zeros((size, size)), np.zeros(size), 0.0
    for k, (camera, seen) in enumerate(zip(cameras, corners, strict=True)):
        px, by_camera, _ = project_with_jacobian(camera, BOARD_MM)
        residuals, jacobian = (seen - px).ravel(), by_camera.reshape(-1, PARAMETERS)
        at = np.concatenate([np.arange(POSE * k, POSE * (k + 1)), np.arange(size - LENS, size)])
        matrix[np.ix_(at, at)] += jacobian.T @ jacobian
        right[at] += jacobian.T @ residuals
        squares += float(residuals @ residuals)
    return Normal(matrix=matrix, right=right, squares=squares)


def moved(cameras: list[Camera], step: Floats) -> list[Camera]:
    lens = step[-LENS:]
    return [c.moved(np.concatenate([step[POSE * k : POSE * (k + 1)], lens])) for k, c in enumerate(cameras)]


def calibrated(corners: tuple[Floats, ...]) -> Calibration:
    """Thirteen poses and one lens together, by Gauss-Newton damped after Levenberg and Marquardt, from a rough lens."""
    middle = (np.array(SIZE_PX) - 1) / 2
    start = [fit_homography(BOARD_MM[:, :2], seen) for seen in corners]
    cameras = [camera_from_homography(h, focal_px=640.0, principal_px=middle) for h in start]
    now, damping = normal_equations(cameras, corners), 1e-3
    for _ in range(60):
        step = np.linalg.solve(now.matrix + damping * np.diag(np.diag(now.matrix)), now.right)
        tried = moved(cameras, step)
        then = normal_equations(tried, corners)
        if then.squares >= now.squares:
            damping *= 10
            continue
        gain = now.squares - then.squares
        cameras, now, damping = tried, then, damping / 10
        if gain < 1e-12 * now.squares:
            break
    count = sum(len(seen) for seen in corners)
    variance = now.squares / (2 * count - len(now.right))
    u_log_focal = float(np.sqrt(variance * np.linalg.inv(now.matrix)[-LENS, -LENS]))
    return Calibration(cameras=tuple(cameras), rms_px=float(np.sqrt(now.squares / count)), u_log_focal=u_log_focal)


@cache
def calibrated_from_opencv_corners() -> Calibration:
    return calibrated(corners_by_opencv())


@cache
def calibrated_from_own_corners() -> Calibration:
    return calibrated(corners_by_cardmeasure())


def test_the_published_lens_is_reproduced_from_the_published_kind_of_corners() -> None:
    lens = calibrated_from_opencv_corners().lens
    # the model has one focal length where the published one has two, 0.12 px apart
    assert lens.focal_px == pytest.approx(PUBLISHED_FOCAL_PX, abs=0.15)
    assert lens.principal_px == pytest.approx(PUBLISHED_PRINCIPAL_PX, abs=0.25)
    assert lens.distortion[0] == pytest.approx(PUBLISHED_K1, abs=0.003)


def test_opencv_finds_the_same_lens_with_one_focal_length() -> None:
    points = [BOARD_MM.astype(np.float32)] * len(NAMES)
    seen = [c.astype(np.float32).reshape(-1, 1, 2) for c in corners_by_opencv()]
    start = np.array([[640.0, 0, 319.5], [0, 640.0, 239.5], [0, 0, 1]])
    how = cv2.CALIB_USE_INTRINSIC_GUESS + cv2.CALIB_FIX_ASPECT_RATIO
    rms, matrix, lens, _, _ = cv2.calibrateCamera(points, seen, SIZE_PX, start, np.zeros(5), flags=how)
    ours = calibrated_from_opencv_corners()
    assert ours.lens.focal_px == pytest.approx(matrix[0, 0], abs=0.01)
    assert ours.lens.principal_px == pytest.approx([matrix[0, 2], matrix[1, 2]], abs=0.01)
    # OpenCV's order is k1, k2, p1, p2, k3
    assert ours.lens.distortion == pytest.approx(lens.ravel()[[0, 1, 4, 2, 3]], abs=1e-3)
    assert ours.rms_px == pytest.approx(rms, abs=1e-4)


def test_own_corners_give_the_published_focal_length_within_two_standard_uncertainties() -> None:
    own, other = calibrated_from_own_corners(), calibrated_from_opencv_corners()
    u_px = PUBLISHED_FOCAL_PX * np.hypot(own.u_log_focal, other.u_log_focal)
    assert 0.1 < u_px < 1.0
    assert own.lens.focal_px == pytest.approx(PUBLISHED_FOCAL_PX, abs=2 * u_px)


def test_own_corners_fit_the_camera_better_than_those_of_opencv() -> None:
    own, other = calibrated_from_own_corners(), calibrated_from_opencv_corners()
    assert own.rms_px < other.rms_px
    # each of the thirteen photos by itself
    for k in range(len(NAMES)):
        assert residual_rms(own, corners_by_cardmeasure(), k) < 1.05 * residual_rms(other, corners_by_opencv(), k)


def residual_rms(calibration: Calibration, corners: tuple[Floats, ...], k: int) -> float:
    px = project_with_jacobian(calibration.cameras[k], BOARD_MM)[0]
    return float(np.sqrt(np.mean(np.sum((corners[k] - px) ** 2, axis=1))))
