"""What sides have in common: widths of walls in the picture, directions, and what sure sides teach the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_sides import DISTANCE_PX, Side, drawn, surroundings
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project, rotation_matrix
from cardmeasure.edges import looks as lk
from cardmeasure.edges.fitting import LookPriors, Looks, fit_looks
from cardmeasure.edges.lighting import (
    Surroundings,
    outward_azimuth_rad,
    priors_before,
    priors_learned,
    wall_widths_px,
)
from cardmeasure.edges.profiles import Profiles, places_and_normals

Floats = NDArray[np.float64]

DARK, GREEN = (0.03, 0.03, 0.04), (0.05, 0.12, 0.07)


def _camera(tilt: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Camera:
    return Camera(
        rotation=rotation_matrix(np.array(tilt)), translation_mm=np.array([0.0, 0.0, 300.0]), focal_px=3000.0,
        principal_px=np.array([2000.0, 1500.0]), distortion=np.zeros(5),
    )  # fmt: skip


def _middles(camera: Camera, quad: Floats) -> Profiles:
    """The middles of a card's four sides, without light."""
    side, along = np.arange(4), np.zeros(4)
    px, normal = places_and_normals(camera, np.tile(quad, (4, 1)), side, along)
    return Profiles(
        card=np.zeros(4, np.intp), side=side, along=along, px=px, normal=normal, distance_px=np.zeros((4, 1)),
        light=np.zeros((4, 1, 3)), weight=np.ones((4, 1)), inside=np.ones(4, bool),
    )  # fmt: skip


def _quad(x: float, y: float, *, turn: float = 0.0, elevation: float = 0.25) -> Floats:
    quad = np.zeros(qd.PARAMETERS)
    quad[: qd.HEIGHT + 1], quad[qd.ELEVATION] = (x, y, turn, 60.0, 90.0), elevation
    return quad


def test_the_wall_that_faces_the_camera_is_seen_and_the_far_one_hidden() -> None:
    """A card to the right of a camera that looks straight down: similar triangles give the widths."""
    quad, paper = _quad(100.0, 0.0, elevation=0.25), 0.1
    widths = wall_widths_px(_camera(), quad[None], _middles(_camera(), quad), paper_mm=paper)

    def inward(x: float) -> float:
        return 3000.0 * x * (1 / (300 - 0.25) - 1 / (300 + paper))

    # top, right, bottom, left: the right side is 130 mm off, the left one 70 mm, the others half the height
    np.testing.assert_allclose(widths, [-inward(45), -inward(130), -inward(45), inward(70)], rtol=1e-6)


@given(turn=st.floats(-3.1, 3.1), tilt=st.floats(-0.4, 0.4))
def test_the_azimuth_of_a_side_is_where_it_lies_from_the_middle(turn: float, tilt: float) -> None:
    quad = _quad(5.0, -20.0, turn=turn)
    profiles = _middles(_camera((tilt, 0.1, 0.3)), quad)
    azimuth = outward_azimuth_rad(quad[None], profiles)
    middles = qd.world_points(np.tile(quad, (4, 1)), qd.side_places(profiles.side, np.zeros(4)))[:, :2] - quad[:2]
    way = middles / np.linalg.norm(middles, axis=1)[:, None]
    np.testing.assert_allclose(np.column_stack([np.cos(azimuth), np.sin(azimuth)]), way, rtol=0, atol=1e-9)
    outward = project(_camera((tilt, 0.1, 0.3)), np.column_stack([quad[:2] + 1.02 * middles, np.full(4, -0.25)]))
    assert (((outward - profiles.px) * profiles.normal).sum(axis=1) > 0).all(), "normals look the same way"


def _fitted(light: Floats, around: Surroundings) -> tuple[LookPriors, Looks]:
    before = priors_before(around, light[:, 0], light[:, -1], u_place_px=1.5)
    distance, weight = np.tile(DISTANCE_PX, (len(light), 1)), np.full(light.shape[:2], 50.0)
    return before, fit_looks(distance, light, weight, priors=before, start=before.mean)


def _u(priors: LookPriors, column: int) -> Floats:
    return np.sqrt(priors.covariance[:, column, column])


