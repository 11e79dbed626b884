"""Straight edges that close to rectangles: on drawn views, where the truth is known exactly."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from cardmeasure.edges.fitting import Looks
from cardmeasure.edges.looks import PARAMETERS, SHADE, SHADOW
from cardmeasure.edges.relief import darkness_px
from cardmeasure.outlines.choosing import chosen, common_share
from cardmeasure.outlines.growing import grown
from cardmeasure.outlines.hard_tables import LEAST_TRIED
from cardmeasure.outlines.lines import View, cues_of, segments_mm, slopes_of
from cardmeasure.outlines.neighbours import beside_each_other
from cardmeasure.outlines.pieces import Outline
from cardmeasure.outlines.rectangles import _Corners, _facing_pairs, closed_rectangles, merged
from cardmeasure.outlines.regions import LEAST_SUPPORT

Floats = NDArray[np.floating[Any]]
PER_MM = 4.0


def box(x: float, y: float, w: float, h: float, *, turn_deg: float = 0.0) -> Floats:
    """Corners (4, 2), mm, clockwise in the view."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    local = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2
    return local @ np.array([[c, s], [-s, c]]) + [x, y]


def drawn(*pieces: tuple[Floats, float], grain: float = 0.0, table: float = 0.12, stripes: float = 0.0) -> View:
    """A view of 200 x 160 mm: boxes of a brightness on a table with grain, here and there crossed by stripes."""
    rng = np.random.default_rng(5)
    light = np.full((640, 800), table, np.float32)
    light *= 1 + grain * cv2.GaussianBlur(rng.standard_normal(light.shape).astype(np.float32), (0, 0), 1.5) * 4
    if stripes:
        light[:, (np.arange(800) % 64) < 16] *= 1 + stripes
    for corners, level in pieces:
        points = np.rint(corners * PER_MM * 256).astype(np.int32)
        cv2.fillPoly(light, [points], level, lineType=cv2.LINE_AA, shift=8)
    light = cv2.GaussianBlur(light, (0, 0), 0.7) + rng.normal(0, 0.001, light.shape).astype(np.float32)
    colour = np.repeat(np.maximum(light, 0.001)[..., None], 3, axis=2)
    return View(cues=cues_of(colour), seen=np.ones(light.shape, bool), origin_mm=np.zeros(2), per_mm=PER_MM)


def found_in(view: View) -> Floats:
    slopes = slopes_of(view)
    closed = closed_rectangles(view, segments_mm(view), slopes, least=LEAST_SUPPORT, ends=True)
    return chosen(view, closed, slopes, ends=True)[0].corners_mm


def off_mm(found: Floats, true: Floats) -> float:
    """Largest distance of corners, whichever comes first."""
    return min(float(np.abs(np.roll(found, k, axis=0) - true).max()) for k in range(4))


@settings(max_examples=12, deadline=None)
@given(
    x=st.floats(80, 120), y=st.floats(70, 90), w=st.floats(40, 66), h=st.floats(60, 92), turn=st.floats(-40, 40),
    level=st.sampled_from([0.03, 0.5]),
)  # fmt: skip
def test_a_card_is_found_wherever_and_however_it_lies(
    x: float, y: float, w: float, h: float, turn: float, level: float
) -> None:
    true = box(x, y, w, h, turn_deg=turn)
    found = found_in(drawn((true, level)))
    assert len(found) == 1
    assert off_mm(found[0], true) < 0.6


def test_the_outermost_rectangle_is_the_card_not_the_picture_on_it() -> None:
    card, picture = box(100, 80, 63, 88), box(100, 74, 55, 50)
    found = found_in(drawn((card, 0.6), (picture, 0.1)))
    assert len(found) == 1
    assert off_mm(found[0], card) < 0.6


def test_stripes_that_run_on_make_no_card() -> None:
    assert len(found_in(drawn(stripes=1.5))) == 0


def test_a_card_on_stripes_is_found() -> None:
    card = box(100, 80, 63, 88, turn_deg=9)
    found = found_in(drawn((card, 0.7), stripes=1.5))
    assert [one for one in found if off_mm(one, card) < 0.7]


def test_a_card_is_closed_though_stripes_as_bright_as_it_hide_both_ends_of_a_side() -> None:
    card, stripes = box(100, 80, 63, 88), [box(x, 18, 9, 36) for x in (72, 128)]
    view = drawn(*((stripe, 0.5) for stripe in stripes), (card, 0.5))
    closed = closed_rectangles(view, segments_mm(view), slopes_of(view), least=LEAST_TRIED, ends=True)
    assert [one for one in closed.corners_mm if off_mm(one, card) < 0.6]


def test_grain_alone_makes_no_card() -> None:
    assert len(found_in(drawn(grain=0.3))) == 0


