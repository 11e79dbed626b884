"""The truth beside each shot, and the scenes drawn at random."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.rig.camera import focal_px_of, pose_above, project
from calibration.rig.draws import FACES, bank_card, border_contrast, draw_card, draw_print
from calibration.rig.face_rasters import STYLES, face_raster
from calibration.rig.groups import CHANGES, GAP_MM, random_scene, separation_mm
from calibration.rig.mats import MATS, cover_of
from calibration.rig.outlines import regular_outline
from calibration.rig.packing import bend_radius_mm
from calibration.rig.scene import Camera, Card, Face, Light, Mat, Place, Print, Scene, Square
from calibration.rig.truth import clockwise_from_top_left, on_table, truth


def camera_above(*, width: int = 400, height: int = 300) -> Camera:
    """A camera straight above the origin that sees some 480 x 360 mm."""
    f = focal_px_of(26.0, width=width, height=height)
    rotation, centre = pose_above(target_mm=(0.0, 0.0), distance_mm=f / (width / 480))
    return Camera(
        width=width,
        height=height,
        focal_px=f,
        principal_px=(width / 2, height / 2),
        rotation=rotation,
        centre_mm=centre,
    )


def card_at(x_mm: float, y_mm: float, *, turn_deg: float = 0.0, base_mm: float = 0.0, seed: int = 1) -> Card:
    """A 63 x 88 card."""
    card = draw_card(np.random.default_rng(seed), nominal=(63.0, 88.0, "poker"))
    return replace(card, place=Place(x_mm=x_mm, y_mm=y_mm, turn_deg=turn_deg, base_mm=base_mm))


def scene_of(*cards: Card, made: Print | None = None) -> Scene:
    """Cards around an 80 mm square in the middle."""
    return Scene(
        camera=camera_above(),
        light=Light(lamps=()),
        mat=Mat(name="black"),
        squares=(Square(design="square-80", place=Place(x_mm=0.0, y_mm=0.0)),),
        cards=cards,
        print=made or Print(),
    )


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 3), st.booleans(), st.floats(0, 360))
def test_corners_run_clockwise_from_the_top_left(start: int, backwards: bool, turn: float) -> None:
    """Whatever corner a quadrilateral starts with, and whichever way round."""
    angle = math.radians(turn)
    matrix = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    corners = np.array([[-30.0, -40], [30, -40], [30, 40], [-30, 40]]) @ matrix.T + [200, 150]
    shuffled = np.roll(corners[::-1] if backwards else corners, start, 0)
    found = clockwise_from_top_left(shuffled)
    sides = np.roll(found, -1, 0) - found
    assert (sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1) > 0).all()
    assert np.hypot(*found[0]) == np.hypot(*corners.T).min()


@pytest.mark.parametrize(
    ("place", "trouble"),
    [
        ((100.0, 0.0, 0.0, 0.0), None),
        ((225.0, 0.0, 0.0, 0.0), "cut-by-frame"),
        ((-60.0, 10.0, 20.0, 0.1), "overlapped"),
    ],
)
def test_what_cannot_be_measured_is_expected_to_be_flagged(
    place: tuple[float, float, float, float], trouble: str | None
) -> None:
    """A free card, one cut by the frame, one over the square."""
    x, y, turn, base = place
    row = truth(scene_of(card_at(x, y, turn_deg=turn, base_mm=base)))["cards"][0]
    assert row["trouble"] == trouble
    assert row["expect"] == ("measured" if trouble is None else "flagged")


def test_cards_that_touch_or_overlap_are_expected_to_be_flagged() -> None:
    """Side by side without a gap, one over the other, and 2 mm apart."""
    a = replace(card_at(100.0, 0.0), outline=regular_outline(4, 60.0))
    for x, expected in ((160.02, "touching"), (140.0, "overlapped"), (162.0, None)):
        rows = truth(scene_of(a, replace(a, place=Place(x_mm=x, y_mm=0.0))))["cards"]
        assert [row["trouble"] for row in rows] == [expected, expected]


def test_the_truth_of_a_card_seen_from_straight_above() -> None:
    """Corners against plain arithmetic: the top face is nearer, so it is magnified by its height."""
    card = replace(bank_card(np.random.default_rng(3)), place=Place(x_mm=110.0, y_mm=20.0))
    scene = scene_of(card)
    row = truth(scene)["cards"][0]
    px_per_mm = scene.camera.focal_px / (scene.camera.centre_mm[2] - 0.76)
    size = np.array([[-card.width_mm, card.height_mm], [card.width_mm, card.height_mm]]) / 2
    corners = np.vstack([size, -size]) + np.array([110.0, 20.0])
    corners = corners * px_per_mm * [1, -1] + np.array([200, 150])
    np.testing.assert_allclose(row["corners_px"], corners, atol=1e-3)
    assert (row["size_class"], row["thickness_mm"], row["shape"]) == ("id-1", 0.76, "rectangle")


def test_the_truth_of_the_square_follows_the_print_scale() -> None:
    """Saddle points of a print 2 % too wide and 1 % too short, against design times scale."""
    scene = scene_of(made=Print(scale_x=1.02, scale_y=0.99))
    rows = truth(scene)["reference"]
    from cardmeasure.reference.design import SQUARE_80

    flat = SQUARE_80.saddles_mm * [1.02, -0.99]
    world = np.column_stack([flat, np.full(len(flat), 0.10)])
    np.testing.assert_allclose(rows["points_px"][0], project(scene.camera, world), atol=1e-3)
    assert (rows["scale_x"], rows["scale_y"], rows["design"]) == (1.02, 0.99, "square-80")


@pytest.mark.parametrize("group", sorted(CHANGES))
def test_a_drawn_scene_is_reproducible_and_free_of_overlaps(group: str) -> None:
    """Same arguments, same scene; every card whole in the frame and well apart from all others."""
    scene = random_scene(group, 5, cards=4)
    assert scene == random_scene(group, 5, cards=4)
    assert scene != random_scene(group, 6, cards=4)
    rows = truth(scene)["cards"]
    assert len(rows) >= 3
    assert all(row["expect"] == "measured" for row in rows)
    polygons = [on_table(c.place, np.array(c.outline.corners_mm)) for c in scene.cards]
    pairs = [(a, b) for i, a in enumerate(polygons) for b in polygons[:i]]
    assert min(separation_mm(a, b) for a, b in pairs) >= GAP_MM


def test_crowded_scenes_hold_twelve_cards() -> None:
    """At 9.3 px/mm there is room for twelve cards and the square in 12 megapixels."""
    assert len(random_scene("kind", 1, cards=12, px_per_mm=9.3).cards) == 12


def test_borders_differ_from_the_mat() -> None:
    """No card is nearly as dark as the felt it lies on, unless that is asked for."""
    kind = random_scene("kind", 3, cards=12, mat="dark-felt", px_per_mm=9.4)
    assert min(border_contrast(card, "dark-felt") for card in kind.cards) >= 0.5
    plain = random_scene("kind", 3, cards=12, mat="dark-felt", px_per_mm=9.4, contrast=0.0)
    assert min(border_contrast(card, "dark-felt") for card in plain.cards) < 0.5
    assert [card.place for card in kind.cards] == [card.place for card in plain.cards]


def test_the_groups_differ_in_what_they_are_named_after() -> None:
    """Print scale of misprints, thickness of curls, noise, tone and light, drawn over a few seeds."""
    for seed in range(3):
        kind = random_scene("kind", seed, cards=2)
        assert abs(kind.print.scale_x - 1) < 0.015
        assert all(card.curl is None for card in kind.cards)
        assert kind.post.tone == "srgb"
        assert 0.94 <= random_scene("misprint", seed, cards=2).print.scale_x <= 0.985
        assert all(
            0.2 <= abs(card.curl.rise_mm) <= 1 for card in random_scene("curl", seed, cards=2).cards if card.curl
        )
        assert random_scene("noise", seed, cards=2).post.read > 2 * kind.post.read
        assert random_scene("tone", seed, cards=2).post.tone != "srgb"
        assert 15 <= truth(random_scene("tilt", seed, cards=2))["camera"]["tilt_deg"] <= 35.01
        lamp = random_scene("hard", seed, cards=2).light.lamps[0]
        assert lamp.centre_mm[2] / math.dist(lamp.centre_mm, (0, 0, 0)) < math.sin(math.radians(40.01))


def test_no_curled_face_could_shadow_itself() -> None:
    """The rig traces no shadow of a face on itself: all lamps stand higher than curled faces lean."""
    for seed in range(6):
        scene = random_scene("curl", seed, cards=4)
        lamp = scene.light.lamps[0].centre_mm
        elevation = math.atan2(lamp[2], math.hypot(*lamp[:2]))
        for card in scene.cards:
            assert card.curl is not None
            length = (card.width_mm, card.height_mm)[card.curl.across]
            assert length / 2 / abs(bend_radius_mm(card.curl, length)) < 0.5 * elevation


def test_the_truth_says_how_bright_each_side_is() -> None:
    """A white border is bright all round, a black one dark; a turned card's sides turn with its corners."""
    for style, low, high in (("white-border", 0.6, 0.9), ("black-border", 0.03, 0.1)):
        card = replace(card_at(100.0, 0.0), face=Face(style=style, seed=4))
        border = truth(scene_of(card))["cards"][0]["border"]
        assert low < min(border) <= max(border) < high
    card = replace(card_at(100.0, 0.0), face=Face(style="full-bleed", seed=4))
    straight, turned = (
        truth(scene_of(replace(card, place=Place(x_mm=100.0, y_mm=0.0, turn_deg=turn))))["cards"][0]["border"]
        for turn in (0.0, -90.0)
    )
    assert straight == turned[1:] + turned[:1]


