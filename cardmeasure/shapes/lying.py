"""Whether a card found by its edges lies on others, by what the solved photo shows close outside its sides.

Rough outlines suggest it, where a card lies within a larger region, but that may be a shadow; and a shadow may hide
that a region is a fan. Around what lies on the table alone the table shows on all sides. Beside the top card of a fan
other cards show, mostly as bright as it is, for they are alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.edges.looks import FACE, TABLE
from cardmeasure.outlines.pieces import Outline
from cardmeasure.outlines.regions import RAISED_MM, U_RAISED_MM
from cardmeasure.solving import Solution

Floats = NDArray[np.floating[Any]]

ALIKE, FLOOR = 0.35, 0.01
"""Light outside a side and on the face, if cards of one deck lie there: so near, logarithm of linear light."""


def as_they_lie(outlines: Sequence[Outline], solution: Solution) -> tuple[Outline, ...]:
    """The outlines; those of solved cards as high as what lies beside them tells, the same where nothing changes."""
    if solution.edges is None or not any(outline.exact for outline in outlines):
        return tuple(outlines)
    on_table = solution.edges.on_table
    alike = _unlike(solution) < ALIKE
    out = list(outlines)
    for k, outline in enumerate(outlines):
        card = int(solution.card_of[k])
        if card < 0 or not outline.exact or outline.flags or any(outline.joined):
            continue
        if outline.raised_mm and on_table[card].all():
            out[k] = replace(outline, raised_mm=0.0, u_raised_mm=0.0)
        elif not outline.raised_mm and on_table[card].any() and _lies_beside_alike(on_table[card], alike[card]):
            out[k] = replace(outline, raised_mm=RAISED_MM, u_raised_mm=U_RAISED_MM)
    return tuple(out)


def _lies_beside_alike(on_table: NDArray[np.bool_], alike: NDArray[np.bool_]) -> bool:
    """Whether along some sides (4,) no table shows, and what does there is like the face."""
    return bool((~on_table).any() and (on_table | alike).all())


def _unlike(solution: Solution) -> Floats:
    """How much the light outside each side (c, 4) differs from the face's, in the colour that shows it best."""
    assert solution.edges is not None
    looks = solution.edges.known.sides.looks.parameters
    off = np.abs(np.log((looks[:, TABLE] + FLOOR) / (looks[:, FACE] + FLOOR)))
    return np.asarray(off.max(axis=1).reshape(-1, qd.SIDES))
