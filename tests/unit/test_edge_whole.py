"""How whole sides look, found from several starts; what stays doubtful; and what a second pass takes over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_sides import DISTANCE_PX, Side, drawn, surroundings
from numpy.typing import NDArray

from cardmeasure.edges import looks as lk
from cardmeasure.edges.profiles import Profiles
from cardmeasure.edges.shading import UNKNOWN_SOFTNESS
from cardmeasure.edges.whole import SideLooks, ends, looks_of_sides, scatter_at_ends

Floats = NDArray[np.float64]

WHITE, BLACK, GREEN = (0.7, 0.65, 0.72), (0.03, 0.03, 0.04), (0.06, 0.14, 0.08)


def _profiles(light: Floats) -> Profiles:
    """Sides (n,) in a row, four a card."""
    n = len(light)
    return Profiles(
        card=np.arange(n) // 4, side=np.arange(n) % 4, along=np.zeros(n), px=np.zeros((n, 2)),
        normal=np.tile([1.0, 0.0], (n, 1)), distance_px=np.tile(DISTANCE_PX, (n, 1)), light=light,
        weight=np.full(light.shape[:2], 50.0), inside=np.ones(n, bool),
    )  # fmt: skip


def _looked(sides: list[Side], *, u_place_px: float = 2.5) -> SideLooks:
    """With the walls' widths known to 0.05 px."""
    light = np.concatenate([drawn(replace(side, wall_height_px=3.0)) for side in sides])
    around = surroundings(len(sides), width=np.array([side.wall_px for side in sides]))
    return looks_of_sides(_profiles(light), around, u_place_px=u_place_px, before=None)


def _u(found: SideLooks) -> Floats:
    return np.hypot(found.looks.u_place_px, found.doubt_px)


KINDS = {
    "white border, hidden wall": Side(place=0.0, wall_px=-0.8, face=WHITE, table=GREEN, shadow_px=2.5, shade=0.5),
    "white border, wall": Side(place=0.0, wall_px=1.5, face=WHITE, table=GREEN, shadow_px=2.5, shade=0.5),
    "black border, wall": Side(place=0.0, wall_px=1.5, face=BLACK, table=GREEN, shadow_px=1.5, shade=0.6),
    "coloured border, shadow": Side(
        place=0.0, wall_px=-0.4, face=(0.05, 0.08, 0.4), table=GREEN, shadow_px=4.0, shade=0.4
    ),
}


@pytest.mark.parametrize("kind", list(KINDS))
def test_the_edge_is_found_from_a_prediction_two_pixels_off(kind: str) -> None:
    """Within 2.5 times what is stated for each side, which is 0.3 px at most, and to a tenth of a pixel."""
    places = np.linspace(-2.0, 2.0, 12)
    found = _looked([replace(KINDS[kind], place=p, rim=UNKNOWN_SOFTNESS) for p in places.tolist()])
    assert (_u(found) < 0.3).all()
    assert (np.abs(found.looks.place_px - places) < 0.1).all()
    assert (np.abs(found.looks.place_px - places) < 2.5 * np.hypot(_u(found), 0.03)).all()


RIDDLE = Side(
    place=0.3, wall_px=-0.5, face=(0.06,) * 3, wall=(0.1,) * 3, table=(0.2,) * 3, shadow_px=3.5, shade=0.3,
    rim=UNKNOWN_SOFTNESS,
)  # fmt: skip
"""A black border beside a shadow as dark, on a grey table: where one ends and the other begins cannot be seen."""


def test_a_shadow_that_looks_like_the_border_leaves_doubt() -> None:
    """The stated uncertainty covers the truth, and is far larger than beside a white border."""
    clear, doubtful = (_looked([side]) for side in (replace(RIDDLE, face=WHITE), RIDDLE))
    assert abs(doubtful.looks.place_px[0] - RIDDLE.place) < 2.5 * _u(doubtful)[0]
    assert abs(clear.looks.place_px[0] - RIDDLE.place) < 0.05
    assert _u(doubtful)[0] > 10 * _u(clear)[0]


def test_how_dark_other_sides_shadows_are_settles_the_riddle() -> None:
    """Fifteen sides with white borders show their shadows: for that the black one is placed right, with less doubt."""
    others = [replace(RIDDLE, face=WHITE, place=p) for p in np.linspace(-0.5, 0.5, 15).tolist()]
    alone, taught = _looked([RIDDLE]), _looked([*others, RIDDLE])
    assert abs(taught.looks.place_px[-1] - RIDDLE.place) < 0.2
    assert _u(taught)[-1] < 0.25 * _u(alone)[0]


