"""Results read back from their JSON form `cardmeasure/1` into records, with one clear sentence where that fails."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path

import msgspec

from cardmeasure.errors import UsageError
from cardmeasure.results import SCHEMA, ShotResult

MAX_FILE_BYTES = 2_000_000_000
_OF_MATCH = ("size_class", "probability", "margin_mm", "runner_up", "nearest")
"""Keys that stand flat in a card and belong together in the record."""


def read_results(path: Path) -> tuple[ShotResult, ...]:
    """The shots of a results file in its order; keys that are not known are passed over.

    Raises
    ------
    UsageError
        Where the file cannot be read or is no results file; the message names the file, and the key that is wrong.
    """
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise UsageError(f"{path}: the file is too large for results; name the right file.")
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise UsageError(f"{path}: the results cannot be read ({error.strerror or error}).") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: is not a text file; name a results file (.json) of cardmeasure measure.") from error
    return parse_results(text, where=str(path))


def parse_results(text: str, *, where: str = "results") -> tuple[ShotResult, ...]:
    """The shots of a results document; raises UsageError as `read_results` does, with `where` naming the document."""
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise UsageError(
            f"{where}: is not valid JSON ({error}); name a results file (.json) of cardmeasure measure."
        ) from error
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise UsageError(f'{where}: holds no results of the form "{SCHEMA}"; name a file of cardmeasure measure.')
    shots = document.get("shots")
    if not isinstance(shots, list):
        raise UsageError(f"{where}: shots is missing or no list; measure the photos again.")
    return tuple(_shot(shot, where=f"{where}: shot {i}") for i, shot in enumerate(shots, start=1))


def _shot(value: object, *, where: str) -> ShotResult:
    if isinstance(value, dict) and isinstance(value.get("cards"), list):
        value = {**value, "cards": [_nested(card) for card in value["cards"]]}
    try:
        shot = msgspec.convert(value, ShotResult)
    except msgspec.ValidationError as error:
        raise UsageError(f"{where}: {error}; measure the photos again.") from error
    _check(shot, where=where)
    return shot


def _nested(card: object) -> object:
    """A card's keys with those of its size match gathered; the record has no match where there is no size."""
    if not isinstance(card, Mapping):
        return card
    match = {key: card[key] for key in _OF_MATCH if key in card}
    return {**card, "match": match if match.get("nearest") is not None else None}


def _check(shot: ShotResult, *, where: str) -> None:
    """Raises UsageError for what the types allow and no measurement gives."""
    for card in shot.cards:
        both = (card.width_mm, card.height_mm, card.u_width_mm, card.u_height_mm)
        if len({value is None for value in both}) > 1:
            raise UsageError(f"{where}: card {card.number}: a size or its u is missing; measure the photo again.")
        if any(value is not None and not 0.0 <= value < math.inf for value in both) or 0.0 in both[:2]:
            raise UsageError(f"{where}: card {card.number}: a size must be above 0 mm; measure the photo again.")
    if shot.trouble is not None and shot.cards:
        raise UsageError(f"{where}: is refused and has cards; measure the photo again.")
