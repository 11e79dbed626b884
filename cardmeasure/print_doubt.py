"""Whether the pieces of a photo contradict the scale of its print, and what scale they suggest instead.

Sizes that together fit the nominal classes at another scale show it, and so does a bank card that the readings
contradict. Neither is ever used to correct a scale by so much: it is said, with the scale.
"""

from __future__ import annotations

import numpy as np

from cardmeasure.bank_card import BankCards, Verdict
from cardmeasure.misprint import fitted_scale
from cardmeasure.results import Card
from cardmeasure.settings import Settings

MOST_U_MM = 0.1
"""Of a size, where sizes are compared with one another."""


def suspected_scale(cards: tuple[Card, ...], found: BankCards, settings: Settings) -> float | None:
    """Printed over design length as sizes or bank cards suggest it, where it contradicts the scale used; else None."""
    taken = (settings.print_profile.scale_x + settings.print_profile.scale_y) / 2
    if found.verdict is Verdict.DIFFERS and found.scale is not None:
        return taken * found.scale
    if found.verdict is Verdict.USED:
        return None
    factor = _fitted_scale(cards, settings)
    return None if factor is None else taken * factor


def _fitted_scale(cards: tuple[Card, ...], settings: Settings) -> float | None:
    sized = [
        ((c.width_mm, c.height_mm), (c.u_width_mm or 0.0, c.u_height_mm or 0.0))
        for c in cards
        if c.width_mm is not None and c.height_mm is not None
    ]
    sizes, u = (np.array(part, float).reshape(-1, 2) for part in (zip(*sized, strict=True) if sized else ((), ())))
    # the print's own u is common to all cards and is what the factor is to show
    return fitted_scale(sizes, np.minimum(u, MOST_U_MM), classes=settings.classes)