def _walls(levels: Floats) -> Floats:
    return np.concatenate(
        [drawn(Side(place=0.0, wall_px=1.8, face=DARK, wall=(w, w, w), table=GREEN)) for w in levels.tolist()]
    )


def test_sides_that_hide_their_walls_learn_from_those_that_look_the_same_way() -> None:
    """Every other of 24 sides hides its wall; for it the level is learned to 0.05, from a prior with u of 0.12."""
    n = 24
    hidden = np.arange(n) % 2 == 1
    around = surroundings(n, width=np.where(hidden, -1.8, 1.8))
    true = 0.25 + 0.12 * np.sin(around.azimuth_rad)
    light = _walls(true)
    light[hidden] = drawn(Side(place=0.0, wall_px=-1.8, face=DARK, table=GREEN))
    before, looks = _fitted(light, around)
    learned = priors_learned(before, looks, around)
    for k in range(lk.WALL.start, lk.WALL.stop):
        np.testing.assert_allclose(learned.mean[hidden, k], true[hidden], atol=0.05)
        assert (_u(learned, k)[hidden] < 0.6 * _u(before, k)[hidden]).all()
        assert (np.abs(learned.mean[:, k] - true) < 3 * _u(learned, k)).all()


def test_walls_beside_pale_faces_teach_nothing() -> None:
    """In the lamp's light they pass for more of the face."""
    n = 24
    around = surroundings(n, width=np.full(n, 1.8))
    light = np.concatenate([drawn(Side(place=0.0, wall_px=1.8, face=(0.6,) * 3, wall=(0.2,) * 3, table=GREEN))] * n)
    before, looks = _fitted(light, around)
    learned = priors_learned(before, looks, around)
    assert (_u(learned, lk.WALL.start) >= _u(before, lk.WALL.start) - 1e-9).all()


def test_walls_that_look_towards_the_lamp_are_expected_to_be_brighter() -> None:
    """Shadows beside bright borders say where the lamp stands; a wall's light is that of the room and of the lamp."""
    n, white, shade = 24, 0.7, 0.3
    around = surroundings(n, width=np.full(n, -0.3), thickness=3.0)
    away = np.cos(around.azimuth_rad)
    light = np.concatenate([
        drawn(Side(place=0.0, wall_px=-0.3, face=(0.6,) * 3, table=(0.2,) * 3, rim=0.3, shade=shade,
                   shadow_px=4.5 * max(float(a), 0.0)))
        for a in away
    ])  # fmt: skip
    before, looks = _fitted(light, around)
    learned = priors_learned(before, looks, around)
    more = learned.mean[:, lk.WALL].mean(axis=1) - before.mean[:, lk.WALL].mean(axis=1)
    expected = 0.5 * (1 - shade) * white * 1.5 * np.maximum(-away, 0.0)
    np.testing.assert_allclose(more[away < -0.7], expected[away < -0.7], rtol=0.5)
    np.testing.assert_allclose(more[away > 0.3], 0.0, atol=1e-9)
    assert (_u(learned, lk.WALL.start) >= _u(before, lk.WALL.start) - 1e-9).all()


@pytest.mark.parametrize("level", [0.5, 0.7])
def test_sides_that_are_mistaken_do_not_spoil_what_the_others_teach(level: float) -> None:
    """Three neighbours of 16 seem to have much brighter walls: a third of what plain least squares would be moved."""
    around = surroundings(16, width=np.full(16, 1.8))
    true = 0.25 + 0.1 * np.cos(around.azimuth_rad)
    before, looks = _fitted(_walls(true), around)
    wrong = looks.parameters.copy()
    wrong[3:6, lk.WALL] = level
    means = [priors_learned(before, replace(looks, parameters=p), around).mean for p in (looks.parameters, wrong)]
    np.testing.assert_allclose(means[1][:, lk.WALL], means[0][:, lk.WALL], rtol=0, atol=0.02)


