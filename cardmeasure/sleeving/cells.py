"""What stands in the cells of a list: texts, numbers, whole numbers, amounts, dates, choices; each with its limits.

A cell's reader takes the text, free of space around it and never empty, and returns the value; it raises `CellError`
with the rest of a sentence: what is wrong, and what to write.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from reprlib import Repr
from typing import TypeVar

Value = TypeVar("Value")
CellReader = Callable[[str], object]

_NUMBER = re.compile(r"[+-]?[0-9]{1,12}(?:[.,][0-9]{1,9})?|[+-]?[.,][0-9]{1,9}")
_WHOLE = re.compile(r"[+-]?[0-9]{1,12}")
_shorten = Repr()
_shorten.maxstring = 40


class CellError(ValueError):
    """A cell that cannot be read. Its text goes on after the place: `'abc' is no number; write ...`."""


def shown(text: str) -> str:
    """A cell's text in quotes, shortened."""
    return _shorten.repr(text)


def text(cell: str) -> str:
    """Any text in one line, of at most 200 characters."""
    if not cell.isprintable() or len(cell) > 200:
        raise CellError(f"{shown(cell)} is not one line of at most 200 printable characters; shorten it")
    return cell


def number(low: float, high: float, *, unit: str) -> CellReader:
    """A reader of numbers from `low` to `high`, with a decimal point or a decimal comma."""

    def read(cell: str) -> float:
        if not _NUMBER.fullmatch(cell):
            raise CellError(f"{shown(cell)} is no number; write one from {low:g} to {high:g} {unit}, without the unit")
        value = float(cell.replace(",", "."))
        if not low <= value <= high:
            raise CellError(f"{cell} is out of range; write a number from {low:g} to {high:g} {unit}")
        return value

    return read


def whole(low: int, high: int) -> CellReader:
    """A reader of whole numbers from `low` to `high`."""

    def read(cell: str) -> int:
        if not _WHOLE.fullmatch(cell) or not low <= int(cell) <= high:
            raise CellError(f"{shown(cell)} is not a whole number from {low} to {high}; correct it")
        return int(cell)

    return read


def amount(cell: str) -> Decimal:
    """An amount of money, exact: at most two decimals after a point or a comma, no signs between the thousands."""
    if not _NUMBER.fullmatch(cell):
        raise CellError(f"{shown(cell)} is no price; write digits with a decimal point, without the currency")
    value = Decimal(cell.replace(",", "."))
    if not 0 <= value <= 100_000:
        raise CellError(f"{cell} is out of range; write a price from 0 to 100000")
    if value != value.quantize(Decimal("0.01")):
        raise CellError(f"{cell} has more than two decimals; is the comma or point one between thousands? Leave it out")
    return value


def currency(cell: str) -> str:
    """A currency's code: three letters (ISO 4217), in either case."""
    if not re.fullmatch("[A-Za-z]{3}", cell):
        raise CellError(f"{shown(cell)} is no currency; write its three letters, for example EUR")
    return cell.upper()


def day(cell: str) -> date:
    """A date as year, month, day (ISO 8601)."""
    try:
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", cell):
            raise ValueError
        return date.fromisoformat(cell)
    except ValueError:
        raise CellError(f"{shown(cell)} is no date; write year-month-day, for example 2026-03-31") from None


def choice(values: dict[str, Value]) -> Callable[[str], Value]:
    """A reader of one of several words, in either case."""

    def read(cell: str) -> Value:
        word = " ".join(cell.lower().replace(",", " ").split())
        if word not in values:
            raise CellError(f"{shown(cell)} is not known here; write {', '.join(values)}, or leave it empty")
        return values[word]

    return read


def size_mm(cell: str) -> tuple[float, float]:
    """Two sides as `63 x 88`, the shorter one first in the answer."""
    found = re.fullmatch(r"\s*([0-9.,]+)\s*[xX×*]\s*([0-9.,]+)\s*(?:mm)?\s*", cell)
    if found is None:
        raise CellError(f"{shown(cell)} is no size; write width x height in mm, for example 63 x 88")
    read = number(5.0, 1000.0, unit="mm")
    low, high = sorted(float(str(read(side))) for side in found.groups())
    return low, high
