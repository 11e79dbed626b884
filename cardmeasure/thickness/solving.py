"""Photos whose pieces are not all equally thick: solved once, then again with each piece as thick as its rule says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.classes import match_size
from cardmeasure.geometry import side_lengths
from cardmeasure.known_pieces import NOTHING_KNOWN, KnownPiece, of_known_thickness
from cardmeasure.outlines.pieces import Outline
from cardmeasure.photo import Photo
from cardmeasure.reference.finding import Sighting
from cardmeasure.reference.sheet_look import SheetLook
from cardmeasure.results import Card
from cardmeasure.settings import Settings
from cardmeasure.shapes.borders import with_borders
from cardmeasure.shapes.cards import corners_of_cards, odd_shapes
from cardmeasure.shapes.ends import with_unclear_ends
from cardmeasure.shapes.lying import as_they_lie
from cardmeasure.shapes.on_the_check import as_the_check_is_seen
from cardmeasure.shapes.outlines import sorted_out
from cardmeasure.shapes.proof import proven
from cardmeasure.shapes.surroundings import on_the_table
from cardmeasure.sizing import numbered_cards, sized_cards
from cardmeasure.solving import Solution, Start, solve
from cardmeasure.thickness.rules import SeenPiece, rule_for

Floats = NDArray[np.floating[Any]]
Sized = tuple[tuple[Outline, ...], Solution, tuple[Card, ...]]

U_ROUGH_MM = 0.7
"""Of a size that only the rough outline tells."""
LIKELY = 0.5


def sized_with_thickness(
    photo: Photo, squares: tuple[Sighting, ...], outlines: Sequence[Outline], settings: Settings, *, start: Start,
    known: Mapping[int, KnownPiece] = NOTHING_KNOWN, sheet: SheetLook | None = None,
) -> Sized:  # fmt: skip
    """Outlines as sorted out, the solved photo, and its cards.

    known : what is known of single pieces, by outline. sheet : how the sheet looks that they lie on, if they do; there
    all pieces are rectangles, or have no size.
    """
    if sheet is not None:
        laid = of_known_thickness(tuple(outlines), known)
        solution = solve(photo, squares, laid, settings, start=start, known=known, sheet=sheet)
        laid, ending = as_the_check_is_seen(photo, solution, laid, sheet)
        return laid, solution, sized_cards(laid, solution, settings, ending=ending)
    sorted_first = of_known_thickness(sorted_out(outlines, settings), known)
    if not settings.thickness_rules:
        return _sized(photo, squares, sorted_first, settings, start=start, known=known)
    solution = solve(photo, squares, sorted_first, settings, start=start, known=known)
    given: dict[int, tuple[float, float]] = {}
    for card, index in numbered_cards(sorted_first, solution, settings):
        rule = rule_for(_seen(card, sorted_first[index], settings), settings.thickness_rules)
        if rule is not None:
            u = settings.u_thickness_mm if rule.u_thickness_mm is None else rule.u_thickness_mm
            given[index] = (rule.thickness_mm, u)
    sorted_again = of_known_thickness(sorted_out(outlines, settings, thickness_mm=given), known)
    return _sized(photo, squares, sorted_again, settings, start=start, known=known)


def _sized(
    photo: Photo, squares: tuple[Sighting, ...], outlines: tuple[Outline, ...], settings: Settings, *,
    start: Start, known: Mapping[int, KnownPiece],
) -> Sized:  # fmt: skip
    solution = solve(photo, squares, outlines, settings, start=start, known=known)
    sure = as_they_lie(proven(photo, with_borders(outlines, solution), solution, settings), solution)
    if any(a is not b for a, b in zip(sure, outlines, strict=True)):
        # what is no piece, lies higher, or is larger, has told wrong things of lens and pose
        outlines, solution = sure, solve(photo, squares, sure, settings, start=start, known=known)
    shapes = odd_shapes(photo, squares, outlines, solution, settings, start=start)
    corners = corners_of_cards(photo, outlines, solution, settings)
    ending = on_the_table(photo, outlines, solution)
    outlines = tuple(replace(o, flags=("overlapped",)) if k in corners.none else o for k, o in enumerate(outlines))
    cards = sized_cards(
        outlines, solution, settings, shapes=shapes, radii_mm=corners.radii_mm, ending=ending,
        unclear=with_unclear_ends(photo, outlines, solution, blur_px=squares[0].blur_px),
    )  # fmt: skip
    return outlines, solution, cards


def _seen(card: Card, outline: Outline, settings: Settings) -> SeenPiece:
    """The piece as rules see it; what was not measured with the usual thickness is known by its rough outline."""
    width, height = sorted(side_lengths(outline.corners_mm).reshape(2, 2).mean(axis=0).tolist())
    if card.width_mm is not None and card.height_mm is not None:
        width, height = card.width_mm, card.height_mm
    match = card.match
    if outline.shape == "rectangle" and (match is None or match.size_class is None):
        match = match_size(width, height, u_width_mm=U_ROUGH_MM, u_height_mm=U_ROUGH_MM, correlation=0.0,
                           classes=settings.classes)  # fmt: skip
    size_class = match.size_class if match is not None and match.probability > LIKELY else None
    shape = card.shape if card.is_sized else outline.shape
    return SeenPiece(number=card.number, shape=shape, size_mm=(width, height), size_class=size_class)