def test_a_second_pass_begins_where_the_first_ended() -> None:
    """Drawn anew about 0 they are found where the first pass found them to 0.02 px, with the blur that finer bins
    make."""
    places = np.linspace(-1.0, 1.0, 8)
    sides = [replace(KINDS["white border, wall"], place=p) for p in places.tolist()]
    sides = [replace(side, rim=UNKNOWN_SOFTNESS, wall_height_px=3.0) for side in sides]
    light = np.concatenate([drawn(side) for side in sides])
    around = replace(surroundings(len(sides), width=np.full(len(sides), 1.5)), bins_px=0.29)
    first = looks_of_sides(_profiles(light), around, u_place_px=2.5, before=None)
    again = np.concatenate([drawn(replace(side, place=0.0, blur=0.87)) for side in sides])
    second = looks_of_sides(_profiles(again), replace(around, bins_px=0.19), u_place_px=0.8, before=first)
    np.testing.assert_allclose(second.looks.place_px, first.looks.place_px - places, rtol=0, atol=0.02)
    assert (np.abs(second.looks.place_px) < 2 * second.looks.u_place_px).all()
    expected = np.sqrt(first.priors.mean[:, lk.BLUR] ** 2 - 0.29**2 + 0.19**2)
    np.testing.assert_allclose(second.priors.mean[:, lk.BLUR], expected, rtol=1e-9)
    np.testing.assert_allclose(second.doubt_px, first.doubt_px, rtol=0, atol=1e-9)


def test_a_few_sides_are_seen_as_the_whole_photo_has_taught() -> None:
    """One card's sides alone teach nothing of blur or shadows; their own levels and places stay their own."""
    sides = [
        replace(KINDS["white border, hidden wall"], place=p, blur=1.1) for p in np.linspace(-1.0, 1.0, 16).tolist()
    ]
    light = np.concatenate([drawn(replace(side, wall_height_px=3.0)) for side in sides])
    around = surroundings(len(sides), width=np.full(len(sides), -0.8))
    whole = looks_of_sides(_profiles(light), around, u_place_px=2.5, before=None)
    few = np.arange(2)
    lone = replace(
        around, **{k: getattr(around, k)[few] for k in
                   ("width_px", "u_width_px", "azimuth_rad", "thickness_px", "u_thickness", "blur_px")}
    )  # fmt: skip
    untaught = looks_of_sides(_profiles(light).rows(few), lone, u_place_px=2.5, before=None)
    taught = looks_of_sides(_profiles(light).rows(few), lone, u_place_px=2.5, before=None, taught=whole.rows(few))
    common = [lk.BLUR, lk.SHADOW, lk.SHADE]
    np.testing.assert_allclose(taught.priors.mean[:, common], whole.priors.mean[few][:, common], rtol=1e-9)
    assert (untaught.priors.covariance[:, lk.BLUR, lk.BLUR] > taught.priors.covariance[:, lk.BLUR, lk.BLUR]).all()
    np.testing.assert_allclose(taught.looks.place_px, whole.looks.place_px[few], atol=0.01)


def test_a_wall_as_bright_as_the_face_is_not_taken_for_more_of_it() -> None:
    """Beside a lit wall the face seems 2 px wider, but then no wall is left: the place is right to 0.05 px."""
    places = np.array([-3.5, -3.0, -2.5, -2.0])
    lit = Side(
        place=0.0, wall_px=2.0, face=(0.33, 0.34, 0.34), wall=(0.38, 0.39, 0.39), table=(0.07, 0.025, 0.013),
        rim=UNKNOWN_SOFTNESS, sharpening=0.2,
    )  # fmt: skip
    found = _looked([replace(lit, place=p) for p in places.tolist()])
    np.testing.assert_allclose(found.looks.place_px, places, rtol=0, atol=0.05)


def test_a_dark_strip_is_a_shadow_where_the_photo_knows_how_far_shadows_reach() -> None:
    """A border as black as its shadow, which is 3 px wide: others' shadows, half hidden by their faces, tell their
    reach, though not how dark they are."""
    beside = Side(
        place=0.0, wall_px=-1.8, shadow_px=3.0, shade=0.3, face=WHITE, table=(0.12,) * 3, rim=UNKNOWN_SOFTNESS
    )
    black = replace(beside, wall_px=-0.1, face=(0.045,) * 3)
    places = np.array([-1.0, -0.5, 0.0, 0.5])
    found = _looked(
        [replace(beside, place=p) for p in np.linspace(-0.5, 0.5, 12).tolist()]
        + [replace(black, place=p) for p in places.tolist()]
    )
    off = found.looks.place_px[12:] - places
    assert (np.abs(off) < 0.5).all()
    assert (np.abs(off) < 2 * _u(found)[12:]).all()


def test_sides_taken_out_keep_what_was_found_of_them() -> None:
    found = _looked([replace(KINDS["white border, wall"], place=p) for p in (-0.4, 0.0, 0.4)])
    some = found.rows(np.array([2, 0]))
    np.testing.assert_array_equal(some.looks.place_px, found.looks.place_px[[2, 0]])
    np.testing.assert_array_equal(some.priors.mean, found.priors.mean[[2, 0]])
    np.testing.assert_array_equal(some.doubt_px, found.doubt_px[[2, 0]])


def test_the_ends_of_a_profile_are_the_levels_of_face_and_table() -> None:
    """Marks and noise near the ends show in the scatter."""
    light = np.repeat(drawn(KINDS["black border, wall"]), 2, axis=0)
    light[1] += np.random.default_rng(2).normal(0, 0.02, light[1].shape)
    sides = _profiles(light)
    (face, table), scatter = ends(sides), scatter_at_ends(sides)
    np.testing.assert_allclose(face, [BLACK, BLACK], atol=0.03)
    np.testing.assert_allclose(table, [GREEN, GREEN], atol=0.03)
    assert (scatter[0] < 0.003).all()
    assert (np.abs(scatter[1] - 0.02) < 0.01).all()
