"""Weighing fits against each other: one number that is the larger the worse a sleeve suits the cards."""

from __future__ import annotations

from collections.abc import Sequence

from cardmeasure.sleeving.advice import drawbacks
from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.conditions import Conditions
from cardmeasure.sleeving.fit import Fit, fit_of, mean_mm
from cardmeasure.sleeving.sleeve import ListedSleeve

WANTED_PLAY_MM = 1.0
"""The narrowest width that still goes on with ease; common practice, no source, as are the weights below."""
WANTED_OVERHANG_MM = 1.0
OVERHANG_WEIGHT = 0.25
CHANCE_WEIGHT_MM = 2.0
DRAWBACK_MM = 0.5
"""What one drawback (a mark, too thin a film) counts, as if in millimetres of play."""
_PER_VERDICT = 20_000


def misfit_units(fit: Fit) -> int:
    """How badly a sleeve suits: its verdict first, then thousandths of a millimetre of misfit."""
    misfit_mm = (
        abs(mean_mm(fit.plays) - WANTED_PLAY_MM)
        + OVERHANG_WEIGHT * abs(mean_mm(fit.overhangs) - WANTED_OVERHANG_MM)
        + CHANCE_WEIGHT_MM * (1.0 - fit.probability)
        + DRAWBACK_MM * len(drawbacks(fit))
    )
    return _PER_VERDICT * fit.verdict.rank + min(_PER_VERDICT - 1, round(1000 * misfit_mm))


def ranked_fits(cards: CardSet, sleeves: Sequence[ListedSleeve], *, conditions: Conditions) -> tuple[Fit, ...]:
    """The fits of all sleeves, the best first; of equal ones the list's order decides."""
    return tuple(sorted((fit_of(cards, listed, conditions=conditions) for listed in sleeves), key=misfit_units))
