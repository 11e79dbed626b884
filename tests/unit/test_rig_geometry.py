"""The rig's geometry: projected truth against the rendered picture, and both against other ways to the same figures."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calibration.rig.camera import focal_px_of, optics, pose_above, project, rays, rotation_matrix, rotation_vector
from calibration.rig.develop import expose
from calibration.rig.outlines import inset, rectangle_outline, regular_outline, signed_distance
from calibration.rig.packing import bend_radius_mm
from calibration.rig.rendering import render
from calibration.rig.scene import (
    Camera,
    Card,
    Curl,
    Face,
    Light,
    Mat,
    Place,
    Post,
    Print,
    Sampling,
    Scene,
    Square,
)
from calibration.rig.truth import card_top, rim_points, truth

Floats = NDArray[np.float64]

SKY = Light(lamps=(), ambient=(1.0, 1.0, 1.0))
"""Even light without shadows, so that brightness is coverage."""
FINE = Sampling(plain=1, face=4, print=144, edge=64, lamp=1)
SOFT = Post(blur_px=0.8, shot=0.0, read=0.0)


def wide_camera(*, tilt_deg: float = 17.0, roll_deg: float = 8.0, width: int = 1200, height: int = 900) -> Camera:
    """A camera with strong distortion of all kinds, off its axis in every way."""
    f = focal_px_of(25.0, width=width, height=height)
    rotation, centre = pose_above(
        target_mm=(4.0, -3.0), distance_mm=f / 6.5, tilt_deg=tilt_deg, azimuth_deg=65.0, roll_deg=roll_deg
    )
    return Camera(
        width=width,
        height=height,
        focal_px=f,
        principal_px=(width / 2 + 7.3, height / 2 - 4.1),
        rotation=rotation,
        centre_mm=centre,
        k1=-0.12,
        k2=0.07,
        k3=-0.02,
        p1=4e-4,
        p2=-7e-4,
    )


def even_card(place: Place, *, thickness_mm: float = 0.3, radius_mm: float = 3.0, curl: Curl | None = None) -> Card:
    """A white card with black walls: all that shows is its top face."""
    return Card(
        outline=rectangle_outline(44.0, 68.0, radius_mm=radius_mm, shear_deg=0.2, taper_mm=0.1),
        place=place,
        width_mm=44.0,
        height_mm=68.0,
        face=Face(style="even"),
        thickness_mm=thickness_mm,
        curl=curl,
        rim_mm=0.0,
        core=(0.0, 0.0, 0.0),
        gloss=0.0,
    )


def saddle_offsets(grey: Floats, start: Floats) -> Floats:
    """Saddle points by a quadratic fitted to the Gaussian-weighted surroundings, three times recentred, (n, 2)."""
    soft = cv2.GaussianBlur(grey, (0, 0), 1.2)
    r = np.arange(-5, 6)
    dx, dy = (g.ravel().astype(float) for g in np.meshgrid(r, r))
    found = start.copy()
    for n in range(len(found)):
        for _ in range(3):
            x0, y0 = np.rint(found[n]).astype(int)
            fx, fy = found[n] - (x0, y0)
            weight = np.exp(-((dx - fx) ** 2 + (dy - fy) ** 2) / 9)
            a = np.column_stack([dx**2, dx * dy, dy**2, dx, dy, np.ones_like(dx)]) * weight[:, None]
            c = np.linalg.lstsq(a, soft[y0 - 5 : y0 + 6, x0 - 5 : x0 + 6].ravel() * weight, rcond=None)[0]
            found[n] = np.linalg.solve([[2 * c[0], c[1]], [c[1], 2 * c[2]]], [-c[3], -c[4]]) + np.array([x0, y0])
    return np.asarray(found - start)


def covered(scene: Scene) -> Floats:
    """Share of each pixel that white covers, from a picture of white on black."""
    picture = render(scene, seed=5)[..., 1].astype(float)
    return np.asarray(picture / np.median(picture[picture > 0.5]))


def area_and_middle(polygon: Floats) -> tuple[float, Floats]:
    """Area and centroid of a polygon (Gauss)."""
    x, y = polygon.T
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    area = cross.sum() / 2
    middle = np.array([((x + np.roll(x, -1)) * cross).sum(), ((y + np.roll(y, -1)) * cross).sum()]) / (6 * area)
    return abs(float(area)), middle


def test_saddle_points_lie_where_the_truth_says() -> None:
    """All saddle points of the 80 mm square, seen through a wide lens: mean offset below 0.02 px, none above 0.04."""
    made = Print(scale_x=1.013, scale_y=0.991, spread_mm=0.05)
    square = Square(design="square-80", place=Place(x_mm=-8.0, y_mm=5.0, turn_deg=23.0))
    scene = Scene(
        camera=wide_camera(), light=SKY, mat=Mat(name="black"), squares=(square,), print=made, post=SOFT, sampling=FINE
    )
    grey = expose(render(scene, seed=1), scene.post, scene.camera)[..., 1].astype(float)
    offsets = saddle_offsets(grey, np.array(truth(scene)["reference"]["points_px"][0]))
    assert len(offsets) >= 60
    assert np.abs(offsets.mean(0)).max() < 0.005
    assert np.hypot(*offsets.T).mean() < 0.02
    assert np.hypot(*offsets.T).max() < 0.04


@pytest.mark.parametrize("curl", [None, Curl(rise_mm=1.0, across=0), Curl(rise_mm=0.8, across=1), Curl(rise_mm=-0.9)])
def test_a_cards_top_face_covers_what_the_truth_says(curl: Curl | None) -> None:
    """Area and centroid of a thick card, flat or curled: every edge within 0.01 px on average, the middle too."""
    card = even_card(Place(x_mm=19.0, y_mm=-8.0, turn_deg=37.0), thickness_mm=0.6, curl=curl)
    scene = Scene(camera=wide_camera(), light=SKY, mat=Mat(name="black"), cards=(card,), sampling=FINE)
    outline = project(scene.camera, card_top(card, rim_points(card.outline, step_mm=0.2)))
    area, middle = area_and_middle(outline)
    share = covered(replace(scene, light=Light(lamps=(), ambient=(1.0, 1.0, 1.0))))
    length = np.hypot(*(np.roll(outline, -1, 0) - outline).T).sum()
    y, x = np.mgrid[: scene.camera.height, : scene.camera.width]
    seen = np.array([(share * x).sum(), (share * y).sum()]) / share.sum()
    assert abs(share.sum() - area) / length < 0.01
    assert np.abs(seen - middle).max() < 0.01


def test_the_walls_cover_what_projection_says() -> None:
    """Area of the side walls seen: that of the hull of top and foot, less that of the top, within 1 %."""
    card = even_card(Place(x_mm=-30.0, y_mm=-18.0, turn_deg=37.0), thickness_mm=0.6)
    camera = replace(wide_camera(), k1=0.0, k2=0.0, k3=0.0, p1=0.0, p2=0.0)  # so that straight lines stay straight
    scene = Scene(camera=camera, light=SKY, mat=Mat(name="black"), cards=(card,), sampling=FINE)
    white = replace(scene, cards=(replace(card, core=(0.8, 0.8, 0.8)),))
    # A wall sees half of the dome, and a black mat.
    seen = float((render(white, seed=5) - render(scene, seed=5))[..., 1].sum(dtype=float)) / (0.8 * 0.5)
    rim = rim_points(card.outline, step_mm=0.2)
    top = project(scene.camera, card_top(card, rim))
    foot = project(scene.camera, card_top(replace(card, thickness_mm=0.0), rim))
    hull = cv2.convexHull(np.vstack([top, foot]).astype(np.float32))[:, 0].astype(float)
    expected = area_and_middle(hull)[0] - area_and_middle(top)[0]
    assert expected > 500
    assert seen == pytest.approx(expected, rel=0.01)


def test_each_side_of_a_card_lies_where_the_truth_says() -> None:
    """Sides near the picture's axes, pixel column by pixel column: mean offset below 0.02 px for all four."""
    card = even_card(Place(x_mm=-14.0, y_mm=7.0, turn_deg=-5.0))
    scene = Scene(camera=wide_camera(roll_deg=0.0), light=SKY, mat=Mat(name="black"), cards=(card,), sampling=FINE)
    share = covered(scene)
    outline = np.array(card.outline.corners_mm)
    corners = np.array(truth(scene)["cards"][0]["corners_px"])
    for side in range(4):
        ends = outline[side], outline[(side + 1) % 4]
        way = np.linspace(0.15, 0.85, 400)[:, None]
        line = project(scene.camera, card_top(card, ends[0] * (1 - way) + ends[1] * way))
        upright = abs(line[-1, 1] - line[0, 1]) > abs(line[-1, 0] - line[0, 0])
        picture, line = (share, line[:, ::-1]) if upright else (share.T, line)
        line = line[np.argsort(line[:, 0])]
        inside = corners.mean(0)[0 if upright else 1] > line[:, 1].mean()
        lines = np.arange(math.ceil(line[0, 0]), math.floor(line[-1, 0]))
        strip = [picture[i, (low := int(line[:, 1].mean()) - 60) : low + 120].sum() for i in lines]
        found = low + 119.5 - np.array(strip) if inside else low - 0.5 + np.array(strip)
        assert abs((found - np.interp(lines, *line.T)).mean()) < 0.02


