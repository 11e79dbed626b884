"""What is known of single pieces beforehand, and how it enters what a photo is solved with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from cardmeasure.outlines.pieces import Outline
from cardmeasure.priors import KnownSize, Priors


@dataclass(frozen=True, kw_only=True)
class KnownPiece:
    """What is known of a piece beforehand: its thickness and, where that is to be used, its two sides, short and long,
    with their standard uncertainties, mm."""

    thickness_mm: float
    u_thickness_mm: float
    sides_mm: tuple[float, float] | None = None
    u_sides_mm: tuple[float, float] = (0.0, 0.0)


NOTHING_KNOWN: Mapping[int, KnownPiece] = MappingProxyType({})
"""Known pieces stand under the numbers of their outlines."""


def with_known(priors: Priors, wanted: Sequence[int], known: Mapping[int, KnownPiece]) -> Priors:
    """The priors with the known sides of single pieces: of the outlines `wanted`, in the order of the cards."""
    sizes = tuple(
        KnownSize(card=card, sides_mm=piece.sides_mm, u_sides_mm=piece.u_sides_mm)
        for card, outline in enumerate(wanted)
        if (piece := known.get(outline)) is not None and piece.sides_mm is not None
    )
    return replace(priors, known_sizes=sizes) if sizes else priors


def of_known_thickness(outlines: tuple[Outline, ...], known: Mapping[int, KnownPiece]) -> tuple[Outline, ...]:
    """The outlines, those of known pieces with their thickness."""
    return tuple(
        replace(outline, thickness_mm=known[k].thickness_mm, u_thickness_mm=known[k].u_thickness_mm)
        if k in known
        else outline
        for k, outline in enumerate(outlines)
    )
