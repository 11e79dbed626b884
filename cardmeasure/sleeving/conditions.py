"""What the fit of a sleeve is judged by: air, makers' habits and thresholds; one frozen record, each value with source.

Every default marked "assumption" is a plain guess that widens the answer; a sleeve list that says more narrows it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

from cardmeasure.errors import UsageError

Range = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Humidity:
    """Relative humidity in per cent: when the cards were measured, and the dampest in which they are used.

    The default, 45 to 65 %, is an assumption: a heated room, and a damp summer's day.
    """

    measured_percent: float = 45.0
    dampest_percent: float = 65.0

    @property
    def rise_points(self) -> float:
        """Points by which the air gets damper."""
        return max(0.0, self.dampest_percent - self.measured_percent)


@dataclass(frozen=True, kw_only=True)
class Habits:
    """How sleeves come out, where the list does not say.

    Parameters
    ----------
    tolerance_mm : limits of a side about its nominal value (rectangular, JCGM 100, 4.3.7); common practice, no source.
    sleeve_scatter_mm : standard deviation from sleeve to sleeve of one pack; assumption.
    ease_mm : inside width minus the width of the card that a maker says fits; assumption, after the rule of the trade
        that a sleeve's inside is never below the card's nominal size.
    ease_depth_mm : the same from the closed end to the mouth; assumption.
    seam_mm : one welded seam; 1 to 2 mm a side where the outside is quoted (experience).
    card_scatter_mm : standard deviation from card to card, where fewer than two cards of a deck were measured; common
        practice, no source.
    """

    tolerance_mm: float = 0.5
    sleeve_scatter_mm: float = 0.1
    ease_mm: Range = (0.5, 2.5)
    ease_depth_mm: Range = (0.0, 3.0)
    seam_mm: Range = (1.0, 2.0)
    card_scatter_mm: float = 0.15


@dataclass(frozen=True, kw_only=True)
class Thresholds:
    """Where one verdict ends and the next begins; common practice, no source.

    Parameters
    ----------
    never : below this probability that every card goes in, a sleeve does not go on.
    sure : below this one it may not go on.
    tight_mm, close_mm, loose_mm : play in width up to which a sleeve is tight, close, loose; beyond, much too wide.
    bare_mm : how far a card may stick out at the mouth before its edge counts as bare.
    short_mm : how far it may stick out before the sleeve is much too short.
    long_mm : film beyond the card's edge from which a sleeve is much too long.
    """

    never: float = 0.1
    sure: float = 0.8
    tight_mm: float = 1.0
    close_mm: float = 2.5
    loose_mm: float = 4.5
    bare_mm: float = 0.25
    short_mm: float = 4.0
    long_mm: float = 8.0

    def __post_init__(self) -> None:
        """Raises UsageError where they do not ascend."""
        if not 0.0 <= self.never < self.sure <= 1.0:
            raise UsageError(f"limits never={self.never:g}, sure={self.sure:g}: they must ascend between 0 and 1.")
        if not self.tight_mm < self.close_mm < self.loose_mm < 100.0:
            raise UsageError(
                f"limits tight_mm={self.tight_mm:g}, close_mm={self.close_mm:g}, loose_mm={self.loose_mm:g}: they must "
                "ascend and stay below 100 mm."
            )
        if not (0.0 <= self.bare_mm <= self.short_mm < 100.0 and 0.0 < self.long_mm < 1000.0):
            raise UsageError(
                f"limits bare_mm={self.bare_mm:g}, short_mm={self.short_mm:g}, long_mm={self.long_mm:g}: they must be "
                "lengths in mm, not negative, and the first must not exceed the second."
            )


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """All of the above."""

    humidity: Humidity = Humidity()
    habits: Habits = Habits()
    thresholds: Thresholds = Thresholds()


def parse_humidity(text: str) -> Humidity:
    """`40:70`: relative humidity in per cent when measured, and the dampest in use; raises UsageError otherwise."""
    found = re.fullmatch(r"\s*(\d{1,3}(?:\.\d+)?)\s*%?\s*:\s*(\d{1,3}(?:\.\d+)?)\s*%?\s*", text)
    right = "write two percentages as measured:dampest, the second not below the first, for example 40:70."
    if found is None:
        raise UsageError(f"--humidity is {text!r}; {right}")
    measured, dampest = float(found[1]), float(found[2])
    if not 0.0 <= measured <= dampest <= 100.0:
        raise UsageError(f"--humidity is {text!r}; {right}")
    return Humidity(measured_percent=measured, dampest_percent=dampest)


def parse_thresholds(texts: Sequence[str]) -> Thresholds:
    """Thresholds with some of them set as `name=value`; raises UsageError for an unknown name or a wrong value."""
    names = {field.name for field in fields(Thresholds)}
    changes: dict[str, float] = {}
    for text in texts:
        name, _, value = (part.strip() for part in text.partition("="))
        if name not in names or not re.fullmatch(r"\d{1,6}(\.\d{1,6})?", value):
            raise UsageError(
                f"--limit is {text!r}; write NAME=NUMBER, where NAME is one of {', '.join(sorted(names))}."
            )
        changes[name] = float(value)
    return replace(Thresholds(), **changes)
