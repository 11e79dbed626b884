"""Verdicts in plain words, and the order in which one would rather have them."""

from __future__ import annotations

from enum import StrEnum

from cardmeasure.errors import UsageError
from cardmeasure.sleeving.conditions import Thresholds


class Verdict(StrEnum):
    """How a sleeve fits, the best first."""

    CLOSE = "close"
    TIGHT = "tight"
    LOOSE = "loose"
    EDGE_BARE = "edge bare"
    TOO_LONG = "much too long"
    TOO_WIDE = "much too wide"
    TOO_SHORT = "much too short"
    MAY_NOT = "may not go on"
    NOT = "does not go on"

    @property
    def rank(self) -> int:
        """0 for the best."""
        return list(Verdict).index(self)

    @property
    def is_stopgap(self) -> bool:
        """Whether the sleeve goes on, but is a stopgap only."""
        return self in (Verdict.EDGE_BARE, Verdict.TOO_LONG, Verdict.TOO_WIDE, Verdict.TOO_SHORT)


def verdict_of(probability: float, *, play_mm: float, overhang_mm: float, limits: Thresholds) -> Verdict:
    """The verdict for a sleeve in which all cards find room with `probability`."""
    if probability < limits.never:
        return Verdict.NOT
    if probability < limits.sure:
        return Verdict.MAY_NOT
    if overhang_mm < -limits.short_mm:
        return Verdict.TOO_SHORT
    if play_mm >= limits.loose_mm:
        return Verdict.TOO_WIDE
    if overhang_mm > limits.long_mm:
        return Verdict.TOO_LONG
    if overhang_mm < -limits.bare_mm:
        return Verdict.EDGE_BARE
    if play_mm < limits.tight_mm:
        return Verdict.TIGHT
    return Verdict.CLOSE if play_mm < limits.close_mm else Verdict.LOOSE


def parse_accept(text: str) -> Verdict:
    """The worst verdict to accept, in words; raises UsageError for one that is not known or cannot be accepted."""
    words = " ".join(text.lower().replace("-", " ").split())
    allowed = [verdict.value for verdict in Verdict if verdict is not Verdict.NOT]
    if words not in allowed:
        raise UsageError(f"--accept is {text!r}; it must be one of {', '.join(allowed)}: the worst fit you would buy.")
    return Verdict(words)
