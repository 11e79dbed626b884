"""What one piece is, in a sentence: size, nominal class, the nearest classes and how far away they are."""

from __future__ import annotations

import math
from collections.abc import Sequence

from cardmeasure.classes import SizeClass
from cardmeasure.conformity.assessing import conformity_words
from cardmeasure.conformity.expectation import Expectation
from cardmeasure.flags import FLAGS, Level
from cardmeasure.reports.shape_words import with_u
from cardmeasure.results import Card, ShotResult
from cardmeasure.text import printable, wrapped

NEAREST = 3
"""So many classes are named."""
CLEAR = 0.95
ID_1 = "id-1"
ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")


def piece_text(
    shot: ShotResult, *, classes: Sequence[SizeClass], width: int, expectation: Expectation | None = None
) -> str:
    """The answer about the piece in a photo; about each of them, with advice, where there are several."""
    if shot.trouble is not None:
        return _lines([f"Not measured: {shot.trouble.message} {shot.trouble.advice}"], width)
    asked = _asked(shot.cards)
    sentences = [_sentence(card, classes, expectation, alone=len(asked) == 1) for card in asked]
    if len(asked) > 1:
        many = f"There are {len(asked)} pieces in the photo, numbered row by row; for one answer lay one piece alone."
        sentences.insert(0, many)
    return _lines([*sentences, *_notes(shot, asked)], width)


def nearest_classes(width_mm: float, height_mm: float, classes: Sequence[SizeClass]) -> list[tuple[str, float]]:
    """The nearest nominal size classes, each with the distance of its nearest cut in the plane of sizes, mm."""
    away = [
        (min(math.hypot(width_mm - w, height_mm - h) for w, h in size.cuts_mm), size.id)
        for size in classes
        if size.is_on
    ]
    return [(name, distance) for distance, name in sorted(away)[:NEAREST]]


def _asked(cards: Sequence[Card]) -> list[Card]:
    """The pieces that are meant: a bank card beside another piece lies there for the scale."""
    others = [card for card in cards if card.match is None or card.match.size_class != ID_1]
    return list(others or cards)


def _sentence(card: Card, classes: Sequence[SizeClass], expectation: Expectation | None, *, alone: bool) -> str:
    name = "This piece" if alone else f"Piece {card.number}"
    if card.width_mm is None or card.height_mm is None:
        reasons = " ".join(FLAGS[code].meaning if code in FLAGS else code for code in card.flags)
        return f"{name} could not be measured: {reasons}"
    sizes = f"{with_u(card.width_mm, card.u_width_mm)} mm wide and {with_u(card.height_mm, card.u_height_mm)} mm high"
    if card.diameter_mm is not None:
        said = f"{name} is round, {with_u(card.diameter_mm, card.u_diameter_mm)} mm in diameter"
    elif card.across_flats_mm is not None:
        flats = with_u(card.across_flats_mm, card.u_across_flats_mm)
        said = f"{name} is a regular polygon, {flats} mm across flats; the smallest rectangle around it is {sizes}"
    elif card.shape != "rectangle":
        said = f"{name} is a polygon; the smallest rectangle around it is {sizes}"
    else:
        said = f"{name} is {sizes}{_class_words(card, classes)}"
    return f"{said}{_conformity(card, expectation)}."


def _conformity(card: Card, expectation: Expectation | None) -> str:
    if card.conformity is None:
        return "" if expectation is None else f"; it is not of the kind that {expectation.text} describes"
    words = conformity_words(card.conformity)
    return f"; {words}" if words.startswith("cannot") else f"; it {words}"


def _class_words(card: Card, classes: Sequence[SizeClass]) -> str:
    """Whether the size is a nominal one, and the nearest classes."""
    match = card.match
    if match is None:
        return ""
    near = nearest_classes(card.width_mm or 0.0, card.height_mm or 0.0, classes)
    chosen = match.size_class
    if match.probability < CLEAR:
        answer = f"; unclear whether that is {chosen or 'an odd size'} or {match.runner_up or 'an odd size'}"
    elif chosen is None:
        answer = "; that is no nominal size"
    else:
        distance = next((away for name, away in near if name == chosen), None)
        off = "" if distance is None else f", {distance:.2f} mm off its cut"
        answer = f"; that is a nominal size, {chosen}{off}"
        near = [item for item in near if item[0] != chosen]
    words = ", ".join(f"{name} {away:.1f} mm away" for name, away in near)
    return (
        f"{answer}; nearest: {words}"
        if words and chosen is None
        else f"{answer}; next nearest: {words}"
        if words
        else answer
    )


def _notes(shot: ShotResult, cards: Sequence[Card]) -> list[str]:
    """What the figures mean, and each doubt and note met, once."""
    codes = dict.fromkeys([*(code for card in cards if card.is_sized for code in card.flags), *shot.flags])
    notes = [
        f"{code}: {FLAGS[code].meaning}" for code in codes if code in FLAGS and FLAGS[code].level is not Level.UNSIZED
    ]
    if any(card.is_sized for card in cards):
        notes.insert(0, "± is the expanded uncertainty 2 u: the true size lies within it about 19 times in 20.")
    return [f"Note: {note}" for note in notes]


def _lines(paragraphs: Sequence[str], width: int) -> str:
    return (
        "\n".join(line for text in paragraphs for line in wrapped(printable(text), first="", then="  ", width=width))
        + "\n"
    )
