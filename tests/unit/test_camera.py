"""The camera's projection against OpenCV's, its derivatives against differences, and its inverses."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation  # type: ignore[import-untyped]

from cardmeasure.camera import (
    PARAMETERS,
    Camera,
    camera_from_homography,
    project,
    project_with_jacobian,
    rotation_matrix,
    to_plane,
)

Floats = NDArray[np.float64]

MID_PX = np.array([2015.5, 1511.5])
PLANE_MM = np.array([[x, y, 0.0] for x in (-120.0, -40.0, 0.0, 55.0, 130.0) for y in (-90.0, -10.0, 35.0, 100.0)])
STEPS = np.array([1e-6] * 3 + [1e-4] * 3 + [1e-6] + [1e-3] * 2 + [1e-5] * 5)
"""Half steps of the differences, in the unit of each parameter."""


def _about(size: float) -> st.SearchStrategy[float]:
    return st.floats(-size, size, allow_nan=False)


@st.composite
def cameras(draw: st.DrawFn) -> Camera:
    """A phone above a table: tilt to 45 degrees any way round, any turn, a strong lens."""
    azimuth, turn = draw(_about(np.pi)), draw(_about(np.pi))
    tilt = draw(st.floats(0.0, np.radians(45)))
    lean = rotation_matrix(tilt * np.array([np.cos(azimuth), np.sin(azimuth), 0.0]))
    lens = [draw(_about(u)) for u in (0.15, 0.05, 0.02, 0.002, 0.002)]
    return Camera(
        rotation=lean @ rotation_matrix(np.array([0.0, 0.0, turn])),
        translation_mm=np.array([draw(_about(40.0)), draw(_about(40.0)), draw(st.floats(250.0, 600.0))]),
        focal_px=draw(st.floats(2000.0, 4000.0)),
        principal_px=MID_PX + np.array([draw(_about(60.0)), draw(_about(60.0))]),
        distortion=np.array(lens),
    )


def _points(seed: int, *, deep: float = 20.0) -> Floats:
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(-120, 120, (12, 2)), rng.uniform(-deep, deep, 12)])


@given(camera=cameras(), seed=st.integers(0, 10**6))
def test_projection_is_that_of_opencv(camera: Camera, seed: int) -> None:
    points = _points(seed)
    matrix = np.array(
        [[camera.focal_px, 0, camera.principal_px[0]], [0, camera.focal_px, camera.principal_px[1]], [0, 0, 1.0]]
    )
    k1, k2, k3, p1, p2 = camera.distortion
    # SciPy's rotation vector, as OpenCV's own drops turns below 1e-7
    vector = Rotation.from_matrix(camera.rotation).as_rotvec()
    expected = cv2.projectPoints(points, vector, camera.translation_mm, matrix, np.array([k1, k2, p1, p2, k3]))[0]
    np.testing.assert_allclose(project(camera, points), np.asarray(expected).reshape(-1, 2), rtol=0, atol=1e-6)


@given(vector=st.tuples(_about(4.0), _about(4.0), _about(4.0)))
def test_rotation_is_that_of_opencv(vector: tuple[float, float, float]) -> None:
    expected = cv2.Rodrigues(np.array(vector))[0]
    np.testing.assert_allclose(rotation_matrix(np.array(vector)), expected, rtol=0, atol=1e-9)


@given(camera=cameras(), seed=st.integers(0, 10**6))
def test_derivatives_after_the_camera_are_those_of_differences(camera: Camera, seed: int) -> None:
    points = _points(seed)
    px, by_camera, _ = project_with_jacobian(camera, points)
    np.testing.assert_allclose(px, project(camera, points), rtol=0, atol=1e-9)
    for k in range(PARAMETERS):
        step = np.zeros(PARAMETERS)
        step[k] = STEPS[k]
        numeric = (project(camera.moved(step), points) - project(camera.moved(-step), points)) / (2 * STEPS[k])
        scale = max(1.0, float(np.abs(numeric).max()))
        np.testing.assert_allclose(by_camera[:, :, k], numeric, rtol=0, atol=2e-5 * scale, err_msg=f"parameter {k}")


@given(camera=cameras(), seed=st.integers(0, 10**6))
def test_derivatives_after_the_points_are_those_of_differences(camera: Camera, seed: int) -> None:
    points = _points(seed)
    _, _, by_point = project_with_jacobian(camera, points)
    for k in range(3):
        step = np.zeros(3)
        step[k] = 1e-4
        numeric = (project(camera, points + step) - project(camera, points - step)) / 2e-4
        scale = max(1.0, float(np.abs(numeric).max()))
        np.testing.assert_allclose(by_point[:, :, k], numeric, rtol=0, atol=2e-5 * scale, err_msg=f"axis {k}")


@given(camera=cameras(), seed=st.integers(0, 10**6))
def test_each_pixel_may_have_a_plane_of_its_own(camera: Camera, seed: int) -> None:
    points = _points(seed)
    back = to_plane(camera, project(camera, points), z_mm=points[:, 2])
    np.testing.assert_allclose(back, points[:, :2], rtol=0, atol=1e-6)


@given(camera=cameras(), z_mm=_about(10.0), seed=st.integers(0, 10**6))
def test_the_way_back_to_a_plane_inverts_the_projection(camera: Camera, z_mm: float, seed: int) -> None:
    points = _points(seed)
    points[:, 2] = z_mm
    back = to_plane(camera, project(camera, points), z_mm=z_mm)
    np.testing.assert_allclose(back, points[:, :2], rtol=0, atol=1e-6)


@given(camera=cameras())
def test_a_pose_comes_back_from_its_homography(camera: Camera) -> None:
    """The homography of the plane z = 0, in any scale and sign, without the lens's distortion."""
    k = np.array(
        [[camera.focal_px, 0, camera.principal_px[0]], [0, camera.focal_px, camera.principal_px[1]], [0, 0, 1.0]]
    )
    h = k @ np.column_stack([camera.rotation[:, 0], camera.rotation[:, 1], camera.translation_mm])
    for factor in (1.0, -0.37):
        found = camera_from_homography(factor * h, focal_px=camera.focal_px, principal_px=camera.principal_px)
        np.testing.assert_allclose(found.rotation, camera.rotation, rtol=0, atol=1e-9)
        np.testing.assert_allclose(found.translation_mm, camera.translation_mm, rtol=0, atol=1e-6)
        expected = project(replace(camera, distortion=np.zeros(5)), PLANE_MM)
        np.testing.assert_allclose(project(found, PLANE_MM), expected, rtol=0, atol=1e-6)


