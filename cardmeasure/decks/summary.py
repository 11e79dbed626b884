"""From shots to decks: how many cards of each size class each deck has, how alike they are, which are odd."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from cardmeasure.decks.counting import DeckCount, deck_count
from cardmeasure.decks.membership import NO_DECK, deck_of_card, deck_of_photo
from cardmeasure.decks.records import CardName, Deck
from cardmeasure.decks.spread import SideSize, SideSpread, odd_ones, parts_of, side_size, spread_of
from cardmeasure.flags import FLAGS, Level
from cardmeasure.results import Card, ShotResult

CLEAR = 0.95
"""A size class that is less probable than this is called unclear."""
ODD_SIZE_GAP_MM = 1.5
"""Odd sizes nearer to each other than this on both sides are taken for one size; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class OddOne:
    """A card that differs from the others of its deck and class; `dw_mm`, `dh_mm`: its size minus their mean."""

    card: CardName
    width_mm: float
    height_mm: float
    dw_mm: float
    dh_mm: float


@dataclass(frozen=True, kw_only=True)
class ClassSummary:
    """The cards of one size class (None: one odd size) in a deck.

    `count` is that of all of them, `unclear` of those whose class is not clear, `doubtful` of those whose size is
    flagged as doubtful. Width and height are over `averaged` cards: odd ones are left out, and doubtful ones as long as
    there are others.
    """

    size_class: str | None
    count: int
    unclear: int
    doubtful: int
    averaged: int
    width: SideSpread
    height: SideSpread
    odd_ones: tuple[OddOne, ...]
    cards: tuple[CardName, ...]


@dataclass(frozen=True, kw_only=True)
class DeckSummary:
    """One deck as photographed: measured photos that count, duplicates that do not, refused ones, pieces, classes.

    `unsized` names the pieces that were seen but have no size. The most frequent class comes first. `deck` is what the
    decks file says, None where there is none.
    """

    name: str
    deck: Deck | None
    photos: int
    duplicates: int
    refused: int
    count: DeckCount
    classes: tuple[ClassSummary, ...]
    unsized: tuple[CardName, ...]

    @property
    def pieces(self) -> int:
        """Pieces seen, those without a size included; duplicates are not counted again."""
        return sum(group.count for group in self.classes) + len(self.unsized)


@dataclass(frozen=True, kw_only=True)
class _Piece:
    name: CardName
    card: Card


def summarised(shots: Sequence[ShotResult], *, decks: Sequence[Deck] = ()) -> tuple[DeckSummary, ...]:
    """Summaries of all decks: those of the decks file in its order, photographed or not, then what it leaves over.

    Without decks each folder is one, in the order in which the shots name them. Shots with `duplicate_of` count once.
    """
    pieces: dict[str, list[_Piece]] = {deck.name: [] for deck in decks}
    rows: dict[str, list[ShotResult]] = {deck.name: [] for deck in decks}
    for shot in shots:
        rows.setdefault(deck_of_photo(shot.file, decks), []).append(shot)
        if shot.duplicate_of is not None:
            continue
        for card in shot.cards:
            name = CardName(file=shot.file, number=card.number)
            pieces.setdefault(deck_of_card(name, decks), []).append(_Piece(name=name, card=card))
    said = {deck.name: deck for deck in decks}
    names = sorted(dict.fromkeys([*rows, *pieces]), key=lambda name: name == NO_DECK)
    return tuple(_summary(name, said.get(name), rows.get(name, []), pieces.get(name, [])) for name in names)


def _summary(name: str, deck: Deck | None, shots: Sequence[ShotResult], pieces: Sequence[_Piece]) -> DeckSummary:
    sized = [piece for piece in pieces if piece.card.is_sized]
    counted = {piece.name.file for piece in pieces}
    counted |= {shot.file for shot in shots if shot.trouble is None and shot.duplicate_of is None}
    return DeckSummary(
        name=name,
        deck=deck,
        photos=len(counted),
        duplicates=sum(shot.duplicate_of is not None for shot in shots),
        refused=sum(shot.trouble is not None and shot.duplicate_of is None for shot in shots),
        count=deck_count(deck, pieces=len(pieces)),
        classes=_classes(sized),
        unsized=tuple(piece.name for piece in pieces if not piece.card.is_sized),
    )


def _classes(pieces: Sequence[_Piece]) -> tuple[ClassSummary, ...]:
    groups: dict[str, list[_Piece]] = defaultdict(list)
    odd: list[_Piece] = []
    for piece in pieces:
        answer = piece.card.match.size_class if piece.card.match is not None else None
        (odd if answer is None else groups[answer]).append(piece)
    classes = [_class_summary(answer, members) for answer, members in groups.items()]
    classes += [_class_summary(None, members) for members in _alike(odd)]
    return tuple(sorted(classes, key=lambda c: (-c.count, c.size_class or "", c.width.mean_mm, c.height.mean_mm)))


def _alike(pieces: Iterable[_Piece]) -> list[list[_Piece]]:
    """Pieces of odd size in groups, whose members are linked by steps of less than the gap on both sides."""
    groups: list[list[_Piece]] = []
    for piece in pieces:
        near = [group for group in groups if any(_distance_mm(piece, other) < ODD_SIZE_GAP_MM for other in group)]
        groups = [group for group in groups if group not in near]
        groups.append([*(other for group in near for other in group), piece])
    return groups


def _distance_mm(a: _Piece, b: _Piece) -> float:
    (aw, ah), (bw, bh) = _size_mm(a.card), _size_mm(b.card)
    return max(abs(aw - bw), abs(ah - bh))


def _class_summary(size_class: str | None, pieces: Sequence[_Piece]) -> ClassSummary:
    sides = [_sides(piece) for piece in pieces]
    odd = {i for side in (0, 1) for i in odd_ones([both[side] for both in sides])}
    sure = [i for i, piece in enumerate(pieces) if i not in odd and not _is_doubtful(piece.card)]
    used = sure or [i for i in range(len(pieces)) if i not in odd]
    width, height = (spread_of([sides[i][side] for i in used]) for side in (0, 1))
    return ClassSummary(
        size_class=size_class,
        count=len(pieces),
        unclear=sum(p.card.match is not None and p.card.match.probability < CLEAR for p in pieces),
        doubtful=sum(_is_doubtful(piece.card) for piece in pieces),
        averaged=len(used),
        width=width,
        height=height,
        odd_ones=tuple(_odd_one(pieces[i], width, height) for i in sorted(odd)),
        cards=tuple(piece.name for piece in pieces),
    )


def _odd_one(piece: _Piece, width: SideSpread, height: SideSpread) -> OddOne:
    w, h = _size_mm(piece.card)
    return OddOne(card=piece.name, width_mm=w, height_mm=h, dw_mm=w - width.mean_mm, dh_mm=h - height.mean_mm)


def _sides(piece: _Piece) -> tuple[SideSize, SideSize]:
    width_mm, height_mm = _size_mm(piece.card)
    budget = piece.card.budget
    width, height = (
        side_size(piece.name.file, size, u_mm=u or 0.0, parts_mm=parts_of(budget, is_width=is_width))
        for size, u, is_width in (
            (width_mm, piece.card.u_width_mm, True),
            (height_mm, piece.card.u_height_mm, False),
        )
    )
    return width, height


def _size_mm(card: Card) -> tuple[float, float]:
    """Width and height of a card that has a size."""
    return card.width_mm or math.nan, card.height_mm or math.nan


def _is_doubtful(card: Card) -> bool:
    return any(code in FLAGS and FLAGS[code].level is Level.DOUBT for code in card.flags)