def test_cards_five_millimetres_apart_are_two() -> None:
    a, b = box(60, 80, 57, 88), box(122, 80, 57, 88)
    found = found_in(drawn((a, 0.5), (b, 0.5)))
    assert len(found) == 2
    assert {min((0, 1), key=lambda k: off_mm(one, (a, b)[k])) for one in found} == {0, 1}


def test_a_faint_border_around_a_clear_picture_is_found() -> None:
    card, picture = box(100, 80, 63, 88), box(100, 80, 56, 81)
    view = drawn((card, 0.62), (picture, 0.15), table=0.60)
    more = grown(view, picture[None], slopes_of(view))
    assert not more.doubtful[0]
    assert off_mm(more.corners_mm[0], card) < 0.5


def test_a_card_without_a_faint_border_stays_as_it_is() -> None:
    card = box(100, 80, 63, 88)
    view = drawn((card, 0.2), table=0.60)
    more = grown(view, card[None], slopes_of(view))
    assert not more.shift_mm.any()
    assert not more.doubtful[0]


def test_a_border_seen_on_two_sides_only_is_doubtful() -> None:
    picture, seen = box(100, 80, 56, 81), box(98, 78, 60, 85)
    view = drawn((seen, 0.64), (picture, 0.3), table=0.60)
    more = grown(view, picture[None], slopes_of(view))
    assert np.count_nonzero(more.shift_mm[0]) == 2
    assert more.doubtful[0]


def test_pieces_of_one_edge_are_put_together() -> None:
    parts = np.array([[[0, 0], [20, 0.0]], [[21, 0.1], [30, 0.1]], [[60, 0], [70, 0.0]], [[0, 5], [20, 5.0]]])
    lines = merged(parts)
    assert len(lines) == 3
    assert np.ptp(lines[0][:, 0]) == pytest.approx(30, abs=0.001)
    assert np.abs(lines[0][:, 1]).max() < 0.15


@given(turn=st.floats(-np.pi, np.pi), far=st.floats(0, 0.02))
def test_corners_that_face_each_other_are_paired_however_they_are_turned(turn: float, far: float) -> None:
    """Along the axes, too, where directions pass from half a turn to minus half a turn."""
    c, s = np.cos(turn), np.sin(turn)
    direction = (np.array([turn, turn + np.pi + far]) + np.pi) % (2 * np.pi) - np.pi
    place = np.array([[0, 0], [63 * c - 88 * s, 63 * s + 88 * c]])
    arms = np.zeros((2, 2), np.intp)
    first, second = _facing_pairs(_Corners(place=place, direction=direction, arms=arms))
    assert {frozenset(pair) for pair in zip(first.tolist(), second.tolist(), strict=True)} == {frozenset((0, 1))}


def test_an_edge_that_shows_beside_every_other_check_is_one() -> None:
    checks = np.array([[[k, 0.02 * (-1) ** k], [k + 8, -0.02 * (-1) ** k]] for k in range(0, 120, 12)], float)
    (line,) = merged(checks)
    assert np.ptp(line[:, 0]) == pytest.approx(116, abs=0.01)


@given(x=st.floats(-60, 60), y=st.floats(-60, 60))
def test_the_common_share_of_equal_squares_is_that_of_their_overlap(x: float, y: float) -> None:
    """To what counting on a grid of 12 x 12 places leaves: half a row and half a column."""
    a, b = box(0, 0, 40, 40), box(x, y, 40, 40)
    true = max(0.0, 1 - abs(x) / 40) * max(0.0, 1 - abs(y) / 40)
    assert common_share(a, b) == pytest.approx(true, abs=2 * 0.5 / 12)


def test_only_sides_that_others_lie_close_to_are_marked_as_lying_beside_them() -> None:
    outlines = tuple(Outline(corners_mm=box(x, 0, 40, 60), flags=()) for x in (0, 41.5, 95))
    of_each = []
    for outline in beside_each_other(outlines):
        middles = (outline.corners_mm + np.roll(outline.corners_mm, -1, axis=0)) / 2
        of_each.append(middles[list(outline.beside)].tolist())
    assert of_each == [[[20, 0]], [[21.5, 0]], []]


def _looks(shadow: tuple[float, ...], shade: float) -> Looks:
    p = np.zeros((4, PARAMETERS))
    p[:, SHADOW], p[:, SHADE] = shadow, shade
    return Looks(parameters=p, normal=np.tile(np.eye(PARAMETERS), (4, 1, 1)), cost=np.zeros(4))


def test_the_light_that_a_shadow_takes_is_that_of_a_black_strip() -> None:
    assert darkness_px(_looks((4, 4, 0, 0), 0.5)).tolist() == [2, 2, 0, 0]