def test_projection_is_that_of_opencv() -> None:
    """Pixels of points above the table against cv2.projectPoints, another implementation of the same lens model."""
    camera = wide_camera()
    points = np.random.default_rng(3).uniform([-60, -45, 0], [60, 45, 2], (200, 3))
    o = optics(camera)
    matrix = np.array([[o.lens[0], 0, o.lens[1]], [0, o.lens[0], o.lens[2]], [0, 0, 1]])
    lens = np.array([camera.k1, camera.k2, camera.p1, camera.p2, camera.k3])
    vector = np.array(camera.rotation)
    expected, _ = cv2.projectPoints(points, vector, -o.rotation @ o.centre, matrix, lens)
    np.testing.assert_allclose(project(camera, points), expected[:, 0], atol=1e-8)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-0.15, 0.1),
    st.floats(-0.02, 0.05),
    st.floats(0, 35),
    st.floats(0, 360),
    st.floats(-180, 180),
    st.floats(0, 1199),
    st.floats(0, 899),
)
def test_rays_and_projection_undo_each_other(
    k1: float, k2: float, tilt: float, azimuth: float, roll: float, x: float, y: float
) -> None:
    """A pixel's ray, met with the table and projected, is the pixel again: the inverse of the lens is exact."""
    rotation, centre = pose_above(
        target_mm=(2.0, 1.0), distance_mm=300.0, tilt_deg=tilt, azimuth_deg=azimuth, roll_deg=roll
    )
    camera = replace(wide_camera(), rotation=rotation, centre_mm=centre, k1=k1, k2=k2)
    r2 = np.linspace(0, 1.3, 50) ** 2
    assume((1 + 3 * k1 * r2 + 5 * k2 * r2**2 + 7 * camera.k3 * r2**3).min() > 0.1)  # the lens folds nothing over
    ray = rays(camera, np.array([[x, y]]))
    assume(ray[0, 2] < -0.1)
    np.testing.assert_allclose(project(camera, np.array(centre) - ray * centre[2] / ray[0, 2])[0], (x, y), atol=1e-6)


