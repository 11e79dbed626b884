"""The second look for pieces: on tables that are not plain all over, on plain ones at what may be several pieces.

The first finder looks for what differs from one smooth background. Where that leaves much unexplained, where the table
is as pale as a white border, or where nothing was found, the whole table is looked at again.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, project_table
from cardmeasure.geometry import side_lengths
from cardmeasure.outlines.hard_tables import SHEET_MM, with_hard_pieces
from cardmeasure.outlines.joins import is_nominal, is_row
from cardmeasure.outlines.neighbours import joined_to_each_other
from cardmeasure.outlines.paleness import is_pale
from cardmeasure.outlines.pieces import Found, Outline, clockwise
from cardmeasure.outlines.regions import has_steps, is_uneven, may_be_several, sure_within, told_apart
from cardmeasure.outlines.splitting import LEAST_PER_MM, split_along_seams
from cardmeasure.outlines.trials import Tried
from cardmeasure.outlines.trusting import has_corners_of_several
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

UNEXPLAINED = 0.03
"""A table is not plain where so much of the photo differs from it and is no piece (plain ones: up to 0.035, mostly
less than 0.005; hard ones: 0.02 to 0.8)."""
MOST_SPREAD = 0.4
"""Nor where all of a pattern was taken for it, which then spreads by more (plain ones: 0.04 to 0.25; checked cloths and
game boards: up to 1.2)."""


def seen_again(
    photo: Photo, camera: Camera, found: Found, *, px_per_mm: float, reference_px: list[Floats], nominal_mm: Floats,
    tried: Tried,
) -> tuple[Outline, ...]:  # fmt: skip
    """The pieces that the first finder has found, and what a second look adds or tells apart where it can gain.

    tried : takes a closer look at rectangles.
    """
    pale = is_pale(photo, reference_px)
    plain = not pale and bool(found.outlines) and found.unexplained <= UNEXPLAINED and found.spread <= MOST_SPREAD
    found = _split(photo, camera, found, px_per_mm=px_per_mm, nominal_mm=nominal_mm, tried=tried, plain=plain)
    if not plain:
        pieces = with_hard_pieces(
            photo, camera, found.outlines, px_per_mm=px_per_mm, reference_px=reference_px, nominal_mm=nominal_mm,
            pale=pale, tried=tried,
        )  # fmt: skip
        return tuple(_without_rows(photo, camera, piece, nominal_mm) for piece in pieces)
    apart = partial(told_apart, px_per_mm=px_per_mm, nominal_mm=nominal_mm, tried=tried)
    out: list[Outline] = []
    for outline in found.outlines:
        out += apart(photo, camera, outline) if may_be_several(outline) else (outline,)
    return tuple(out)


def _without_rows(photo: Photo, camera: Camera, piece: Outline, nominal_mm: Floats) -> Outline:
    """The piece; flagged, if it is a row of cards that lie edge to edge."""
    first, second, *_ = side_lengths(piece.corners_mm).tolist()
    if piece.flags or not is_row(
        photo.pixels_bgr, project_table(camera, piece.corners_mm), (first, second), nominal_mm=nominal_mm
    ):
        return piece
    return replace(piece, flags=("touching",))


def _split(
    photo: Photo, camera: Camera, found: Found, *, px_per_mm: float, nominal_mm: Floats, tried: Tried, plain: bool,
) -> Found:  # fmt: skip
    """The same with regions that are cards laid edge to edge cut into these. What has a nominal size is one card."""
    cut = partial(split_along_seams, photo, camera, px_per_mm=px_per_mm, nominal_mm=nominal_mm)
    out: list[Outline] = []
    for outline in _with_piles(found.outlines, px_per_mm, nominal_mm, tried, plain=plain):
        several = may_be_several(outline) if outline.flags else not _has_size(outline, nominal_mm)
        parts = cut(outline) if several else (outline,)
        if len(parts) > 1 and not all(any(part.joined) for part in parts):
            # between cards that do not quite touch there may be more than one dark line
            sure = sure_within(photo, camera, outline, px_per_mm=px_per_mm, nominal_mm=nominal_mm, tried=tried)
            parts = joined_to_each_other(sure) if len(sure) == len(parts) else parts
        out += parts
    return replace(found, outlines=tuple(out))


def _with_piles(
    outlines: tuple[Outline, ...], px_per_mm: float, nominal_mm: Floats, tried: Tried, *, plain: bool
) -> list[Outline]:
    """The outlines; what is uneven, has no nominal size and corners unlike each other is a pile, and is flagged so; as
    is what has steps in its sides, on a plain table, of whose pattern nothing can hang together with it."""
    asked = [
        k for k, one in enumerate(outlines)
        if not one.flags and not _is_sheet(one) and not _has_size(one, nominal_mm) and is_uneven(one)
    ]  # fmt: skip
    out = list(outlines)
    if asked and px_per_mm >= LEAST_PER_MM:
        trials = tried(np.array([clockwise(outlines[k].corners_mm) for k in asked]))
        for k, several in zip(asked, has_corners_of_several(trials).tolist(), strict=True):
            if several or (plain and has_steps(outlines[k])):
                out[k] = replace(outlines[k], flags=("overlapped",))
    return out


def _is_sheet(outline: Outline) -> bool:
    return bool(side_lengths(outline.corners_mm).min() > SHEET_MM)


def _has_size(outline: Outline, nominal_mm: Floats) -> bool:
    a, b, *_ = side_lengths(outline.corners_mm)
    return is_nominal(float(a), float(b), nominal_mm)
