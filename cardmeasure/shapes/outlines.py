"""Which outlines are solved together with the photo, as cards are, and which are measured afterwards.

Thin rectangles help to solve the photo. What is round or has other corners, and what is so thick that its walls and
shadows are nothing like a card's, is measured in the solved photo.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, project_table
from cardmeasure.outlines.pieces import Outline
from cardmeasure.settings import Settings
from cardmeasure.shapes.measuring import RoughPiece
from cardmeasure.shapes.recognising import corner_radius_mm, recognised

Floats = NDArray[np.floating[Any]]

THICK_MM = 1.0
"""From here on a piece is measured by itself: bank cards (0.76 mm) are still solved together with the rest."""
DEEP_MM = 5.4
"""Corners that seem rounder than this leave less of their sides straight than cards' do."""
NO_RECTANGLE = ("not-a-rectangle",)
UNEVEN = ("not-a-rectangle", "overlapped")
"""Flags of outlines that are looked at again: a shadow makes the outline of a round or pointed piece uneven."""


def sorted_out(
    outlines: Sequence[Outline], settings: Settings, *, thickness_mm: Mapping[int, tuple[float, float]] | None = None
) -> tuple[Outline, ...]:
    """The outlines with what each is, and how thick: `thickness_mm` by index, with its u, else that of the settings."""
    given = thickness_mm or {}
    usual = (settings.thickness_mm, settings.u_thickness_mm)
    return tuple(_sorted_out(outline, given.get(k, usual)) for k, outline in enumerate(outlines))


def rough_pieces(outlines: Sequence[Outline], camera: Camera) -> list[RoughPiece]:
    """What is to be measured afterwards; `camera` is the one that the outlines' millimetres were seen with."""
    return [
        RoughPiece(
            number=k,
            contour_px=project_table(camera, outline.contour_mm),
            thickness_mm=outline.thickness_mm or 0.0,
            u_thickness_mm=outline.u_thickness_mm or 0.0,
        )
        for k, outline in enumerate(outlines)
        if outline.is_solid
    ]


def _sorted_out(outline: Outline, thickness: tuple[float, float]) -> Outline:
    outline = replace(outline, thickness_mm=thickness[0], u_thickness_mm=thickness[1])
    thick = thickness[0] >= THICK_MM
    if len(outline.contour_mm) < 20:
        return outline
    if not outline.flags:
        radius = corner_radius_mm(outline.contour_mm, outline.corners_mm)
        return replace(outline, is_solid=thick, corner_radius_mm=radius if radius > DEEP_MM else 0.0)
    if outline.flags[0] not in UNEVEN:
        return outline
    plan = recognised(outline.contour_mm)
    if plan is None:
        return outline
    if plan.shape == "rectangle" and not thick:
        if outline.flags != NO_RECTANGLE:
            return outline
        return replace(outline, corners_mm=plan.corners_mm, flags=(), corner_radius_mm=plan.radius_mm)
    return replace(outline, shape=plan.shape, is_solid=True)
