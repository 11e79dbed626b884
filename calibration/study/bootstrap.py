"""Intervals for figures over shots: shots are drawn again with replacement, for cards of one shot share their errors.

After B. Efron, Bootstrap methods: another look at the jackknife, Annals of Statistics 7 (1979).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEVEL = 0.997
DRAWS = 10_000
SEED = 20


@dataclass(frozen=True, kw_only=True)
class Interval:
    """A bootstrapped interval."""

    low: float
    high: float

    def holds(self, value: float) -> bool:
        """Whether the value lies in it."""
        return self.low <= value <= self.high


def ratio_interval(above: Floats, below: Floats, *, level: float = LEVEL, draws: int = DRAWS) -> Interval | None:
    """Interval of sum(above) / sum(below), both (n,), one entry a shot; None for fewer than two shots that count."""
    used = np.asarray(below) > 0
    above, below = np.asarray(above)[used], np.asarray(below)[used]
    if len(below) < 2:
        return None
    weights = np.random.default_rng(SEED).multinomial(len(below), np.full(len(below), 1 / len(below)), draws)
    ratios = (weights @ above) / (weights @ below)
    low, high = np.quantile(ratios, [(1 - level) / 2, (1 + level) / 2])
    return Interval(low=float(low), high=float(high))


def rms_interval(squares: Floats, counts: Floats, *, level: float = LEVEL, draws: int = DRAWS) -> Interval | None:
    """Interval of the root of sum(squares) / sum(counts), one entry a shot."""
    mean = ratio_interval(squares, counts, level=level, draws=draws)
    return Interval(low=mean.low**0.5, high=mean.high**0.5) if mean else None
