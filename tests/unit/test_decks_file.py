"""Reading a decks file: what it may hold, and one sentence for each mistake."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.decks import CardName, Deck, Handling, Pile, read_decks
from cardmeasure.decks.membership import check_decks, deck_of_card, deck_of_photo
from cardmeasure.errors import UsageError

WHOLE = """
[[deck]]
name = "Events"
photos = ["events/*.jpg", "more/?.png"]
cards = ["table.jpg#3", "odd#name.jpg#12"]
count = 110
pile_height_mm = 34.5
u_pile_height_mm = 0.3
card_thickness_mm = 0.31
u_card_thickness_mm = 0.005
handling = "in public"
expected_cards = 20
sleeved_with = "Clear 63 x 88"
leave_bare = true
notes = "ask\\nbefore"

[[deck]]
name = "Heroes"
"""


def decks_file(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "decks.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_key_is_read_and_all_but_the_name_may_be_left_out(tmp_path: Path) -> None:
    events, heroes = read_decks(decks_file(tmp_path, WHOLE))
    assert events == Deck(
        name="Events",
        photos=("events/*.jpg", "more/?.png"),
        cards=(CardName(file="table.jpg", number=3), CardName(file="odd#name.jpg", number=12)),
        count=110,
        pile=Pile(height_mm=34.5, u_height_mm=0.3, card_thickness_mm=0.31, u_card_thickness_mm=0.005),
        handling=Handling.IN_PUBLIC,
        expected_cards=20,
        sleeved_with="Clear 63 x 88",
        leave_bare=True,
        notes="ask\nbefore",
    )
    assert heroes == Deck(name="Heroes")


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("", "deck 1: name is missing"),
        ('name = ""', "deck 1: name is ''"),
        ('name = "a"\ncolour = 1', "deck 'a': unknown key 'colour'"),
        ('name = "a"\ncount = -3', "deck 'a': count is -3; it must be a whole number from 1 to 100000"),
        ('name = "a"\ncount = true', "deck 'a': count is True"),
        ('name = "a"\ncount = 3.5', "deck 'a': count is 3.5"),
        ('name = "a"\npile_height_mm = 30', "deck 'a': card_thickness_mm is missing beside pile_height_mm"),
        ('name = "a"\nu_pile_height_mm = 1', "deck 'a': pile_height_mm is missing beside u_pile_height_mm"),
        ('name = "a"\npile_height_mm = nan\ncard_thickness_mm = 0.3', "deck 'a': pile_height_mm is nan"),
        ('name = "a"\npile_height_mm = 0.3\ncard_thickness_mm = 30', "deck 'a': card_thickness_mm is larger"),
        ('name = "a"\nhandling = "never"', "deck 'a': handling is 'never'; it must be one of \"rarely\", \"often\""),
        ('name = "a"\ncards = ["x.jpg"]', "deck 'a': cards holds 'x.jpg'; write the file and the number"),
        ('name = "a"\ncards = ["x.jpg#1", "x.jpg#1"]', "deck 'a': cards holds 'x.jpg#1' twice"),
        ('name = "a"\nphotos = "x"', "deck 'a': photos is 'x'; it must be a list"),
        ('name = "a"\nexpected_cards = "many"', "deck 'a': expected_cards is 'many'"),
        ('name = "a"\nleave_bare = "no"', "deck 'a': leave_bare is 'no'"),
        ('name = "a"\nsleeved_with = "x\\ny"', "deck 'a': sleeved_with is"),
        ('name = "a"\nnotes = 3', "deck 'a': notes is 3"),
        ('name = "a"\n[[deck]]\nname = "a"', "deck 'a': name is used twice"),
        (
            'name = "a"\ncards = ["x#1"]\n[[deck]]\nname = "b"\ncards = ["x#1"]',
            "deck 'b': cards holds 'x#1' in deck 'a' too",
        ),
    ],
)
def test_a_mistake_is_one_sentence_that_names_file_deck_and_key(tmp_path: Path, lines: str, words: str) -> None:
    path = decks_file(tmp_path, f"[[deck]]\n{lines}\n")
    with pytest.raises(UsageError) as caught:
        read_decks(path)
    assert str(caught.value).startswith(f"{path}: {words}")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "holds no deck"),
        (b"deck = 3", "holds no deck"),
        (b"decks = []", "unknown key 'decks'"),
        (b"\xff\xfe\x00", "is not a text file"),
        (b"[[deck", "is not valid TOML"),
        (b" " * 1_000_001, "too large"),
    ],
)
def test_what_is_no_decks_file_is_said_in_one_sentence(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "decks.toml"
    path.write_bytes(content)
    with pytest.raises(UsageError, match=words):
        read_decks(path)
    with pytest.raises(UsageError, match="cannot be read"):
        read_decks(tmp_path / "none.toml")


@given(st.binary(max_size=200))
def test_whatever_a_file_holds_it_is_read_or_refused(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.mktemp("any") / "decks.toml"
    path.write_bytes(b'[[deck]]\nname = "a"\n' + content)
    try:
        assert read_decks(path)[0].name == "a"
    except UsageError as error:
        assert str(error).startswith(str(path))


def test_without_a_decks_file_each_folder_is_a_deck() -> None:
    assert [deck_of_photo(file, ()) for file in ("a.jpg", "x/a.jpg", "x/y/a.jpg")] == [".", "x", "x/y"]


def test_a_card_belongs_to_the_deck_that_names_it_then_to_that_of_its_photo() -> None:
    decks = (
        Deck(name="Heroes"),
        Deck(name="Events", photos=("ev*.jpg",), cards=(CardName(file="Heroes/1.jpg", number=2),)),
    )
    cards = [("Heroes/1.jpg", 1), ("Heroes/1.jpg", 2), ("box/Heroes/2.jpg", 1), ("events/a.jpg", 1), ("x.jpg", 1)]
    found = [deck_of_card(CardName(file=file, number=number), decks) for file, number in cards]
    assert found == ["Heroes", "Events", "Heroes", "Events", "(in no deck)"]


def test_a_pattern_means_only_star_and_question_mark() -> None:
    deck = Deck(name="a", photos=("x[1]/?.jpg",))
    assert [deck_of_photo(file, (deck,)) for file in ("x[1]/a.jpg", "x1/a.jpg", "x[1]/ab.jpg")] == [
        "a", "(in no deck)", "(in no deck)",
    ]  # fmt: skip


def test_a_photo_of_two_decks_and_a_card_in_no_photo_are_told() -> None:
    twice = (Deck(name="a", photos=("*",)), Deck(name="b", photos=("x/*",)))
    check_decks(twice, ["y.jpg"])
    with pytest.raises(UsageError, match=r"x/1\.jpg belongs to 'a' and to 'b'"):
        check_decks(twice, ["y.jpg", "x/1.jpg"])
    lost = (Deck(name="a", cards=(CardName(file="no.jpg", number=1),)),)
    with pytest.raises(UsageError, match=r"names the card no\.jpg#1, but no photo is called no\.jpg"):
        check_decks(lost, ["y.jpg"])
