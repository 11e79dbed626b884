"""From the decks of a box, as measured, to sets of cards of one size each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean

from cardmeasure.decks import ClassSummary, Deck, DeckSummary, summarised
from cardmeasure.decks.counting import CountSource
from cardmeasure.decks.membership import TOP_FOLDER
from cardmeasure.results import Card, ShotResult
from cardmeasure.sleeving.card_set import CardSet

U_THICKNESS_MM = 0.05
"""Of the thickness that `measure` was told or assumed; a pile in the decks file brings a better one."""


def card_sets(
    shots: Sequence[ShotResult], *, box: str, decks: Sequence[Deck] = (), u_thickness_mm: float = U_THICKNESS_MM
) -> tuple[CardSet, ...]:
    """The sets of cards of one box, deck by deck; a deck of which no card was measured is left out.

    Where a deck has more cards than were measured and several sizes, each size gets its share of those not seen, and a
    remark says so.
    """
    shots = [_without_bank_card(shot) for shot in shots]
    cards = {(shot.file, card.number): card for shot in shots for card in shot.cards}
    sets: list[CardSet] = []
    for summary in summarised(shots, decks=decks):
        sets += _sets(summary, cards, box=box, u_thickness_mm=u_thickness_mm)
    return tuple(sets)


def unmeasured(shots: Sequence[ShotResult], *, decks: Sequence[Deck] = ()) -> tuple[str, ...]:
    """The names of decks of which no card has a size: nothing can be said of their sleeves."""
    return tuple(summary.name for summary in summarised(shots, decks=decks) if not summary.classes)


def _without_bank_card(shot: ShotResult) -> ShotResult:
    """The shot without the bank card that gave it its scale: nobody wants a sleeve for that."""
    if shot.reference is None or shot.reference.scale_source != "bank-card":
        return shot
    rest = tuple(card for card in shot.cards if card.match is None or card.match.size_class != "id-1")
    return replace(shot, cards=rest)


def _unseen(summary: DeckSummary) -> list[str]:
    """What is not known of a deck for want of sizes."""
    said = []
    if summary.unsized:
        number = len(summary.unsized)
        said.append(
            f"{number} {'piece has' if number == 1 else 'pieces have'} no size; taken for cards like the others."
        )
    if summary.refused:
        number = summary.refused
        said.append(f"{number} {'photo' if number == 1 else 'photos'} of it could not be measured.")
    return said


def _sets(
    summary: DeckSummary, cards: dict[tuple[str, int], Card], *, box: str, u_thickness_mm: float
) -> list[CardSet]:
    groups = summary.classes
    shares = _shared(summary.count.cards, [group.count for group in groups])
    remarks = [*summary.count.contradictions, *_unseen(summary)]
    if len(groups) > 1 and summary.count.cards > sum(group.count for group in groups):
        remarks.append("The cards that were not measured are shared out among the sizes as those that were.")
    if summary.count.u_cards > 0:
        remarks.append(
            f"The count comes from the pile's height: {summary.count.cards} ± {2 * summary.count.u_cards:.0f}."
        )
    found = [
        _set(group, summary, cards, box=box, count=count, u_thickness_mm=u_thickness_mm)
        for group, count in zip(groups, shares, strict=True)
    ]
    # expansions add to the size that the deck has most of
    return [
        replace(
            each,
            expected=summary.deck.expected_cards if summary.deck is not None and i == 0 else 0,
            is_only_size=len(groups) == 1,
            is_counted_in_photos=summary.count.source is CountSource.PHOTOS,
            remarks=(*remarks, *each.remarks) if i == 0 else each.remarks,
        )
        for i, each in enumerate(found)
    ]


def _set(
    group: ClassSummary,
    summary: DeckSummary,
    cards: dict[tuple[str, int], Card],
    *,
    box: str,
    count: int,
    u_thickness_mm: float,
) -> CardSet:
    members = [cards[name.file, name.number] for name in group.cards]
    deck, width, height = summary.deck, group.width, group.height
    thickness = fmean(card.thickness_mm or 0.30 for card in members)
    if deck is not None and deck.pile is not None:
        thickness, u_thickness_mm = deck.pile.card_thickness_mm, deck.pile.u_card_thickness_mm
    remarks = [
        f"{card.card} differs from the others by {card.dw_mm:+.2f}, {card.dh_mm:+.2f} mm." for card in group.odd_ones
    ]
    if group.unclear:
        remarks.append(f"The size class of {group.unclear} of {group.count} cards is not clear.")
    return CardSet(
        box=box,
        deck=box if summary.name == TOP_FOLDER else summary.name,
        size_class=group.size_class,
        count=count,
        width_mm=min(width.mean_mm, height.mean_mm),
        height_mm=max(width.mean_mm, height.mean_mm),
        u_width_mm=width.u_mean_mm,
        u_height_mm=height.u_mean_mm,
        correlation=fmean(card.correlation or 0.0 for card in members),
        scatter_width_mm=width.scatter_mm if group.averaged > 2 else None,
        scatter_height_mm=height.scatter_mm if group.averaged > 2 else None,
        excess_width_mm=max((odd.dw_mm for odd in group.odd_ones), default=0.0),
        excess_height_mm=max((odd.dh_mm for odd in group.odd_ones), default=0.0),
        measured=group.averaged,
        thickness_mm=thickness,
        u_thickness_mm=u_thickness_mm,
        handling=deck.handling if deck else None,
        sleeved_with=deck.sleeved_with if deck else None,
        leave_bare=deck.leave_bare if deck else False,
        remarks=tuple(remarks),
    )


def _shared(total: int, seen: Sequence[int]) -> list[int]:
    """A total shared out in proportion to what was seen, at least what was seen; largest remainders first."""
    there = sum(seen)
    if not there or total <= there:
        return list(seen)
    exact = [total * count / there for count in seen]
    shares = [int(share) for share in exact]
    for i in sorted(range(len(seen)), key=lambda i: shares[i] - exact[i])[: total - sum(shares)]:
        shares[i] += 1
    return shares
