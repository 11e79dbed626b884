"""Whether the pieces of a photo contradict the scale of its print, and what scale they suggest instead.

Sizes that together fit the nominal classes at another scale show it, and so does a bank card that the readings
contradict. Neither is ever used to correct a scale by so much: it is said, with the scale. And what a fitted print
would make of the pieces is weighed in the probability of their classes.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.bank_card import BankCards, Verdict
from cardmeasure.classes.size_class import SizeClass
from cardmeasure.classes.table import enabled
from cardmeasure.misprint import FittedPrint, fitted_print
from cardmeasure.results import Card, SizeMatch
from cardmeasure.settings import Settings

Floats = NDArray[np.floating[Any]]

MOST_U_MM = 0.1
"""Of a size, where sizes are compared with one another."""


def print_seen_by(cards: tuple[Card, ...], classes: tuple[SizeClass, ...]) -> FittedPrint:
    """What the sizes of a photo's cards say together of its print."""
    return fitted_print(*_sizes(_rectangles(cards)), classes=classes)


def suspected_scale(fitted: FittedPrint, found: BankCards, settings: Settings) -> float | None:
    """Printed over design length as sizes or bank cards suggest it, where it contradicts the scale used; else None.

    fitted : what the sizes say of the print.
    """
    taken = (settings.print_profile.scale_x + settings.print_profile.scale_y) / 2
    if found.verdict is Verdict.DIFFERS and found.scale is not None:
        return taken * found.scale
    if found.verdict is Verdict.USED:
        return None
    factor = fitted.sure_scale
    return None if factor is None else taken * factor


def with_print_in_doubt(
    cards: tuple[Card, ...], fitted: FittedPrint, *, scale_source: str, classes: tuple[SizeClass, ...]
) -> tuple[Card, ...]:
    """The cards of a photo, where nothing tells its scale, with answers only as probable as that leaves them.

    An answer holds if the print is of its actual size, and perhaps if it was fitted to the page.

    fitted : what these cards say of the print, see `print_seen_by`.
    """
    sized = _rectangles(cards)
    if scale_source != "assumed":
        return cards
    names = [*(one.id for one in enabled(classes)), None]
    doubted = {
        card.number: _doubted(card.match, dict(zip(names, shares.tolist(), strict=True)), fitted=fitted.probability)
        for card, shares in zip(sized, fitted.shares, strict=True)
        if card.match is not None
    }
    return tuple(replace(card, match=doubted.get(card.number, card.match)) for card in cards)


def _doubted(match: SizeMatch, if_fitted: dict[str | None, float], *, fitted: float) -> SizeMatch:
    """The same answer, with what speaks for it, and the one next to it, if the print is `fitted` with a probability.

    if_fitted : the probability of each answer then; None is that of no class.
    """
    chances = {answer: fitted * share for answer, share in if_fitted.items()}
    chances[match.size_class] = chances.get(match.size_class, 0.0) + (1 - fitted) * match.probability
    chances[match.runner_up] = chances.get(match.runner_up, 0.0) + (1 - fitted) * (1 - match.probability)
    probability = chances.pop(match.size_class)
    return replace(match, probability=probability, runner_up=max(chances, key=lambda answer: chances[answer]))


def _rectangles(cards: tuple[Card, ...]) -> list[Card]:
    """What may be of a nominal size class at all."""
    return [card for card in cards if card.match is not None and card.shape == "rectangle"]


def _sizes(sized: list[Card]) -> tuple[Floats, Floats]:
    """Sizes and their u (n, 2) without the print's own, which is common to all cards and is what they are to show."""
    sides = np.array([(c.width_mm, c.height_mm) for c in sized], float).reshape(-1, 2)
    u = np.array([(c.u_width_mm or 0.0, c.u_height_mm or 0.0) for c in sized], float).reshape(-1, 2)
    return sides, np.minimum(u, MOST_U_MM)
