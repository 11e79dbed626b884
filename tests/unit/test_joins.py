"""What parts a rectangle from side to side: a seam between cards, or a line printed across one."""

from __future__ import annotations

import numpy as np
import pytest

from cardmeasure.outlines.joins import PX_PER_MM, is_joined, is_pair, is_row

NOMINAL = np.array([[63.0, 88.0], [44.0, 68.0], [44.0, 63.0]])


def parted(width_mm: float, height_mm: float, share: float, *, nominal_mm: np.ndarray = NOMINAL) -> bool:
    """Whether a piece whose upper part is darker than the rest is taken for two."""
    width, height = round(width_mm * PX_PER_MM) + 40, round(height_mm * PX_PER_MM) + 40
    picture = np.full((height, width, 3), 30, np.uint8)
    cut = round(20 + share * height_mm * PX_PER_MM)
    picture[20:cut, 20:-20], picture[cut:-20, 20:-20] = 90, 180
    corners = np.array([[20, 20], [width - 21, 20], [width - 21, height - 21], [20, height - 21]], np.float64)
    found = is_joined(picture, corners, (width_mm, height_mm), nominal_mm=nominal_mm)
    with_fourth = np.dstack([picture, np.random.default_rng(5).integers(0, 256, picture.shape[:2], np.uint8)])
    assert is_joined(with_fourth, corners, (width_mm, height_mm), nominal_mm=nominal_mm) == found
    return found


@pytest.mark.parametrize("share", [0.3, 0.62, 0.75])
def test_a_line_across_a_card_of_nominal_size_is_its_art(share: float) -> None:
    assert not parted(63.0, 88.0, share)


def test_equal_halves_are_two_pieces_whatever_size_they_make_together() -> None:
    assert parted(63.0, 88.0, 0.5)


def test_two_parts_of_nominal_size_are_two_cards() -> None:
    # even where the whole is a nominal size, too
    whole = np.array([[63.0, 132.0]])
    assert parted(63.0, 132.0, 88.0 / 132.0, nominal_mm=np.vstack([NOMINAL, whole]))
    assert not parted(63.0, 132.0, 88.0 / 132.0, nominal_mm=whole)


def test_what_is_of_no_nominal_size_is_two_pieces() -> None:
    assert parted(70.0, 99.0, 0.3)
    assert parted(126.0, 88.0, 0.3)


def test_a_plain_piece_is_one() -> None:
    assert not parted(70.0, 99.0, 0.0)


def row(
    count: int, *, border_mm: float = 3.0, per_mm: float = 5.0, side_mm: float = 44.0, seam: int = 40, art: int = 170
) -> bool:
    """Whether so many pictures within dark borders, one beside the other, are taken for a row of cards."""
    width, height, rim = round(count * side_mm * per_mm), round(68.0 * per_mm), 20
    picture = np.full((height + 2 * rim, width + 2 * rim, 3), 90, np.uint8)
    picture[rim:-rim, rim:-rim] = 30
    border = round(border_mm * per_mm)
    for k in range(count):
        left = rim + round(k * side_mm * per_mm)
        picture[rim + border : -rim - border, left + border : left + round(side_mm * per_mm) - border] = art
        if k:
            picture[rim:-rim, left - 1 : left + 1] = seam
    corners = rim - 0.5 + np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
    return is_row(picture, corners, (count * side_mm, 68.0), nominal_mm=NOMINAL)


@pytest.mark.parametrize("count", [2, 3, 5])
@pytest.mark.parametrize("per_mm", [2.4, 9.0])
def test_cards_of_one_size_with_dark_borders_side_by_side_are_a_row(count: int, per_mm: float) -> None:
    assert row(count, per_mm=per_mm)


def test_what_has_no_border_where_the_seams_would_be_is_no_row() -> None:
    assert not row(3, border_mm=0.0)


def test_what_is_plain_all_over_is_no_row() -> None:
    assert not row(3, art=30, seam=30)


def test_what_is_a_card_of_nominal_size_is_no_row_nor_what_parts_into_none() -> None:
    assert not row(1)
    assert not row(3, side_mm=47.0)


@pytest.mark.parametrize(
    ("sides_mm", "pair"),
    [
        ((126.0, 88.0), True),
        ((63.2, 175.5), True),
        ((176.1, 62.8), True),
        ((63.0, 88.0), False),
        ((100.0, 88.0), False),
    ],
)
def test_two_alike_nominal_cards_explain_what_no_single_one_does(sides_mm: tuple[float, float], pair: bool) -> None:
    assert is_pair(*sides_mm, np.array([[63.0, 88.0]])) == pair


def test_a_card_that_has_a_nominal_size_itself_is_no_pair() -> None:
    assert not is_pair(120.0, 140.0, np.array([[70.0, 120.0], [120.0, 140.0]]))
