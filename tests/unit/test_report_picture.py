"""Pictures: what is drawn, what is covered, what is left out, and where they go."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from cardmeasure.reports.labels import TEXT_SHARE, card_label, overlap, place
from cardmeasure.reports.picture import COVER, LONG_SIDE_PX, picture_jpeg
from cardmeasure.reports.picture_files import is_own_picture, picture_names, picture_path
from cardmeasure.reports.privacy import is_covered
from cardmeasure.results import Card, ShotResult
from tests.made_results import any_names, match, measured, outline, sized_card, unsized_card

GROUND = (60, 90, 30)
FACE = (40, 60, 220)
CARD_PX = (1200, 300, 540, 856)
"""Left, top, width, height of the only card in the photo, at ten pixels a millimetre."""


def photo(width: int = 2400, height: int = 1600) -> NDArray[np.uint8]:
    """A plain ground (BGR) with one card of another colour."""
    pixels = np.full((height, width, 3), GROUND, np.uint8)
    left, top, w, h = CARD_PX
    pixels[top : top + h, left : left + w] = FACE
    return pixels


def shot_of(card: Card) -> ShotResult:
    shot = measured(cards=(replace(card, corners_px=outline(*map(float, CARD_PX))),))
    assert shot.reference is not None
    return replace(shot, reference=replace(shot.reference, px_per_mm=10.0))


def drawn(shot: ShotResult, pixels: NDArray[np.uint8] | NDArray[np.uint16] | None = None) -> NDArray[np.uint8]:
    """The picture, (h, w, 3), red first."""
    image = Image.open(io.BytesIO(picture_jpeg(photo() if pixels is None else pixels, shot)))
    return np.asarray(image.convert("RGB"))


def share_of(picture: NDArray[np.uint8], bgr: tuple[int, int, int]) -> float:
    """Share of the card's inside, its rim left out, that shows a colour (JPEG shifts it a little)."""
    scale = picture.shape[1] / 2400
    left, top, w, h = (round(v * scale) for v in CARD_PX)
    rim = round(55 * scale)
    inside = picture[top + rim : top + h - rim, left + rim : left + w - rim].astype(int)
    return float((np.abs(inside - bgr[::-1]).max(axis=2) < 12).mean())


def test_the_picture_is_reduced_and_has_no_metadata() -> None:
    image = Image.open(io.BytesIO(picture_jpeg(photo(), measured())))
    assert image.size == (LONG_SIDE_PX, round(LONG_SIDE_PX * 1600 / 2400))
    assert not image.getexif()
    assert "icc_profile" not in image.info


def test_a_small_photo_is_not_blown_up() -> None:
    assert drawn(measured(), photo(1800, 1600)[:400, :300]).shape == (400, 300, 3)


def test_the_same_photo_in_16_bit_gives_the_same_picture() -> None:
    wide = photo().astype(np.uint16) * 257
    assert np.array_equal(drawn(shot_of(sized_card()), wide), drawn(shot_of(sized_card())))


def test_the_outline_lies_on_the_edge_of_the_card_light_between_dark() -> None:
    picture = drawn(shot_of(sized_card())).astype(int).mean(axis=2)
    scale = picture.shape[1] / 2400
    row = round((CARD_PX[1] + 60) * scale)
    edge = (CARD_PX[0] + 0.5) * scale - 0.5
    profile = picture[row - 10 : row + 10, round(edge) - 12 : round(edge) + 13].mean(axis=0)
    middle = (np.arange(25) * (profile > 170)).sum() / (profile > 170).sum() + round(edge) - 12
    assert abs(middle - edge) < 0.75
    assert profile.min() < 60


def test_a_card_without_doubts_has_a_whole_outline_and_a_doubtful_one_a_dashed_one() -> None:
    def light_share(card: Card) -> float:
        picture = drawn(shot_of(card)).astype(int).min(axis=2)
        scale = picture.shape[1] / 2400
        column = round((CARD_PX[0] + 0.5) * scale - 0.5)
        rows = slice(round(CARD_PX[1] * scale), round((CARD_PX[1] + CARD_PX[3]) * scale))
        return float((picture[rows, column] > 180).mean())

    assert light_share(sized_card()) > 0.95
    assert 0.3 < light_share(sized_card(flags=("weak-edge",))) < 0.7
    assert 0.3 < light_share(unsized_card()) < 0.7


def test_the_inside_of_a_bank_card_is_covered_and_its_rim_is_not() -> None:
    bank_card = replace(sized_card(size_class="id-1"), width_mm=54.0, height_mm=85.6)
    picture = drawn(shot_of(bank_card))
    assert share_of(picture, FACE) == 0.0
    assert share_of(picture, (COVER,) * 3) > 0.3  # the rest is its label
    scale = picture.shape[1] / 2400
    rim = picture[round((CARD_PX[1] + 428) * scale), round((CARD_PX[0] + 15) * scale)]
    assert np.abs(rim.astype(int) - FACE[::-1]).max() < 30


def test_the_inside_of_any_other_sized_card_is_shown() -> None:
    assert share_of(drawn(shot_of(sized_card())), FACE) > 0.3


