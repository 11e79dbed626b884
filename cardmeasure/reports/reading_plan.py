"""A plan read back from its JSON form: which sleeve each set of cards gets, and how it fits."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import msgspec

from cardmeasure.errors import UsageError
from cardmeasure.reports.sleeving_records import PLAN_SCHEMA
from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.sleeve import Sleeve
from cardmeasure.sleeving.verdict import Verdict

MAX_FILE_BYTES = 50_000_000
SAME_SIZE_MM = 0.5
"""Cards of a deck and a plan belong together where their sizes differ by less: a plan may be from an earlier run."""


class PlanLimits(msgspec.Struct, frozen=True):
    """The limits of a length, mm."""

    low: float
    high: float


class PlanFit(msgspec.Struct, frozen=True):
    """How the sleeve of a plan fits."""

    sleeve: Sleeve
    verdict: Verdict
    probability: float
    reason: str
    own_trial: str | None
    play_mm: PlanLimits
    overhang_mm: PlanLimits


class PlanDeck(msgspec.Struct, frozen=True):
    """What a set of cards gets."""

    box: str
    deck: str
    width_mm: float
    height_mm: float
    sleeves: int
    fit: PlanFit


class _Plan(msgspec.Struct):
    decks: list[PlanDeck]


def read_plan(path: Path) -> tuple[PlanDeck, ...]:
    """What the decks of a plan get; none where nothing is bought. Raises UsageError where the file is no plan."""
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise UsageError(f"{path}: the file is too large for a plan; name the right file.")
        document = json.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise UsageError(f"{path}: the plan cannot be read ({error.strerror or error}).") from error
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{path}: is not valid JSON ({error}); name a file that plan --out wrote.") from error
    if not isinstance(document, dict) or document.get("schema") != PLAN_SCHEMA:
        raise UsageError(f'{path}: holds no plan of the form "{PLAN_SCHEMA}"; name a .json that plan --out wrote.')
    try:
        return tuple(msgspec.convert(document.get("plan") or {"decks": []}, _Plan).decks)
    except msgspec.ValidationError as error:
        raise UsageError(f"{path}: plan: {error}; write the plan again with plan --out.") from error


def matched(cards: Sequence[CardSet], decks: Sequence[PlanDeck], *, where: str = "plan") -> dict[CardSet, PlanDeck]:
    """What each set of cards gets, by deck, size, and box where the plan knows a box of that name.

    Raises UsageError where the plan is for other decks altogether.
    """
    boxes = {deck.box for deck in decks}
    found: dict[CardSet, PlanDeck] = {}
    for each in cards:
        for deck in decks:
            apart = max(abs(deck.width_mm - each.width_mm), abs(deck.height_mm - each.height_mm))
            if deck.deck == each.deck and apart < SAME_SIZE_MM and (deck.box == each.box or each.box not in boxes):
                found[each] = deck
                break
    if decks and not found:
        raise UsageError(f"{where}: none of the plan's decks is among the results; name the plan of this box.")
    return found
