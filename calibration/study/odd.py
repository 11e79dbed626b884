"""What users of the group `odd` know of their pieces, and how shapes, diameters and widths across flats come out.

A user measures tiles and tokens with a calliper to a nominal thickness, and says so; cards are taken to be as thick as
cards are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calibration.rig.odd_scenes import THICKNESSES_MM
from calibration.study.scoring import matched
from cardmeasure.results import Card
from cardmeasure.settings import Settings
from cardmeasure.thickness.rules import ThicknessRule

GROUP = "odd"
THICK_MM = 1.0
ROUND_NAMES = ("circle", "polygon")


@dataclass(frozen=True, kw_only=True)
class ShapeScore:
    """One component that was to be measured: its true shape and the one found (None: no size), and by how far diameter
    or width across flats is wrong, mm, with the u stated."""

    shape: str
    found: str | None
    error_mm: float | None
    u_mm: float | None


def settings_of_truth(settings: Settings, truth: dict[str, Any], *, group: str) -> Settings:
    """The settings with what the user of a photo knows of thickness."""
    thick = [card["thickness_mm"] for card in truth["cards"] if card["thickness_mm"] > THICK_MM]
    if group != GROUP or not thick:
        return settings
    stated = min(THICKNESSES_MM, key=lambda t: abs(t - float(np.mean(thick))))
    if len(thick) == len(truth["cards"]):
        return replace(settings, thickness_mm=stated)
    return replace(
        settings, thickness_rules=tuple(ThicknessRule(what=name, thickness_mm=stated) for name in ROUND_NAMES)
    )


def shape_scores(truth: Sequence[dict[str, Any]], cards: Sequence[Card]) -> list[ShapeScore]:
    """The scores of all components of a photo that were to be measured."""
    own = matched(truth, cards)  # type: ignore[arg-type]  # of a card only what pieces have, too, is looked at
    return [
        _score(one, cards[own[number]] if number in own else None)
        for number, one in enumerate(truth)
        if one["expect"] == "measured"
    ]


def _score(true: dict[str, Any], card: Card | None) -> ShapeScore:
    if card is None or not card.is_sized:
        return ShapeScore(shape=true["shape"], found=None, error_mm=None, u_mm=None)
    for name in ("diameter_mm", "across_flats_mm"):
        value = getattr(card, name)
        if name in true and value is not None:
            u = getattr(card, f"u_{name}")
            return ShapeScore(shape=true["shape"], found=card.shape, error_mm=value - true[name], u_mm=u)
    return ShapeScore(shape=true["shape"], found=card.shape, error_mm=None, u_mm=None)
