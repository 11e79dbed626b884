"""A plan read back from its JSON form: which sleeve each set of cards gets."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from cardmeasure.errors import UsageError
from cardmeasure.reports.sleeving_records import PLAN_SCHEMA
from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.sleeve import Sleeve

MAX_FILE_BYTES = 50_000_000
SAME_SIZE_MM = 0.5
"""Cards of a deck and a plan belong together where their sizes differ by less: a plan may be from an earlier run."""


class _Fit(msgspec.Struct):
    sleeve: Sleeve


class _Deck(msgspec.Struct):
    deck: str
    width_mm: float
    height_mm: float
    fit: _Fit


class _Plan(msgspec.Struct):
    decks: list[_Deck]


def read_plan_document(path: Path) -> dict[str, Any]:
    """A plan document; raises UsageError where the file is none."""
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
    return document


def read_plan_sleeves(path: Path, cards: Sequence[CardSet]) -> dict[CardSet, Sleeve]:
    """The sleeve of each set of cards that the plan names; the box's own name does not matter.

    Raises UsageError where the file is no plan, or is for other decks.
    """
    document = read_plan_document(path)
    try:
        plan = msgspec.convert(document.get("plan") or {"decks": []}, _Plan)
    except msgspec.ValidationError as error:
        raise UsageError(f"{path}: plan: {error}; write the plan again with plan --out.") from error
    found: dict[CardSet, Sleeve] = {}
    for each in cards:
        for deck in plan.decks:
            apart = max(abs(deck.width_mm - each.width_mm), abs(deck.height_mm - each.height_mm))
            if deck.deck == each.deck and apart < SAME_SIZE_MM:
                found[each] = deck.fit.sleeve
                break
    if plan.decks and not found:
        raise UsageError(f"{path}: none of the plan's decks is among the results; name the plan of this box.")
    return found
