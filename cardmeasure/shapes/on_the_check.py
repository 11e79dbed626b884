"""Solved cards on a measuring sheet: whether the check is seen right outside the sides found, where they end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from cardmeasure import quads as qd
from cardmeasure.outlines.pieces import Outline, as_sides
from cardmeasure.outlines.sheet_sides import SEEN, check_beside
from cardmeasure.photo import Photo
from cardmeasure.reference.sheet_look import SheetLook
from cardmeasure.solving import Solution

PARTS = 4
"""Into so many parts a side is divided: what lies against one of them must not hide among the others."""


def as_the_check_is_seen(
    photo: Photo, solution: Solution, outlines: Sequence[Outline], look: SheetLook
) -> tuple[tuple[Outline, ...], frozenset[int]]:
    """The outlines, and which of them are seen to end at the sides found, all round.

    A side along most of which no check is seen is not where the card ends; along a part of it, something else lies
    beside the card.
    """
    state = solution.adjustment.state
    solved = [k for k, card in enumerate(solution.card_of.tolist()) if card >= 0]
    if not solved:
        return tuple(outlines), frozenset()
    feet = qd.corners_mm(state.quads)[:, :, :2]
    seen = check_beside(photo, state.camera, look, feet, parts=PARTS)
    out, ending = list(outlines), set()
    for k in solved:
        mine = seen[int(solution.card_of[k])]
        hidden = np.isfinite(mine) & (mine < SEEN) & ~np.array(outlines[k].joined)[:, None]
        if (hidden.sum(axis=1) > PARTS / 2).any():
            out[k] = replace(outlines[k], flags=("edge-not-found",))
        elif hidden.any():
            out[k] = replace(outlines[k], beside=as_sides(hidden.any(axis=1)))
        elif np.isfinite(mine).all():
            ending.add(k)
    return tuple(out), frozenset(ending)