@pytest.mark.parametrize(("face", "sides", "are_taught"), [
    (0.7, 2, False), (0.7, 3, True), (0.7, 12, True), (0.02, 4, False), (0.02, 8, True),
])  # fmt: skip
def test_few_bright_faces_or_many_dark_ones_teach_shadows(face: float, sides: int, are_taught: bool) -> None:
    """On a bright table, where shadows stand out, on sides that look away from the lamp; a dark strip beside a dark
    face may be more of that."""
    around = surroundings(sides, width=np.full(sides, -0.3), thickness=3.0)
    around = replace(around, azimuth_rad=np.linspace(0.8, 1.6, sides))
    side = Side(place=0.1, wall_px=-0.3, face=(face,) * 3, table=(0.4, 0.35, 0.3), shadow_px=4.0, shade=0.3, rim=0.3)
    before, looks = _fitted(np.repeat(drawn(side), sides, axis=0), around)
    learned = priors_learned(before, looks, around)
    for column, true, within in ((lk.SHADOW, 4.0, 0.5), (lk.SHADE, 0.3, 0.08)):
        if are_taught:
            np.testing.assert_allclose(learned.mean[:, column], true, atol=within)
            assert (_u(learned, column) < 0.6 * _u(before, column)).all()
        else:
            np.testing.assert_array_equal(learned.mean[:, column], before.mean[:, column])
            assert (_u(learned, column) >= _u(before, column)).all()


def test_no_shadow_is_expected_towards_the_lamp() -> None:
    """A lamp's shadows grow as sides look away from it: those across, and those at right angles, have none."""
    n, thickness = 24, 3.0
    around = surroundings(n, width=np.full(n, -0.3), thickness=thickness)
    away = np.cos(around.azimuth_rad)
    light = np.concatenate([
        drawn(Side(place=0.0, wall_px=-0.3, face=(0.6,) * 3, table=(0.3,) * 3, rim=0.3, shade=0.3,
                   shadow_px=6.0 * max(float(a), 0.0)))
        for a in away
    ])  # fmt: skip
    before, looks = _fitted(light, around)
    learned = priors_learned(before, looks, around)
    np.testing.assert_allclose(learned.mean[away > 0.3, lk.SHADOW], 6.0 * away[away > 0.3], atol=0.8)
    assert (learned.mean[away < -0.2, lk.SHADOW] < 0.5).all()
    assert (before.mean[:, lk.SHADOW] > 2.0).all()


def test_blur_and_sharpening_are_learned_from_all_sides() -> None:
    """Sides sharpened by 0.45, with a blur of 1.05 px: both are expected to be otherwise."""
    n = 12
    around = surroundings(n, width=np.full(n, -0.5))
    light = np.concatenate(
        [
            drawn(Side(place=p, blur=1.05, sharpening=0.45, face=(0.7,) * 3, table=GREEN))
            for p in np.linspace(-0.5, 0.5, n)
        ]
    )
    before, looks = _fitted(light, around)
    learned = priors_learned(before, looks, around)
    np.testing.assert_allclose(learned.mean[:, lk.BLUR], 1.05, atol=0.05)
    np.testing.assert_allclose(learned.mean[:, lk.SHARPENING], 0.45, atol=0.1)
    assert (_u(learned, lk.BLUR) < 0.3 * _u(before, lk.BLUR)).all()


def test_priors_learned_are_still_proper() -> None:
    """Covariances are symmetric and positive, levels and reaches not negative, whatever the fits say."""
    rng = np.random.default_rng(3)
    around = surroundings(12, width=rng.normal(0, 1.5, 12))
    before, looks = _fitted(_walls(rng.uniform(0.02, 0.5, 12)), around)
    wild = replace(looks, parameters=looks.parameters + rng.normal(0, 0.5, looks.parameters.shape))
    for priors in (before, priors_learned(before, wild, around)):
        np.testing.assert_array_equal(priors.covariance, priors.covariance.transpose(0, 2, 1))
        assert np.linalg.eigvalsh(priors.covariance).min() > 0
        assert (priors.mean[:, lk.WALL] >= 0).all()
        assert (priors.mean[:, lk.SHADOW] >= 0).all()
        np.testing.assert_allclose(priors.precision @ priors.covariance, np.tile(np.eye(15), (12, 1, 1)), atol=1e-6)
