"""Solved cards on a measuring sheet: whether the check is seen right outside the sides found, where they end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project, project_table
from cardmeasure.edges.backdrop import SPOTS, in_margin
from cardmeasure.edges.beside import light_beside
from cardmeasure.outlines.pieces import Outline, as_sides
from cardmeasure.outlines.sheet_sides import SEEN, check_beside
from cardmeasure.photo import Photo
from cardmeasure.reference.sheet import MARGIN, OUTSIDE, WHITE
from cardmeasure.reference.sheet_levels import FLOOR
from cardmeasure.reference.sheet_look import SheetLook
from cardmeasure.solving import Solution

Floats = NDArray[np.floating[Any]]

PARTS = 4
"""Into so many parts a side is divided: what lies against one of them must not hide among the others."""
INSIDE_MM, AS_WHITE = 0.8, 0.35
"""So far inside its sides a card's border is looked at; logarithm of light between white board and white paper (common
practice, no source)."""


def as_the_check_is_seen(
    photo: Photo, solution: Solution, outlines: Sequence[Outline], look: SheetLook
) -> tuple[tuple[Outline, ...], frozenset[int]]:
    """The outlines, and which of them are seen to end at the sides found, all round.

    A side along most of which no check is seen is not where the card ends; along a part of it, something else lies
    beside the card. One in the white margin is seen only where the border is not as white.
    """
    state = solution.adjustment.state
    solved = [k for k, card in enumerate(solution.card_of.tolist()) if card >= 0]
    outlines = [one if k in solved else _lost_beyond(one, solution, look) for k, one in enumerate(outlines)]
    if not solved:
        return tuple(outlines), frozenset()
    feet = qd.corners_mm(state.quads)[:, :, :2]
    seen = check_beside(photo, state.camera, look, feet, parts=PARTS)
    out, ending = list(outlines), set()
    lost_beyond = _pale_in_margin(photo, state.camera, state.quads, look)
    for k in solved:
        mine = seen[int(solution.card_of[k])]
        hidden = np.isfinite(mine) & (mine < SEEN) & ~np.array(outlines[k].joined)[:, None]
        if (hidden.sum(axis=1) > PARTS / 2).any():
            out[k] = replace(outlines[k], flags=("edge-not-found",))
        elif lost_beyond[int(solution.card_of[k])]:
            out[k] = replace(outlines[k], flags=("off-sheet",))
        elif hidden.any():
            out[k] = replace(outlines[k], beside=as_sides(hidden.any(axis=1)))
        elif np.isfinite(mine).all():
            ending.add(k)
    return tuple(out), frozenset(ending)


def _lost_beyond(outline: Outline, solution: Solution, look: SheetLook) -> Outline:
    """A piece whose sides were not all found, flagged where it reaches beyond the check."""
    at, _ = look.at(project_table(solution.outlined_by, outline.corners_mm))
    beyond = np.isin(look.design.kind_at(at), (MARGIN, OUTSIDE)).any()
    return replace(outline, flags=("off-sheet",)) if beyond and not outline.flags else outline


def _pale_in_margin(photo: Photo, camera: Camera, quads: Floats, look: SheetLook) -> NDArray[np.bool_]:
    """Which cards (c,) have a side in the margin and, along any other, a border nearly as bright as that."""
    margin = in_margin(camera, quads, look).reshape(-1, qd.SIDES)
    border = np.median(light_beside(photo, camera, quads, along=SPOTS, outward_mm=-INSIDE_MM), axis=(1, 2))
    middle = qd.corners_mm(quads).mean(axis=1)
    _, half_way = look.at(project(camera, middle))
    white = look.light_of(WHITE, half_way).mean(axis=1)
    off = np.abs(np.log((border.reshape(-1, qd.SIDES) + FLOOR) / (white[:, None] + FLOOR)))
    return np.asarray(margin.any(axis=1) & ((off < AS_WHITE) & ~margin).any(axis=1))