@pytest.mark.parametrize("count", [3, 6])
def test_a_piece_of_another_number_of_corners_is_covered_whole(count: int) -> None:
    angles = np.arange(count) * 2 * np.pi / count
    corners = tuple((1470 + 250 * np.cos(a), 728 + 250 * np.sin(a)) for a in angles.tolist())
    shot = measured(cards=(replace(unsized_card(), corners_px=corners),))
    picture = drawn(shot)
    scale = picture.shape[1] / 2400
    inside = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillPoly(inside, [np.round(np.array(corners) * scale).astype(np.int32)], 1)
    pixels = picture[inside == 1].astype(int)
    assert (np.abs(pixels - COVER).max(axis=1) < 12).mean() > 0.2  # the rest is label and outline
    assert (np.abs(pixels - FACE[::-1]).max(axis=1) < 12).mean() == 0.0


def test_a_piece_without_any_corners_does_no_harm() -> None:
    assert drawn(measured(cards=(replace(unsized_card(), corners_px=()),))).shape[2] == 3


@pytest.mark.parametrize("scale", [1.0, 0.94, 1.06])
def test_a_bank_card_is_covered_even_if_the_print_scale_is_wrong_and_another_class_is_found(scale: float) -> None:
    # ISO/IEC 7810: ID-1 is 53.98 x 85.60 mm
    card = replace(sized_card(), width_mm=53.98 * scale * 1.003, height_mm=85.60 * scale, match=match("bridge"))
    assert is_covered(card)


def test_a_piece_without_a_size_is_covered_and_a_poker_card_is_not() -> None:
    assert is_covered(unsized_card())
    assert not is_covered(sized_card())


def test_text_is_at_least_three_per_cent_of_the_width_and_stays_in_the_frame() -> None:
    assert TEXT_SHARE >= 0.03
    label = card_label(sized_card(), outline=(-20.0, -20.0, 60.0, 60.0), size_px=48.0)
    left, top, right, bottom = place(label, around=(-20.0, -20.0, 60.0, 60.0), obstacles=[], frame=(1600, 1200)).box_px
    assert left >= 0
    assert top >= 0
    assert right <= 1600
    assert bottom <= 1200


def test_a_label_says_number_size_and_doubts_but_no_mere_notes() -> None:
    card = sized_card(7, flags=("weak-edge", "slanted"))
    label = card_label(card, outline=(0.0, 0.0, 200.0, 300.0), size_px=48.0)
    assert (label.heading, label.lines) == ("7", ("63.04", "x 88.07", "weak edge"))
    assert card_label(sized_card(), outline=(0.0, 0.0, 900.0, 300.0), size_px=48.0).lines == ("63.04 x 88.07",)
    assert card_label(unsized_card(), outline=(0.0, 0.0, 900.0, 300.0), size_px=48.0).lines == ("cut by", "frame")


def test_labels_keep_out_of_each_others_way_where_there_is_room() -> None:
    around = (600.0, 400.0, 800.0, 700.0)
    label = card_label(sized_card(), outline=around, size_px=48.0)
    first = place(label, around=around, obstacles=[], frame=(1600, 1200))
    second = place(label, around=around, obstacles=[first.box_px], frame=(1600, 1200))
    assert first.box_px == label.box_px
    assert overlap(first.box_px, second.box_px) == 0.0


@given(st.lists(any_names(), unique=True, max_size=20))
def test_names_of_pictures_are_unique_whatever_the_photos_are_called(files: list[str]) -> None:
    names = picture_names(files)
    assert len({name.casefold() for name in names}) == len(files)
    for name in names:
        name.encode()
        assert Path(name).name == name
        assert name.endswith(".jpg")
        assert not name.startswith(".")
        assert len(name.encode()) < 255


def test_names_of_pictures_tell_the_folder_of_the_photo() -> None:
    files = ("a/b/x.heic", "a/b/x.jpg", "a__b/X.png", "x.jpg", "/top/../y.tar.jpg")
    assert picture_names(files) == ("a__b__x.jpg", "a__b__x-2.jpg", "a__b__X-3.jpg", "x.jpg", "top__y.tar.jpg")


def test_a_picture_replaces_an_older_picture_but_never_another_file(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(picture_jpeg(photo(), measured()))
    assert is_own_picture(tmp_path / "a.jpg")
    assert picture_path(tmp_path, "a.jpg") == tmp_path / "a.jpg"
    Image.fromarray(photo()).save(tmp_path / "b.jpg")
    assert not is_own_picture(tmp_path / "b.jpg")
    assert picture_path(tmp_path, "b.jpg") == tmp_path / "b-2.jpg"
    assert not is_own_picture(tmp_path / "missing.jpg")


def test_a_corner_beyond_all_bounds_is_drawn_in_its_direction_and_takes_no_time() -> None:
    corners = ((1200.0, 300.0), (3e12, -4e12), (5e11, 1e12), (1200.0, 1156.0))
    flags = ("cut-by-frame",)
    picture = drawn(measured(cards=(replace(unsized_card(1, flags=flags), corners_px=corners),)))
    assert picture.shape == (1067, 1600, 3)
    # what lies within is covered, what lies to the left of it is not
    assert picture[600, 1500].tolist() == pytest.approx([COVER] * 3, abs=6)
    assert picture[600, 600].tolist() == pytest.approx([*GROUND[::-1]], abs=6)