@settings(max_examples=40)
@given(camera=cameras(), noise=st.integers(0, 10**6))
def test_a_pose_from_a_slightly_wrong_homography_is_still_a_pose(camera: Camera, noise: int) -> None:
    k = np.array([[camera.focal_px, 0, MID_PX[0]], [0, camera.focal_px, MID_PX[1]], [0, 0, 1.0]])
    h = k @ np.column_stack([camera.rotation[:, 0], camera.rotation[:, 1], camera.translation_mm])
    h *= 1 + np.random.default_rng(noise).normal(0, 1e-3, (3, 3))
    found = camera_from_homography(h, focal_px=camera.focal_px, principal_px=MID_PX)
    np.testing.assert_allclose(found.rotation @ found.rotation.T, np.eye(3), rtol=0, atol=1e-9)
    assert np.linalg.det(found.rotation) == pytest.approx(1.0)
    assert found.translation_mm[2] > 0


@pytest.mark.parametrize("tilt_deg", [0.0, 8.0, 33.0])
def test_tilt_and_height_of_a_known_pose(tilt_deg: float) -> None:
    rotation = rotation_matrix(np.radians(tilt_deg) * np.array([0.6, 0.8, 0.0]))
    centre = np.array([12.0, -7.0, -321.0])
    camera = Camera(
        rotation=rotation,
        translation_mm=-rotation @ centre,
        focal_px=3000.0,
        principal_px=MID_PX,
        distortion=np.zeros(5),
    )
    assert camera.tilt_deg == pytest.approx(tilt_deg, abs=1e-6)
    np.testing.assert_allclose(camera.position_mm, centre, rtol=0, atol=1e-9)