@settings(max_examples=60, deadline=None)
@given(st.tuples(*[st.floats(-1.7, 1.7)] * 3))
def test_rotation_vectors_and_matrices_undo_each_other(vector: tuple[float, float, float]) -> None:
    """A rotation made a matrix and a vector again is the same rotation, near half a turn too."""
    matrix = rotation_matrix(vector)
    np.testing.assert_allclose(matrix @ matrix.T, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(rotation_matrix(rotation_vector(matrix)), matrix, atol=1e-7)


def test_a_camera_straight_above_sees_x_to_the_right_and_y_up() -> None:
    """The picture is not mirrored, and its scale is the focal length over the distance."""
    rotation, centre = pose_above(target_mm=(0.0, 0.0), distance_mm=200.0)
    camera = Camera(
        width=100, height=80, focal_px=1000.0, principal_px=(50.0, 40.0), rotation=rotation, centre_mm=centre
    )
    seen = project(camera, np.array([[0.0, 0, 0], [2.0, 0, 0], [0, 2.0, 0]]))
    np.testing.assert_allclose(seen, [[50, 40], [60, 40], [50, 30]], atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.05, 2.0), st.floats(30, 120), st.sampled_from([0, 1]), st.sampled_from([1, -1]))
def test_a_curled_card_keeps_its_length_and_has_its_rise(rise: float, size: float, across: int, sign: int) -> None:
    """The neutral arc is as long as the card is wide, and its rim stands `rise` above its middle."""
    bend = bend_radius_mm(Curl(rise_mm=sign * rise, across=across), size)
    half = size / 2 / bend
    assert math.copysign(1, bend) == sign
    assert abs(bend) * (1 - math.cos(half)) == pytest.approx(rise, rel=1e-9)


