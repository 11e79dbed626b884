"""Which rectangles a closer look bears out as cards: on made-up looks, each unlike a card's in one way."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from cardmeasure.outlines.trials import Trials
from cardmeasure.outlines.trusting import has_corners_of_several, trusted, trusted_in_pile

Floats = NDArray[np.floating[Any]]
NOMINAL = np.array([[63.0, 88.0], [57.0, 88.0], [44.0, 68.0]])
ROUND, SQUARE = [3.0, 3.1, 2.9, 3.0], [0.0, 0.3, 0.2, 0.1]
TABLE, BORDER = [0.02, 0.0, 0.05, 0.1], [1.2, 1.3, 1.1, 1.4]


def box(x: float, y: float, w: float, h: float) -> Floats:
    """Corners (4, 2), mm, clockwise (y down)."""
    return np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2 + [x, y]


def look(
    quad: Floats, radii: list[float], unlike: list[float], *, misfit: float = 2.0, clarity: float = 20.0,
    seen: tuple[bool, ...] = (True,) * 4,
) -> Trials:  # fmt: skip
    return Trials(
        corners_mm=quad[None], found=np.array([True]), clarity=np.full((1, 4), clarity), misfit=np.full((1, 4), misfit),
        used=np.ones((1, 4)), radii_mm=np.array([radii]), u_radii_mm=np.where([seen], 0.1, np.inf),
        shadow_px=np.zeros((1, 4)), unlike=np.array([unlike]),
    )  # fmt: skip


def together(*looks: Trials) -> Trials:
    return Trials(**{name: np.concatenate([getattr(one, name) for one in looks]) for name in Trials.__annotations__})


def cards(*looks: Trials, plain: tuple[int, ...] = (), pale: bool = False, arcs: float = 0.0) -> list[int]:
    is_plain, seen = np.isin(np.arange(len(looks)), plain), np.full((len(looks), 4), arcs)
    return trusted(together(*looks), plain=is_plain, arcs=seen, nominal_mm=NOMINAL, pale=pale).tolist()


def test_a_rectangle_with_four_round_corners_on_a_table_is_a_card_whatever_its_size() -> None:
    assert cards(look(box(0, 0, 63, 88), ROUND, TABLE)) == [0]
    assert cards(look(box(0, 0, 71.3, 95.2), ROUND, TABLE)) == [0]


@pytest.mark.parametrize(
    "unlike_a_card",
    [
        look(box(0, 0, 71.3, 95.2), [3.0, 0.0, 3.0, 1.0], TABLE),
        look(box(0, 0, 71.3, 95.2), [1.0, 1.0, 0.9, 1.0], TABLE),
        look(box(0, 0, 71.3, 95.2), ROUND, BORDER),
        look(box(0, 0, 71.3, 95.2), SQUARE, TABLE),
        look(box(0, 0, 63, 88), SQUARE, BORDER),
        look(box(0, 0, 63, 88), [3.0, 3.4, 2.6, 3.3], TABLE, misfit=60.0),
        look(box(0, 0, 63, 88), ROUND, TABLE, misfit=160.0),
        look(box(0, 0, 63, 88), ROUND, TABLE, clarity=1.0),
        look(box(0, 0, 12, 150), ROUND, TABLE),
    ],
    ids=[
        "two-corners",
        "blurred",
        "border-around",
        "square-odd",
        "picture",
        "unexplained",
        "hardly-explained",
        "faint",
        "pen",
    ],
)
def test_what_lacks_something_of_a_card_is_none(unlike_a_card: Trials) -> None:
    assert cards(unlike_a_card) == []


def test_a_side_that_is_seen_through_a_shadow_is_excused_where_all_corners_agree() -> None:
    assert cards(look(box(0, 0, 63, 88), [3.0, 3.1, 2.9, 3.0], TABLE, misfit=60.0)) == [0]


def test_square_corners_are_a_cards_where_the_size_is_nominal() -> None:
    assert cards(look(box(0, 0, 63.2, 87.9), SQUARE, TABLE)) == [0]
    sharpest = look(box(0, 0, 63.2, 87.9), SQUARE, TABLE, seen=(True, False, True, False))
    assert cards(sharpest) == [0]


def test_on_a_pale_table_what_lies_around_must_be_alike_to_a_few_parts_in_a_hundred() -> None:
    in_border = look(box(0, 0, 63.2, 87.9), SQUARE, [0.12, 0.11, 0.13, 0.1])
    assert cards(in_border) == [0]
    assert cards(in_border, pale=True) == []


def test_three_corners_alike_are_enough_where_the_size_is_nominal() -> None:
    in_shadow = [3.0, 3.1, 6.5, 2.9]
    assert cards(look(box(0, 0, 63, 88), in_shadow, TABLE)) == [0]
    assert cards(look(box(0, 0, 71.3, 95.2), in_shadow, TABLE)) == []


def test_arcs_seen_from_farther_off_are_enough_where_the_size_is_nominal_and_the_table_lies_around() -> None:
    in_pattern = [1.5, 3.6, 4.6, 2.0]
    assert cards(look(box(0, 0, 63, 88), in_pattern, TABLE), arcs=1.0) == [0]
    assert cards(look(box(0, 0, 63, 88), in_pattern, TABLE), arcs=0.6) == []
    assert cards(look(box(0, 0, 71.3, 95.2), in_pattern, TABLE), arcs=1.0) == []
    assert cards(look(box(0, 0, 63, 88), in_pattern, BORDER), arcs=1.0) == []
    assert cards(look(box(0, 0, 63, 88), in_pattern, TABLE, misfit=40.0), arcs=1.0) == []


def test_of_a_card_and_a_frame_on_it_with_round_corners_the_card_is_taken() -> None:
    frame = look(box(0, 0, 59, 84), ROUND, TABLE)
    assert cards(frame, look(box(0, 0, 63, 88), ROUND, TABLE)) == [1]
    assert cards(frame, look(box(0, 0, 66, 91), [3.0, 3.0, 3.1, 6.5], TABLE)) == [1]


def test_of_a_card_that_is_cut_square_and_a_frame_with_round_corners_the_card_is_taken() -> None:
    """Though the frame has a nominal size, too; but not where the table seems to lie around the frame."""
    nominal = np.array([[57.2, 89.0], [54.0, 85.6]])
    for around, card in ((BORDER, 0), (TABLE, 1)):
        frame = look(box(0, 0, 54.0, 85.6), ROUND, around, misfit=20.0)
        both = together(look(box(0, 0, 57.2, 89.0), SQUARE, TABLE), frame)
        assert trusted(
            both, plain=np.zeros(2, bool), arcs=np.zeros((2, 4)), nominal_mm=nominal, pale=False
        ).tolist() == [card]


def test_beside_one_side_of_a_card_that_is_cut_square_a_pattern_may_run() -> None:
    beside = [0.02, 0.0, 0.05, 1.3]
    assert cards(look(box(0, 0, 63, 88), SQUARE, beside)) == [0]
    assert cards(look(box(0, 0, 63, 88), SQUARE, beside), pale=True) == []
    assert cards(look(box(0, 0, 63, 88), SQUARE, [0.02, 0.0, 1.2, 1.3])) == []


def test_of_two_cards_and_the_rectangle_that_they_fill_the_two_are_taken() -> None:
    pair = [look(box(x, 0, 63, 88), ROUND, TABLE) for x in (0, 64)]
    assert sorted(cards(look(box(32, 0, 127, 88), ROUND, TABLE), *pair)) == [1, 2]


def test_of_equals_the_plain_outline_is_taken_or_what_is_explained_best() -> None:
    near = [look(box(x, 0, 63, 88), ROUND, TABLE, misfit=misfit) for x, misfit in ((0, 3.0), (0.2, 1.0), (0.1, 5.0))]
    assert cards(*near) == [1]
    assert cards(*near, plain=(2,)) == [2]


def test_in_a_pile_the_card_with_all_corners_is_on_top() -> None:
    on_top, below = look(box(0, 0, 63, 88), ROUND, BORDER), look(box(20, 9, 63, 88), [3.0, 3.1, 0.2, 3.0], BORDER)
    assert trusted_in_pile(together(below, on_top), nominal_mm=NOMINAL).tolist() == [1]
    assert trusted_in_pile(look(box(0, 0, 71.3, 95.2), ROUND, BORDER), nominal_mm=NOMINAL).tolist() == []


def test_only_a_pile_has_corners_clearly_unlike_each_other() -> None:
    corners = (ROUND, SQUARE, [3.0, 3.1, 0.2, 3.0], [2.8, 3.9, 3.7, 3.0], [0.0, 2.0, 0.4, 5.0])
    looks = together(*(look(box(0, 0, 69, 94), radii, TABLE) for radii in corners))
    assert has_corners_of_several(looks).tolist() == [False] * 4 + [True]
    hidden = look(box(0, 0, 69, 94), [0.0, 2.0, 0.4, 5.0], TABLE, seen=(False, True, False, True))
    assert not has_corners_of_several(hidden)[0]


def test_of_nothing_nothing_is_trusted() -> None:
    nothing = look(box(0, 0, 63, 88), ROUND, TABLE).rows(np.zeros(1, bool))
    assert trusted(nothing, plain=np.zeros(0, bool), arcs=np.zeros((0, 4)), nominal_mm=NOMINAL, pale=False).size == 0
    assert trusted_in_pile(nothing, nominal_mm=NOMINAL).size == 0