def test_priors_are_those_documented() -> None:
    """Standard deviations over many draws: print scale 0.3 %, thickness 0.03 mm, cutting scatter 0.1 mm."""
    rng = np.random.default_rng(2)
    prints = [draw_print(rng) for _ in range(800)]
    cards = [draw_card(rng, nominal=(44.0, 68.0, None)) for _ in range(800)]
    assert np.std([p.scale_x for p in prints]) == pytest.approx(0.003, rel=0.1)
    assert np.std([c.thickness_mm for c in cards]) == pytest.approx(0.03, rel=0.1)
    assert np.std([c.width_mm for c in cards]) == pytest.approx(0.1, rel=0.1)
    assert np.corrcoef([p.scale_x for p in prints], [p.scale_y for p in prints])[0, 1] == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("style", sorted(STYLES))
def test_faces_are_reflectances_and_depend_on_their_seed(style: str) -> None:
    """Every style gives values from ink to paper; the same seed the same face."""
    first, again, other = (
        face_raster(Face(style=style, seed=s), width_mm=63, height_mm=88, px_per_mm=6) for s in (1, 1, 2)
    )
    assert first.shape == (528, 378, 3)
    assert first.min() >= 0.03
    assert first.max() <= 0.86
    np.testing.assert_array_equal(first, again)
    assert (style == "even") == bool((first == other).all())


def test_there_are_seven_kinds_of_face_and_five_plain_mats() -> None:
    """What the study draws from."""
    assert len(set(FACES)) == 7
    assert set(FACES) <= set(STYLES)
    assert len({m for m in MATS if m not in ("even", "black")}) >= 5


@pytest.mark.parametrize("name", sorted(MATS))
def test_mats_have_the_mean_colour_they_declare(name: str) -> None:
    """Mean reflectance of the tile within 3 %, and never below zero."""
    tile = cover_of(Mat(name=name, seed=3), px_per_mm=6.0).tile
    np.testing.assert_allclose(tile.mean((0, 1)), MATS[name].rgb, rtol=0.03, atol=1e-6)
    assert tile.min() >= 0
