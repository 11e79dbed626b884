"""What parts a rectangle from side to side: a seam between cards, or a line printed across one."""

from __future__ import annotations

import numpy as np
import pytest

from cardmeasure.outlines.joins import PX_PER_MM, is_joined

NOMINAL = np.array([[63.0, 88.0], [44.0, 68.0], [44.0, 63.0]])


def parted(width_mm: float, height_mm: float, share: float, *, nominal_mm: np.ndarray = NOMINAL) -> bool:
    """Whether a piece whose upper part is darker than the rest is taken for two."""
    width, height = round(width_mm * PX_PER_MM) + 40, round(height_mm * PX_PER_MM) + 40
    picture = np.full((height, width, 3), 30, np.uint8)
    cut = round(20 + share * height_mm * PX_PER_MM)
    picture[20:cut, 20:-20], picture[cut:-20, 20:-20] = 90, 180
    corners = np.array([[20, 20], [width - 21, 20], [width - 21, height - 21], [20, height - 21]], np.float64)
    return is_joined(picture, corners, (width_mm, height_mm), nominal_mm=nominal_mm)


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