def test_a_curled_cards_top_is_as_long_as_its_arc() -> None:
    """Length along the top face, summed over short chords: the flat width less the share of the bend (no stretch)."""
    card = even_card(Place(x_mm=0.0, y_mm=0.0), thickness_mm=0.0, curl=Curl(rise_mm=1.0, across=1))
    line = np.column_stack([np.zeros(4001), np.linspace(-34, 34, 4001)])
    world = card_top(card, line)
    assert np.linalg.norm(np.diff(world, axis=0), axis=1).sum() == pytest.approx(68.0, abs=1e-6)
    assert world[:, 2].min() == pytest.approx(0.0, abs=1e-9)
    # The box of the sheared and tapered plan is as high as the card, so the rim's rise is exact.
    assert world[-1, 2] == pytest.approx(1.0, abs=1e-6)


def test_distances_from_outlines() -> None:
    """Signed distances of a rounded rectangle, a hexagon and a disc, against figures worked out by hand."""
    rounded = rectangle_outline(40.0, 60.0, radius_mm=5.0)
    core = inset(rounded)

    def away(x: float, y: float) -> float:
        return signed_distance(core, len(core), 5.0, x, y)

    assert away(22.0, 0.0) == pytest.approx(2.0)
    assert away(0.0, -29.0) == pytest.approx(-1.0)
    assert away(20.0, 30.0) == pytest.approx(5 * (math.sqrt(2) - 1))
    hexagon = regular_outline(6, 30.0)
    corners = inset(hexagon)
    assert len(corners) == 6
    assert min(
        signed_distance(corners, 6, 0.0, 17 * math.cos(a), 17 * math.sin(a)) for a in np.arange(24) * math.pi / 12
    )
    assert signed_distance(corners, 6, 0.0, 0.0, 0.0) == pytest.approx(-15.0)
    disc = regular_outline(1, 20.0)
    assert signed_distance(inset(disc), 1, disc.radius_mm, 3.0, 4.0) == pytest.approx(-5.0)


def test_rim_points_lie_on_the_outline() -> None:
    """Every point of the drawn-out rim is at distance zero, corners included, and they go all the way round."""
    for outline in (rectangle_outline(63, 88, radius_mm=3.2, shear_deg=0.2), regular_outline(1, 25.0)):
        points = rim_points(outline)
        core = inset(outline)
        assert max(abs(signed_distance(core, len(core), outline.radius_mm, *p)) for p in points) < 1e-9
        assert abs(np.unwrap(np.arctan2(*points.T))[[0, -1]] @ [1, -1]) > 6.0
