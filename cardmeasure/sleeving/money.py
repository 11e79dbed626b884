"""Exact money: amounts are decimals, never binary fractions, and of one currency at a time."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import ROUND_HALF_UP, Decimal

from cardmeasure.errors import UsageError

CENT = Decimal("0.01")


def shown_amount(amount: Decimal, currency: str = "") -> str:
    """An amount with two decimals and its currency: `4.50 EUR`; halves of a cent are rounded up."""
    return f"{amount.quantize(CENT, rounding=ROUND_HALF_UP):f} {currency}".rstrip()


def single_currency(currencies: Iterable[tuple[str, str]]) -> str:
    """The one currency of pairs (currency, where it stands); empty where none is named.

    Raises UsageError where there are two: amounts of different currencies cannot be added, and rates change by the day.
    """
    first: tuple[str, str] | None = None
    for currency, where in currencies:
        if first is None:
            first = (currency, where)
        elif currency != first[0]:
            raise UsageError(
                f"{where}: the currency is {currency or 'not named'}, that of {first[1]} is {first[0] or 'not named'}; "
                "prices in different currencies cannot be added: convert them first, or keep one currency."
            )
    return first[0] if first is not None else ""


def in_cents(amount: Decimal) -> int:
    """An amount of at most two decimals as a whole number of hundredths."""
    scaled = amount * 100
    if scaled != scaled.to_integral_value():
        raise UsageError(f"{amount} has more than two decimals; round it to cents.")
    return int(scaled)


def from_cents(cents: int) -> Decimal:
    """A whole number of hundredths as an amount."""
    return Decimal(cents) / 100
