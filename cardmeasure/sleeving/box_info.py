"""What is said of a box beside what was measured: a small file in TOML for its page.

name = "The Invented Game"
edition = "second edition"
language = "English"
date = 2026-03-14
text = "Whatever else readers should know."
sleeves_paid_by = "the reviewer"     # who paid for the sleeves

[[claim]]                            # what the box says
deck = "Events"
count = 110
width_mm = 63.5
height_mm = 88.0
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from reprlib import repr as shown

from cardmeasure.errors import UsageError
from cardmeasure.toml_files import FileWords, length_mm, read_toml, refuse_unknown, whole_number

_TEXTS = ("name", "edition", "language", "text", "sleeves_paid_by")
_SIDES = ("width_mm", "height_mm")
_CLAIM_KEYS = ("deck", "count", *_SIDES)
_COUNT_LIMITS, _SIDE_LIMITS_MM = (1, 100_000), (5.0, 1000.0)
_WORDS = FileWords(
    subject="the box file", too_large="to describe a box", not_toml="is not valid TOML in UTF-8: {error}."
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Claim:
    """What a box says of one of its decks; None: nothing."""

    deck: str
    count: int | None = None
    width_mm: float | None = None
    height_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class BoxInfo:
    """What a page says of a box beside what was measured."""

    name: str | None = None
    edition: str | None = None
    language: str | None = None
    date: date | None = None
    text: str | None = None
    sleeves_paid_by: str | None = None
    claims: tuple[Claim, ...] = ()


def read_box_info(path: Path) -> BoxInfo:
    """Read the file; raises UsageError for the first mistake, naming file and key."""
    document = read_toml(path, _WORDS)
    for key in document:
        if key not in (*_TEXTS, "date", "claim"):
            raise UsageError(
                f"{path}: unknown key {shown(key)}; the keys are {', '.join((*_TEXTS, 'date'))} and [[claim]]."
            )
    day = document.get("date")
    if day is not None and (not isinstance(day, date) or hasattr(day, "hour")):
        raise UsageError(f"{path}: date is {shown(day)}; write it as year-month-day without quotes, like 2026-03-14.")
    claims = document.get("claim", [])
    if not isinstance(claims, list) or not all(isinstance(claim, dict) for claim in claims):
        raise UsageError(f"{path}: claim must be written as [[claim]] tables, one for each deck.")
    return BoxInfo(
        **{key: _text(document, key, where=str(path)) for key in _TEXTS},
        date=day,
        claims=tuple(_claim(claim, where=f"{path}: claim {i}") for i, claim in enumerate(claims, start=1)),
    )


def _text(table: Mapping[str, object], key: str, *, where: str) -> str | None:
    value = table.get(key)
    if value is not None and (not isinstance(value, str) or len(value) > 5000):
        raise UsageError(f"{where}: {key} is {shown(value)}; it must be text in quotes, of at most 5000 letters.")
    return value


def _claim(table: Mapping[str, object], *, where: str) -> Claim:
    refuse_unknown(table, known=_CLAIM_KEYS, where=where)
    deck = _text(table, "deck", where=where)
    if not deck:
        raise UsageError(f"{where}: deck is missing; write the deck's name as the results or the decks file have it.")
    count = whole_number(table, "count", limits=_COUNT_LIMITS, where=where)
    sides = sorted(
        length_mm(table[key], limits=_SIDE_LIMITS_MM, what=f"{where}: {key} is") for key in _SIDES if key in table
    )
    if len(sides) == 1:
        raise UsageError(f"{where}: one of width_mm and height_mm is missing; write both, or neither.")
    width, height = sides or (None, None)
    return Claim(deck=deck, count=count, width_mm=width, height_mm=height)
