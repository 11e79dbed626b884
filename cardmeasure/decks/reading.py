"""Reading a decks file (TOML), with one clear sentence for every mistake in it.

A deck, as filled in by hand; all but the name may be left out::

    [[deck]]
    name = "Events"
    photos = ["events/*.jpg"]        # which photos show it; else all in a folder called Events
    cards = ["table.jpg#3"]          # single cards: file and number in the results
    count = 110                      # how many cards it has, where you know ...
    pile_height_mm = 34.5            # ... or the height of the pile
    card_thickness_mm = 0.31         # and the thickness of one card
    handling = "often"               # "rarely", "often" or "in public"
    expected_cards = 20              # from expansions
    sleeved_with = "Clear 63 x 88"   # what is on the cards already
    leave_bare = false
    notes = "ask before buying"
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from reprlib import repr as shown

from cardmeasure.decks.records import CardName, Deck, Handling, Pile
from cardmeasure.errors import UsageError
from cardmeasure.toml_files import FileWords, is_plain, length_mm, read_toml, refuse_unknown, whole_number

COUNT_LIMITS = (1, 100_000)
EXPECTED_LIMITS = (0, 100_000)
LENGTH_LIMITS_MM = (0.01, 10_000.0)
U_LIMITS_MM = (0.0001, 1000.0)
DEFAULT_U_PILE_MM = 0.5
"""Of a pile pressed together and read with a ruler; common practice, no source."""
DEFAULT_U_THICKNESS_MM = 0.02
"""Of one card between the jaws of a calliper, which squeeze it; common practice, no source."""
_WORDS = FileWords(
    subject="the decks", too_large="for a list of decks",
    not_text="is not a text file; write the decks as TOML in UTF-8.",
)  # fmt: skip
_NAME_LENGTH = 80
_CARD = re.compile(r"(.+)#([1-9][0-9]{0,5})", re.DOTALL)
_PILE_KEYS = ("pile_height_mm", "u_pile_height_mm", "card_thickness_mm", "u_card_thickness_mm")
_KEYS = ("name", "photos", "cards", "count", *_PILE_KEYS, "handling", "expected_cards", "sleeved_with",
         "leave_bare", "notes")  # fmt: skip


def read_decks(path: Path) -> tuple[Deck, ...]:
    """The decks of a decks file, in its order; at least one.

    Raises
    ------
    UsageError
        Where the file cannot be read, is no TOML, or holds a wrong key or value; the message names file, deck and key.
    """
    document = read_toml(path, _WORDS)
    for key in document:
        if key != "deck":
            raise UsageError(f"{path}: unknown key {shown(key)}; write each deck below a line [[deck]].")
    tables = document.get("deck")
    if not isinstance(tables, list) or not tables or not all(isinstance(table, dict) for table in tables):
        raise UsageError(f"{path}: holds no deck; write [[deck]], and below it name = and what else you know of it.")
    decks = tuple(_deck(table, number=i, path=path) for i, table in enumerate(tables, start=1))
    _refuse_repetition(decks, path=path)
    return decks


def _deck(table: Mapping[str, object], *, number: int, path: Path) -> Deck:
    name = _name(table, where=f"{path}: deck {number}")
    where = f"{path}: deck {name!r}"
    refuse_unknown(table, known=_KEYS, where=where)
    bare = table.get("leave_bare", False)
    if not isinstance(bare, bool):
        raise UsageError(f"{where}: leave_bare is {shown(bare)}; it must be true or false.")
    return Deck(
        name=name,
        photos=_texts(table, "photos", where=where) if "photos" in table else None,
        cards=tuple(_card_name(text, where=where) for text in _texts(table, "cards", where=where)),
        count=whole_number(table, "count", limits=COUNT_LIMITS, where=where),
        pile=_pile(table, where=where),
        handling=_handling(table, where=where),
        expected_cards=whole_number(table, "expected_cards", limits=EXPECTED_LIMITS, where=where) or 0,
        sleeved_with=_text(table, "sleeved_with", where=where),
        leave_bare=bare,
        notes=_notes(table, where=where),
    )


def _name(table: Mapping[str, object], *, where: str) -> str:
    if "name" not in table:
        raise UsageError(f"{where}: name is missing; every deck needs one.")
    name = table["name"]
    if not isinstance(name, str) or not is_plain(name) or len(name) > _NAME_LENGTH:
        raise UsageError(
            f"{where}: name is {shown(name)}; it must be text in one line, at most {_NAME_LENGTH} letters."
        )
    return name


def _pile(table: Mapping[str, object], *, where: str) -> Pile | None:
    if not any(key in table for key in _PILE_KEYS):
        return None
    for key, other in (("pile_height_mm", "card_thickness_mm"), ("card_thickness_mm", "pile_height_mm")):
        if key not in table:
            given = next(name for name in _PILE_KEYS if name in table)
            raise UsageError(
                f"{where}: {key} is missing beside {given}; a count takes both {key} and {other}, or write count."
            )
    height, u_height, thickness, u_thickness = (
        length_mm(table.get(key, default), limits=limits, what=f"{where}: {key} is")
        for key, limits, default in zip(
            _PILE_KEYS,
            (LENGTH_LIMITS_MM, U_LIMITS_MM) * 2,
            (None, DEFAULT_U_PILE_MM, None, DEFAULT_U_THICKNESS_MM),
            strict=True,
        )
    )
    if thickness > height:
        raise UsageError(f"{where}: card_thickness_mm is larger than pile_height_mm; check which is which.")
    return Pile(height_mm=height, u_height_mm=u_height, card_thickness_mm=thickness, u_card_thickness_mm=u_thickness)


def _handling(table: Mapping[str, object], *, where: str) -> Handling | None:
    value = table.get("handling")
    if value is None:
        return None
    if not isinstance(value, str) or value not in tuple(Handling):
        choices = ", ".join(f'"{choice}"' for choice in Handling)
        raise UsageError(f"{where}: handling is {shown(value)}; it must be one of {choices}.")
    return Handling(value)


def _card_name(text: str, *, where: str) -> CardName:
    found = _CARD.fullmatch(text)
    if found is None:
        raise UsageError(f'{where}: cards holds {shown(text)}; write the file and the number, as in "table.jpg#3".')
    return CardName(file=found[1], number=int(found[2]))


def _text(table: Mapping[str, object], key: str, *, where: str) -> str | None:
    value = table.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or not is_plain(value):
        raise UsageError(f"{where}: {key} is {shown(value)}; it must be text in one line.")
    return value


def _notes(table: Mapping[str, object], *, where: str) -> str | None:
    value = table.get("notes")
    if value is not None and not isinstance(value, str):
        raise UsageError(f"{where}: notes is {shown(value)}; it must be text.")
    return value


def _texts(table: Mapping[str, object], key: str, *, where: str) -> tuple[str, ...]:
    value = table.get(key, [])
    if not isinstance(value, list) or not all(isinstance(item, str) and item for item in value):
        raise UsageError(f"{where}: {key} is {shown(value)}; it must be a list of texts in quotes.")
    return tuple(value)


def _refuse_repetition(decks: tuple[Deck, ...], *, path: Path) -> None:
    names: set[str] = set()
    cards: dict[CardName, str] = {}
    for deck in decks:
        if deck.name in names:
            raise UsageError(f"{path}: deck {deck.name!r}: name is used twice; give each deck its own.")
        names.add(deck.name)
        for card in deck.cards:
            if card in cards:
                other = "twice" if cards[card] == deck.name else f"in deck {cards[card]!r} too"
                raise UsageError(f"{path}: deck {deck.name!r}: cards holds '{card}' {other}; keep it once.")
            cards[card] = deck.name
