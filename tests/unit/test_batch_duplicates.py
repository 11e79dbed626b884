"""The same cards photographed twice: told by places and faces, and not where only one of them agrees."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.batch.duplicates import with_duplicates
from cardmeasure.batch.faces import COLUMNS, ROWS, faces_of, likeness
from cardmeasure.geometry import apply_homography
from cardmeasure.results import Card, ShotResult
from tests.made_results import REFERENCE, any_shots, measured, sized_card, unsized_card

SQUARE_MM = np.array([[-40, -40], [40, -40], [40, 40], [-40, 40.0]])
POKER_MM = np.array([[-31.5, -44], [31.5, -44], [31.5, 44], [-31.5, 44.0]])
PLACES = ((100.0, 10.0, 3.0), (-110.0, 20.0, 80.0), (15.0, 120.0, -20.0))
ONE_VIEW = np.array([[8.0, 0.4, 2000], [-0.3, 8.1, 1500], [1e-5, 2e-5, 1]])
OTHER_VIEW = np.array([[0.2, -7.0, 2100], [7.2, 0.1, 1600], [-3e-5, 1e-5, 1]])


def seen(file: str, places: tuple[tuple[float, float, float], ...], *, view: np.ndarray = ONE_VIEW) -> ShotResult:
    """A shot of cards at places (x, y in mm, turn in degrees), by a homography from the table to the photo."""

    def px(corners_mm: np.ndarray) -> tuple[tuple[float, float], ...]:
        return tuple((float(x), float(y)) for x, y in apply_homography(view, corners_mm))

    cards: list[Card] = []
    for number, (x, y, turn) in enumerate(places, start=1):
        c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        corners = POKER_MM @ np.array([[c, s], [-s, c]]) + (x, y)
        cards.append(replace(sized_card(number), corners_px=px(corners)))
    shot = measured(file, cards=tuple(cards))
    return replace(shot, reference=replace(REFERENCE, corners_px=(px(SQUARE_MM),)))


def faces(seed: int, *, count: int = 3) -> bytes:
    return np.random.default_rng(seed).integers(0, 255, (count, ROWS, COLUMNS), dtype=np.uint8).tobytes()


def duplicates(*shots: ShotResult, **known: object) -> list[str | None]:
    return [shot.duplicate_of for shot in with_duplicates(shots, **known)]  # type: ignore[arg-type]


def test_the_same_layout_from_another_side_and_in_another_order_is_the_same() -> None:
    first, second = seen("a", PLACES), seen("b", PLACES[::-1], view=OTHER_VIEW)
    assert duplicates(first, second) == [None, "a"]


@pytest.mark.parametrize(
    "places",
    [
        ((106.0, 10.0, 3.0), *PLACES[1:]),
        ((100.0, 10.0, 8.0), *PLACES[1:]),
        (*PLACES[:2], (15.0, -120.0, -20.0)),
    ],
)
def test_another_place_or_another_turn_of_one_card_means_other_cards(
    places: tuple[tuple[float, float, float], ...],
) -> None:
    assert duplicates(seen("a", PLACES), seen("b", places)) == [None, None]


def test_another_size_in_the_same_place_is_another_card() -> None:
    second = seen("b", PLACES)
    larger = replace(second.cards[0], width_mm=64.5)
    assert duplicates(seen("a", PLACES), replace(second, cards=(larger, *second.cards[1:]))) == [None, None]


def test_a_template_with_other_faces_is_not_the_same_and_with_the_same_faces_it_is() -> None:
    first, second = seen("a", PLACES), seen("b", PLACES, view=OTHER_VIEW)
    assert duplicates(first, second, faces={0: faces(1), 1: faces(2)}) == [None, None]
    assert duplicates(first, second, faces={0: faces(1), 1: faces(1)}) == [None, "a"]
    blank = bytes(3 * ROWS * COLUMNS)
    assert duplicates(first, second, faces={0: blank, 1: blank}) == [None, "a"]


def test_a_single_card_in_the_same_place_proves_nothing() -> None:
    assert duplicates(seen("a", PLACES[:1]), seen("b", PLACES[:1])) == [None, None]


def test_the_photo_that_shows_or_sizes_more_counts_whichever_comes_first() -> None:
    assert duplicates(seen("a", PLACES[:2]), seen("b", PLACES)) == ["b", None]
    second = seen("b", PLACES, view=OTHER_VIEW)
    unsized = replace(unsized_card(3), corners_px=second.cards[2].corners_px)
    assert duplicates(seen("a", PLACES), replace(second, cards=(*second.cards[:2], unsized))) == [None, "a"]
    assert duplicates(replace(second, cards=(unsized, *second.cards[:2])), seen("a", PLACES)) == ["a", None]


def test_a_duplicate_names_the_first_of_several() -> None:
    shots = [seen(name, PLACES) for name in "abc"]
    assert duplicates(*shots) == [None, "a", "a"]


def test_faces_are_alike_either_way_up_and_whatever_the_size_of_the_picture() -> None:
    rng = np.random.default_rng(3)
    coarse = rng.integers(0, 255, (12, 12, 3), dtype=np.uint8)
    picture = np.kron(coarse, np.ones((60, 60, 1), np.uint8))
    corners = ((100.0, 100.0), (400.0, 100.0), (400.0, 550.0), (100.0, 550.0))
    card = replace(sized_card(1), corners_px=corners)
    upright = faces_of(picture, measured(cards=(card,)))
    turned_corners = tuple((719 - x, 719 - y) for x, y in (*corners[2:], *corners[:2]))
    turned = faces_of(
        np.ascontiguousarray(picture[::-1, ::-1]), measured(cards=(replace(card, corners_px=turned_corners),))
    )
    assert len(upright) == ROWS * COLUMNS
    assert likeness(upright, turned) == pytest.approx(1.0, abs=0.02)
    other = faces_of(picture[:, ::-1].copy(), measured(cards=(card,)))
    assert (likeness(upright, other) or 0.0) < 0.5


@given(any_shots())
def test_no_shot_is_lost_or_changed_otherwise(shots: list[ShotResult]) -> None:
    marked = with_duplicates(shots)
    assert [replace(shot, duplicate_of=None) for shot in marked] == shots


@given(st.integers(0, 100), st.integers(0, 100))
def test_likeness_is_one_with_itself_and_symmetric(a: int, b: int) -> None:
    assert likeness(faces(a), faces(a)) == pytest.approx(1.0)
    assert likeness(faces(a), faces(b)) == pytest.approx(likeness(faces(b), faces(a)), abs=1e-9)
