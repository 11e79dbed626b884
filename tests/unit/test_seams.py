"""Cards laid edge to edge: cut along their seams on drawn tables, and marked along the sides that touch."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from cardmeasure.camera import Camera
from cardmeasure.outlines.neighbours import joined_to_each_other
from cardmeasure.outlines.notch_signs import may_have_seam
from cardmeasure.outlines.pieces import Outline, clockwise
from cardmeasure.outlines.regions import has_steps, is_uneven
from cardmeasure.outlines.splitting import split_along_seams
from cardmeasure.outlines.table_light import table_around
from cardmeasure.photo import Photo, read_photo
from cardmeasure.solving import U_SEAM_PX

Floats = NDArray[np.floating[Any]]
PER_MM = 8.0
NOMINAL = np.array([[41.0, 63.0], [63.0, 88.0]])
ROUND_MM = 3.0
TABLE = (40, 52, 46)
WITHIN_MM = 3 * U_SEAM_PX / PER_MM
"""The edges are then looked for so near, three standard uncertainties of it."""


@dataclass(frozen=True, kw_only=True)
class Laid:
    """A card: its left edge and width along the row, mm, how far it lies down, and the colours of border and face."""

    x: float
    width: float = 41.0
    y: float = 0.0
    border: tuple[int, int, int] = (225, 228, 230)
    face: tuple[int, int, int] = (150, 120, 90)


def drawn(tmp_path: Any, *cards: Laid, gap_light: int = 12, radius_mm: float = ROUND_MM) -> tuple[Photo, Camera]:
    """A photo straight from above, four times as fine while it is drawn: cards 63 mm high, what shows between them."""
    fine, (w, h) = 4 * PER_MM, (200, 110)
    picture = np.full((round(h * fine), round(w * fine), 3), TABLE, np.uint8)
    rng = np.random.default_rng(3)

    def box(x: float, y: float, w: float, h: float, r: float, colour: tuple[int, int, int]) -> None:
        for dx, dy in ((r, 0.0), (0.0, r)):
            a, b = (x + dx, y + dy), (x + w - dx, y + h - dy)
            cv2.rectangle(picture, _px(a, fine), _px(b, fine), colour, -1)
        for cx, cy in ((x + r, y + r), (x + w - r, y + r), (x + r, y + h - r), (x + w - r, y + h - r)):
            cv2.circle(picture, _px((cx, cy), fine), round(r * fine), colour, -1)

    for before, after in pairwise(cards):
        start = before.x + before.width
        if 0 < after.x - start < 0.45:  # hardly any light falls into it
            low, high = max(before.y, after.y) + 20 + ROUND_MM, min(before.y, after.y) + 83 - ROUND_MM
            cv2.rectangle(picture, _px((start - 1, low), fine), _px((after.x + 1, high), fine), (gap_light,) * 3, -1)
    for card in cards:
        box(card.x, 20 + card.y, card.width, 63, radius_mm, card.border)
        box(card.x + 3, 23 + card.y, card.width - 6, 57, 0.05, card.face)
    small = cv2.resize(picture, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    small = np.clip(small + rng.normal(0, 1.0, small.shape), 0, 255).astype(np.uint8)
    path = tmp_path / "row.png"
    cv2.imwrite(str(path), small)
    camera = Camera(
        focal_px=400 * PER_MM, principal_px=np.array([-0.5, -0.5]), distortion=np.zeros(5), rotation=np.eye(3),
        translation_mm=np.array([0.0, 0.0, 400.0]),
    )  # fmt: skip
    return read_photo(path), camera


def _px(mm: tuple[float, float], fine: float) -> tuple[int, int]:
    return round(mm[0] * fine), round(mm[1] * fine)


def region(*cards: Laid, flags: tuple[str, ...] = ("touching",)) -> Outline:
    """What the first finder sees: all of them as one."""
    points = np.concatenate([_contour(card) for card in cards])
    hull = cv2.convexHull(points.astype(np.float32)).reshape(-1, 2).astype(float)
    corners = clockwise(np.asarray(cv2.boxPoints(cv2.minAreaRect(hull.astype(np.float32))), float))
    return Outline(corners_mm=corners, flags=flags, contour_mm=hull)


def _contour(card: Laid) -> Floats:
    return np.array([[card.x, 20 + card.y], [card.x + card.width, 20 + card.y],
                     [card.x + card.width, 83 + card.y], [card.x, 83 + card.y]])  # fmt: skip


def cut(tmp_path: Any, *cards: Laid, **how: Any) -> list[Outline]:
    photo, camera = drawn(tmp_path, *cards, **how)
    parts = split_along_seams(photo, camera, region(*cards), px_per_mm=PER_MM, nominal_mm=NOMINAL)
    return sorted(parts, key=lambda part: float(part.corners_mm[:, 0].mean()))


BLACK = (32, 30, 30)
ROWS = {
    "white": (Laid(x=20), Laid(x=61.1), Laid(x=102.2)),
    "black": (Laid(x=20, border=BLACK), Laid(x=61.2, border=BLACK)),
    "unlike": (Laid(x=20, border=BLACK), Laid(x=61.1), Laid(x=102.2, border=(60, 120, 170))),
    "askew": (Laid(x=20), Laid(x=61.1, y=1.2)),
}


@pytest.mark.parametrize(("name", "gap_light"), [("white", 12), ("black", 90), ("unlike", 12), ("askew", 12)])
def test_a_row_is_cut_into_its_cards(tmp_path: Any, name: str, gap_light: int) -> None:
    row = ROWS[name]
    parts = cut(tmp_path, *row, gap_light=gap_light)
    assert len(parts) == len(row)
    for part, card in zip(parts, row, strict=True):
        assert part.corners_mm[:, 0].min() == pytest.approx(card.x, abs=WITHIN_MM)
        assert part.corners_mm[:, 0].max() == pytest.approx(card.x + card.width, abs=WITHIN_MM)
    ends = [0] + [2] * (len(row) - 2) + [0]
    assert [sum(part.joined) for part in parts] == [max(1, end) for end in ends]


def test_cards_with_square_corners_leave_no_notch_and_stay_one_region(tmp_path: Any) -> None:
    assert len(cut(tmp_path, *ROWS["white"], radius_mm=0.05)) == 1


def test_a_line_printed_across_a_card_is_no_seam(tmp_path: Any) -> None:
    """One wide card, whose face begins where a second card's might: dark lines, but no notches."""
    one = Laid(x=20, width=82.0)
    photo, camera = drawn(tmp_path, one)
    photo.pixels_bgr[:, round(61 * PER_MM)] = 10
    parts = split_along_seams(photo, camera, region(one), px_per_mm=PER_MM, nominal_mm=NOMINAL)
    assert len(parts) == 1


