"""Storage: heights of piles, footprints, wells, the thickest film, ways out; and sets of cards from results."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.decks import Deck
from cardmeasure.errors import UsageError
from cardmeasure.sleeving.boxes import card_sets, unmeasured
from cardmeasure.sleeving.conditions import Conditions, Habits
from cardmeasure.sleeving.fit import fit_of
from cardmeasure.sleeving.sleeve import Quoted
from cardmeasure.sleeving.storage import (
    Pose,
    bare_pile,
    footprint,
    pile_height,
    placed,
    sleeved_pile,
    stacked,
    thickest_film_um,
)  # fmt: skip
from cardmeasure.sleeving.storing import store, ways_out
from cardmeasure.sleeving.wells import Well
from tests.made_results import match, measured, refused, sized_card, unsized_card
from tests.sleeving_things import cards, listed, sleeve

WELL = Well(name="tray", width_mm=75.0, length_mm=100.0, depth_mm=30.0, to_lid_mm=45.0)


def test_a_pile_is_count_times_thickness_and_two_films_times_its_looseness() -> None:
    # 5 to 20 % above n x (t + 2 films): experience
    height = pile_height(100, 0.3, u_thickness_mm=0.0, film_um=(60.0, 60.0))
    assert height.low_mm == pytest.approx(100 * 0.42 * 1.05)
    assert height.high_mm == pytest.approx(100 * 0.42 * 1.20)


@given(st.integers(1, 200), st.floats(0.2, 0.4), st.floats(20.0, 130.0))
def test_a_thicker_film_never_makes_a_lower_pile(count: int, thickness: float, film: float) -> None:
    thin, thick = (pile_height(count, thickness, u_thickness_mm=0.02, film_um=(f, f)) for f in (film, film + 5))
    assert thin.low_mm < thick.low_mm and thin.high_mm < thick.high_mm
    assert thin.low_mm < thin.high_mm


@given(st.integers(10, 150), st.floats(20.0, 80.0))
def test_the_thickest_film_just_fits(count: int, room: float) -> None:
    film = thickest_film_um([cards(count=count)], room_mm=room)
    if film is not None:
        for um, fits in ((film, True), (film + 1.5, False)):
            pile = sleeved_pile(cards(count=count), sleeve(film_um=um), habits=Habits())
            assert (pile.height.high_mm <= room + 1e-9) is fits


def test_an_outside_size_is_the_footprint_and_an_inside_size_gets_its_seams() -> None:
    width, length = footprint(sleeve(width=66.0, height=92.0, quoted=Quoted.OUTSIDE, tolerance_mm=0.0), habits=Habits())
    assert (width.low_mm, width.high_mm, length.high_mm) == pytest.approx((66.0, 66.0, 92.0))
    width, _ = footprint(sleeve(width=64.0, height=90.0, quoted=Quoted.INSIDE, tolerance_mm=0.0), habits=Habits())
    assert (width.low_mm, width.high_mm) == pytest.approx((64.0, 68.0))


def test_a_deck_that_is_too_high_may_stand_on_its_edge() -> None:
    pile = sleeved_pile(
        cards(count=170, width=41.0, height=63.0), sleeve(width=41.0, height=63.0, film_um=60.0), habits=Habits()
    )
    place = placed(pile, replace(WELL, to_lid_mm=60.0))
    assert pile.height.high_mm > 60.0
    assert (place.answer, place.sure) == ("fits", Pose.LONG_EDGE)


def test_what_does_not_fit_is_told_what_to_do() -> None:
    pile = sleeved_pile(cards(count=90), sleeve(film_um=100.0), habits=Habits())
    place = placed(pile, WELL)
    said = " ".join(ways_out(place, placed(bare_pile(cards(count=90)), WELL)))
    assert place.answer != "fits"
    assert f"at most {place.thickest_film_um:g} um" in said
    assert "split it into 2 piles" in said and "bare, the cards fit" in said


def test_a_floor_that_is_too_small_is_told() -> None:
    place = placed(
        sleeved_pile(cards(count=20), sleeve(film_um=60.0), habits=Habits()),
        replace(WELL, width_mm=64.0, to_lid_mm=20.0),
    )
    assert place.answer != "fits"
    assert "floor may be too small" in ways_out(place, None)[0]


def test_decks_in_one_well_lie_on_top_of_each_other() -> None:
    one, two = bare_pile(cards(count=30)), bare_pile(cards(count=50, width=57.0))
    both = stacked([one, two])
    assert both.height.high_mm == pytest.approx(one.height.high_mm + two.height.high_mm)
    assert both.width == one.width


def test_wells_name_their_decks_and_others_find_a_free_one() -> None:
    sets = [cards("One", count=30), cards("Two", count=30)]
    wells = [replace(WELL, name="a", decks=("one",)), replace(WELL, name="b")]
    answer = store(sets, wells, sleeves={sets[0]: sleeve(film_um=50.0)})
    assert [place.well.name for place in answer.places] == ["a"]
    assert [(p.well.name, p.pile.cards[0].deck) for p in answer.free] == [("b", "Two")]
    assert [stored.is_assumed for stored in answer.stored] == [False, True]
    with pytest.raises(UsageError, match="which is not among the results; there are One, Two"):
        store(sets, [replace(WELL, decks=("Three",))], sleeves={})


def test_a_deck_with_two_sizes_makes_two_sets_that_share_its_count() -> None:
    large = replace(sized_card(4), width_mm=70.0, height_mm=120.0, match=match("tarot"))
    shot = measured("a/x.jpg", cards=(sized_card(1), sized_card(2), sized_card(3), large))
    small, big = card_sets([shot], box="box", decks=[Deck(name="a", count=20, expected_cards=6)])
    assert (small.count, big.count, small.expected, big.expected) == (15, 5, 6, 0)
    assert (small.name, big.name) == ("a (63.0 x 88.1)", "a (70.0 x 120.0)")
    assert any("shared out" in remark for remark in small.remarks)


def test_a_count_that_contradicts_the_photos_is_said() -> None:
    shot = measured("a/x.jpg", cards=(sized_card(1), sized_card(2)))
    (only,) = card_sets([shot], box="box", decks=[Deck(name="a", count=1)])
    assert "1 card was entered, but 2 lie in the photos." in only.remarks


def test_a_bank_card_that_gave_the_scale_needs_no_sleeve() -> None:
    shot = measured("a/x.jpg", cards=(sized_card(1), sized_card(2, size_class="id-1")))
    assert shot.reference is not None
    scaled = replace(shot, reference=replace(shot.reference, scale_source="bank-card"))
    assert [each.size_class for each in card_sets([scaled], box="box")] == ["poker"]
    assert sorted(str(each.size_class) for each in card_sets([shot], box="box")) == ["id-1", "poker"]


def test_decks_that_were_not_measured_are_named() -> None:
    shots = [measured("a/x.jpg"), measured("b/y.jpg", cards=(unsized_card(1),)), refused("c/z.jpg")]
    assert [each.deck for each in card_sets(shots, box="box")] == ["a"]
    assert unmeasured(shots) == ("b", "c")
    (only,) = card_sets(shots, box="box")
    assert only.is_counted_in_photos and "1 piece has no size" in only.remarks[0]


def test_an_odd_card_counts_though_it_is_left_out_of_the_mean() -> None:
    large = replace(sized_card(9), width_mm=64.2)
    shot = measured("a/x.jpg", cards=(*(sized_card(i) for i in range(1, 9)), large))
    (only,) = card_sets([shot], box="box")
    assert only.width_mm == pytest.approx(63.0412, abs=0.001)
    assert only.excess_width_mm == pytest.approx(64.2 - only.width_mm)
    what = sleeve(width=64.2, height=90.0, quoted=Quoted.INSIDE, tolerance_mm=0.1)
    usual, odd = (
        fit_of(each, listed(what), conditions=Conditions()) for each in (replace(only, excess_width_mm=0.0), only)
    )
    assert usual.probability > 0.9 and odd.probability < 0.1
