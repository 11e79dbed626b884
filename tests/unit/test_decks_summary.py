"""Decks out of shots: counts, means, scatter apart from measuring, odd ones, duplicates."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.decks import CardName, Deck, Pile, summarised
from cardmeasure.decks.counting import CountSource
from cardmeasure.decks.spread import SideSize, odd_ones, side_size, spread_of
from cardmeasure.results import Card, Contribution
from tests.made_results import any_shots, match, measured, refused, sized_card, unsized_card


def card(number: int, width: float, height: float, *, size_class: str | None = "poker", **changes: object) -> Card:
    made = replace(sized_card(number, size_class=size_class), width_mm=width, height_mm=height)
    return replace(made, **changes)  # type: ignore[arg-type]


def side(size: float, *, photo: str = "a", own: float = 0.0, of_photo: float = 0.0, common: float = 0.0) -> SideSize:
    return SideSize(photo=photo, size_mm=size, u_own_mm=own, u_photo_mm=of_photo, u_common_mm=common)


def test_pieces_are_counted_by_deck_and_class_most_frequent_first() -> None:
    shots = [
        measured("a/1.jpg", cards=(card(1, 70, 120, size_class="tarot"), card(2, 63, 88), unsized_card(3))),
        measured("a/2.jpg", cards=(card(1, 63, 88),)),
        measured("b/1.jpg", cards=(card(1, 63, 88),)),
        refused("b/2.jpg"),
    ]
    a, b = summarised(shots)
    assert (a.name, a.photos, a.refused, a.pieces) == ("a", 2, 0, 4)
    assert [(group.size_class, group.count) for group in a.classes] == [("poker", 2), ("tarot", 1)]
    assert a.unsized == (CardName(file="a/1.jpg", number=3),)
    assert (b.name, b.photos, b.refused, b.pieces) == ("b", 1, 1, 1)


def test_duplicates_are_counted_once() -> None:
    first = measured("a/1.jpg", cards=(card(1, 63, 88), card(2, 63, 88)))
    (deck,) = summarised([first, replace(first, file="a/2.jpg", duplicate_of="a/1.jpg")])
    assert (deck.photos, deck.duplicates, deck.pieces) == (1, 1, 2)


def test_decks_of_the_file_come_in_its_order_even_if_not_photographed_and_the_rest_last() -> None:
    decks = (Deck(name="none", count=7), Deck(name="a", cards=(CardName(file="x.jpg", number=2),)))
    shots = [measured("x.jpg", cards=(card(1, 63, 88), card(2, 63, 88))), measured("a/1.jpg", cards=(card(1, 63, 88),))]
    none, a, rest = summarised(shots, decks=decks)
    assert (none.name, none.pieces, none.count.cards, none.classes) == ("none", 0, 7, ())
    assert (a.name, a.deck, a.pieces, a.photos) == ("a", decks[1], 2, 2)
    assert (rest.name, rest.pieces) == ("(in no deck)", 1)


def test_odd_sizes_are_grouped_by_nearness() -> None:
    sizes = [(50.0, 50.0), (51.0, 50.5), (52.2, 51.0), (80.0, 90.0)]
    cards = tuple(card(i, w, h, size_class=None) for i, (w, h) in enumerate(sizes, start=1))
    (deck,) = summarised([measured("a.jpg", cards=cards)])
    assert [(group.count, round(group.width.mean_mm, 1)) for group in deck.classes] == [(3, 51.1), (1, 80.0)]


def test_doubtful_and_odd_cards_are_counted_but_left_out_of_the_mean() -> None:
    cards = [card(i, 63.0 + 0.01 * i, 88.0) for i in range(1, 7)]
    unclear = match("poker", probability=0.6)
    cards += [
        card(7, 64.5, 88.0),
        card(8, 63.4, 88.0, flags=("bent-edge",)),
        card(9, 63.0, 88.0, match=unclear),
    ]
    (group,) = summarised([measured("a.jpg", cards=tuple(cards))])[0].classes
    assert (group.count, group.doubtful, group.unclear, group.averaged) == (9, 1, 1, 7)
    assert group.width.mean_mm == pytest.approx(np.mean([63.01, 63.02, 63.03, 63.04, 63.05, 63.06, 63.0]))
    assert [(odd.card.number, round(odd.dw_mm, 2)) for odd in group.odd_ones] == [(7, 1.47), (8, 0.37)]


def test_the_budget_lines_that_are_common_do_not_average_out() -> None:
    budget = tuple(
        Contribution(name=name, u_width_mm=u, u_height_mm=u)
        for name, u in (("print scale", 0.08), ("edge noise", 0.03), ("principal point", 0.04), ("new line", 0.02))
    )
    total = math.hypot(0.08, 0.03, 0.04, 0.02)
    cards = tuple(card(i, 63.0, 88.0, budget=budget, u_width_mm=total, u_height_mm=total) for i in (1, 2, 3))
    shots = [measured("a.jpg", cards=cards), measured("b.jpg", cards=cards[:1])]
    (group,) = summarised(shots)[0].classes
    # 4 cards, 3 and 1 in a photo: 0.03²/4 + 0.04² (9 + 1)/16 + 0.08² + 0.02²
    assert group.width.u_mean_mm == pytest.approx(math.sqrt(0.0009 / 4 + 0.0016 * 10 / 16 + 0.0064 + 0.0004))
    assert group.width.scatter_mm == 0.0


def test_a_u_without_a_budget_counts_as_common() -> None:
    assert side_size("a", 63.0, u_mm=0.05, parts_mm=()) == side(63.0, common=0.05)


@given(seed=st.integers(0, 2**32 - 1))
def test_scatter_is_what_cutting_adds_and_not_what_measuring_adds(seed: int) -> None:
    # cutting 0.10, each card 0.05, each photo 0.08, all 0.3 mm; many cards, so that the estimate must come near
    rng = np.random.default_rng(seed)
    n, photos = 900, 90
    of_photo, common = rng.normal(0, 0.08, photos), rng.normal(0, 0.3)
    sizes = 63 + rng.normal(0, 0.10, n) + rng.normal(0, 0.05, n) + np.repeat(of_photo, n // photos) + common
    sides = [side(s, photo=str(i * photos // n), own=0.05, of_photo=0.08, common=0.3) for i, s in enumerate(sizes)]
    found = spread_of(sides)
    assert found.scatter_mm == pytest.approx(0.10, abs=0.05)
    assert abs(found.mean_mm - 63) < 6 * found.u_mean_mm
    assert 0.3 < found.u_mean_mm < 0.302


def test_the_estimates_of_scatter_are_right_on_average_and_their_u_is_true() -> None:
    rng = np.random.default_rng(1)
    found = []
    for _ in range(1500):
        sizes = rng.normal(63, 0.1, 20) + rng.normal(0, 0.05, 20) + np.repeat(rng.normal(0, 0.05, 4), 5)
        found.append(spread_of([side(s, photo=str(i // 5), own=0.05, of_photo=0.05) for i, s in enumerate(sizes)]))
    variances = [one.scatter_mm**2 for one in found if one.scatter_mm is not None]
    assert np.mean(variances) == pytest.approx(0.01, rel=0.05)
    spread = np.std([one.scatter_mm for one in found])
    assert np.median([one.u_scatter_mm for one in found]) == pytest.approx(spread, rel=0.25)
    errors = [(one.mean_mm - 63) / one.u_mean_mm for one in found]
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(1.0, abs=0.1)


def test_one_card_has_no_scatter_and_its_own_u() -> None:
    found = spread_of([side(63.0, own=0.03, common=0.04)])
    assert (found.mean_mm, found.scatter_mm, found.u_scatter_mm) == (63.0, None, None)
    assert found.u_mean_mm == pytest.approx(0.05)


def test_odd_ones_stand_out_against_spread_and_own_u() -> None:
    alike = [side(63.0 + 0.01 * i) for i in range(6)]
    assert odd_ones([*alike, side(63.5)]) == [6]
    assert odd_ones([*alike, side(63.5, own=0.5)]) == []
    assert odd_ones([side(63.0), side(63.0), side(70.0)]) == []


@given(st.lists(st.floats(62.95, 63.05), min_size=4, max_size=30))
def test_cards_within_a_tenth_are_never_odd(sizes: list[float]) -> None:
    assert odd_ones([side(size) for size in sizes]) == []


def test_counts_are_entered_estimated_from_the_pile_or_seen() -> None:
    pile = Pile(height_mm=31.0, u_height_mm=0.5, card_thickness_mm=0.31, u_card_thickness_mm=0.01)
    shots = [measured("a/1.jpg", cards=(card(1, 63, 88), unsized_card(2)))]

    def count(**said: object) -> tuple[int, float, str, int]:
        found = summarised(shots, decks=(Deck(name="a", **said),))[0].count  # type: ignore[arg-type]
        return found.cards, round(found.u_cards, 2), found.source, len(found.contradictions)

    assert count() == (2, 0.0, CountSource.PHOTOS, 0)
    assert count(count=52) == (52, 0.0, CountSource.ENTERED, 0)
    # 100 x hypot(0.5/31, 0.01/0.31)
    assert count(pile=pile) == (100, 3.61, CountSource.PILE, 0)
    assert count(count=104, pile=pile) == (104, 0.0, CountSource.ENTERED, 0)
    assert count(count=120, pile=pile) == (120, 0.0, CountSource.ENTERED, 1)
    assert count(count=1) == (1, 0.0, CountSource.ENTERED, 1)


@given(any_shots())
def test_every_piece_is_counted_exactly_once_whatever_the_shots(shots: list) -> None:  # type: ignore[type-arg]
    for decks in ((), (Deck(name="events"), Deck(name="b", photos=("*b*",)))):
        found = summarised(shots, decks=decks)
        assert sum(deck.pieces for deck in found) == sum(len(shot.cards) for shot in shots)
        assert sum(deck.refused for deck in found) == sum(shot.trouble is not None for shot in shots)