def test_parts_that_are_neither_alike_nor_nominal_are_no_cards(tmp_path: Any) -> None:
    odd = (Laid(x=20, width=50.0), Laid(x=70.1, width=36.0))
    assert len(cut(tmp_path, *odd)) == 1


def test_in_a_coarse_photo_no_seam_is_sought(tmp_path: Any) -> None:
    photo, camera = drawn(tmp_path, *ROWS["white"])
    parts = split_along_seams(photo, camera, region(*ROWS["white"]), px_per_mm=3.0, nominal_mm=NOMINAL)
    assert len(parts) == 1


def box(x: float, y: float, w: float, h: float) -> Floats:
    return np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2 + [x, y]


@given(gap=st.floats(0.0, 2.0))
def test_sides_are_joined_where_hardly_a_gap_is_left(gap: float) -> None:
    pair = tuple(Outline(corners_mm=box(x, 0, 63, 88), flags=()) for x in (0.0, 63.0 + gap))
    joined = [one.joined for one in joined_to_each_other(pair)]
    expected = [(False, True, False, False), (False, False, False, True)] if gap < 0.45 else [(False,) * 4] * 2
    if abs(gap - 0.45) > 1e-3:
        assert joined == expected


def test_one_card_alone_is_joined_to_none() -> None:
    one = Outline(corners_mm=box(0, 0, 63, 88), flags=())
    assert joined_to_each_other((one,)) == (one,)


@given(step=st.floats(0.0, 4.0))
def test_a_contour_with_a_step_in_one_side_is_uneven(step: float) -> None:
    """A step of so many millimetres half-way along one long side, as a card below that looks out makes."""
    if min(abs(step - 0.5), abs(step - 1.5)) < 0.1:
        return
    y = np.arange(0.0, 88.0, 0.5)
    right = np.column_stack([np.where(y < 44, 63.0, 63.0 - step), y])
    left = np.column_stack([np.zeros_like(y), y[::-1]])
    x = np.arange(0.5, 62.0, 0.5)
    contour = np.concatenate([np.column_stack([x, np.zeros_like(x)]), right,
                              np.column_stack([x[::-1], np.full_like(x, 88.0)]), left])  # fmt: skip
    outline = Outline(corners_mm=box(31.5, 44, 63, 88), flags=(), contour_mm=contour)
    assert is_uneven(outline) == (step > 0.5)
    assert has_steps(outline) == (step > 1.5)


@pytest.mark.parametrize("longer_mm", [0.0, 1.0, 3.0])
def test_an_outline_whose_opposite_sides_differ_is_uneven(longer_mm: float) -> None:
    corners = np.array([[0.0, 0.0], [63.0 + longer_mm, 0.0], [63.0, 88.0], [0.0, 88.0]])
    t = np.linspace(0, 1, 100)[:, None]
    contour = np.concatenate([(1 - t) * corners[k] + t * corners[(k + 1) % 4] for k in range(4)])
    assert is_uneven(Outline(corners_mm=corners, flags=(), contour_mm=contour)) == (longer_mm > 2.0)


def asked_for_seam(tmp_path: Any, *cards: Laid, radius_mm: float = ROUND_MM) -> bool:
    photo, camera = drawn(tmp_path, *cards, radius_mm=radius_mm)
    contour = region(*cards).contour_mm
    return may_have_seam(photo, camera, contour, table=partial(table_around, photo, camera, contour))


@pytest.mark.parametrize("radius_mm", [2.0, 3.0, 4.0])
def test_touching_cards_show_notches_that_face_each_other(tmp_path: Any, radius_mm: float) -> None:
    assert asked_for_seam(tmp_path, Laid(x=20), Laid(x=61.05), radius_mm=radius_mm)


@pytest.mark.parametrize("border", [(225, 228, 230), (60, 30, 160)])
def test_one_card_shows_no_notches_and_is_not_searched(tmp_path: Any, border: tuple[int, int, int]) -> None:
    """Most odd sizes are single cards, and looking for seams in full costs more than all else."""
    assert not asked_for_seam(tmp_path, Laid(x=20, width=82.0, border=border))


def test_notches_on_one_side_alone_are_no_seam_s(tmp_path: Any) -> None:
    """Where a region ends in the middle of the cards there is no notch that faces those above."""
    photo, camera = drawn(tmp_path, Laid(x=20), Laid(x=61.05))
    contour = region(Laid(x=20), Laid(x=61.05)).contour_mm
    table = partial(table_around, photo, camera, contour)
    upper = contour.copy()
    upper[:, 1] = np.minimum(upper[:, 1], 60.0)  # cut off by hand below the notches above
    assert may_have_seam(photo, camera, contour, table=table)
    assert not may_have_seam(photo, camera, upper, table=table)
