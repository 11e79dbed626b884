"""The figures of a group of shots, from their scores."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.study.bootstrap import Interval, ratio_interval, rms_interval
from calibration.study.records import CardScore, ShotScore

Floats = NDArray[np.float64]

COVERAGE_K = 1.96
"""Coverage factor of a 95 % interval of a normal distribution (JCGM 100, table G.1)."""
FLAGS_ONLY = ("misprint",)
"""Groups whose sizes are wrong by design: scored on what is found, and on whether the user is warned."""


@dataclass(frozen=True, kw_only=True)
class GroupFigures:
    """Figures of one group; lengths in mm, None where nothing has a size (or, with u, where no u is reported).

    `coverage95`: share of sizes within 1.96 u; `error_over_u`: RMS of error over u; both with their bootstrapped
    99.7 % interval. `class_right`, `class_wrong_sure`: shares of the cards that have a size. `warned`: share of shots
    whose user is told to doubt the print. In a group scored on flags only, a wrong class is sure only where there is
    no such warning.
    """

    shots: int
    cards: int
    missed: int
    false: int
    rms_mm: float | None
    worst_mm: float | None
    bias_mm: float | None
    coverage95: float | None
    coverage95_interval: Interval | None
    error_over_u: float | None
    error_over_u_interval: Interval | None
    median_u_mm: float | None
    class_right: float | None
    class_wrong_sure: float | None
    warned: float


def figures_of(shots: Sequence[ShotScore], *, counts: Callable[[CardScore], bool] = lambda card: True) -> GroupFigures:
    """Figures over some shots; `counts` says which cards count."""
    cards = [[card for card in shot.cards if counts(card)] for shot in shots]
    flat = [card for row in cards for card in row]
    sized = [card for card in flat if card.sides]
    sure = [c.class_wrong_sure and not (s.group in FLAGS_ONLY and s.warned) for s, row in zip(shots, cards, strict=True)
            for c in row]  # fmt: skip
    measured = [row for shot, row in zip(shots, cards, strict=True) if shot.group not in FLAGS_ONLY]
    return GroupFigures(
        shots=len(shots),
        cards=len(flat),
        missed=sum(card.missed is not None for card in flat),
        false=sum(len(shot.false) for shot in shots),
        class_right=float(np.mean([card.class_right for card in sized])) if sized else None,
        class_wrong_sure=sum(sure) / len(sized) if sized else None,
        warned=float(np.mean([shot.warned for shot in shots])) if shots else 0.0,
        **_error_figures(measured),
        **_u_figures(measured),
    )


def _error_figures(rows: Sequence[Sequence[CardScore]]) -> dict[str, Any]:
    errors = np.array([side.error_mm for row in rows for card in row for side in card.sides])
    if not len(errors):
        return {"rms_mm": None, "worst_mm": None, "bias_mm": None}
    rms = float(np.sqrt(np.mean(errors**2)))
    return {"rms_mm": rms, "worst_mm": float(np.abs(errors).max()), "bias_mm": float(errors.mean())}


def _u_figures(rows: Sequence[Sequence[CardScore]]) -> dict[str, Any]:
    sides = [[side for card in row for side in card.sides if side.u_mm] for row in rows]
    names = ("coverage95", "coverage95_interval", "error_over_u", "error_over_u_interval", "median_u_mm")
    if not any(sides):
        return dict.fromkeys(names)
    z = [np.array([side.error_mm / side.u_mm for side in row if side.u_mm]) for row in sides]
    count = np.array([len(row) for row in z], float)
    squares = np.array([float((row**2).sum()) for row in z])
    inside = np.array([float((np.abs(row) <= COVERAGE_K).sum()) for row in z])
    values = (
        float(inside.sum() / count.sum()),
        ratio_interval(inside, count),
        float(np.sqrt(squares.sum() / count.sum())),
        rms_interval(squares, count),
        float(np.median([side.u_mm for row in sides for side in row])),
    )
    return dict(zip(names, values, strict=True))


def reasons(shots: Sequence[ShotScore]) -> tuple[Counter[str], Counter[str]]:
    """Why cards were missed, and what false pieces are, counted."""
    missed = Counter(card.missed for shot in shots for card in shot.cards if card.missed is not None)
    return missed, Counter(why for shot in shots for why in shot.false)


def by_group(shots: Sequence[ShotScore]) -> dict[str, list[ShotScore]]:
    """Shots by group, in the order in which the groups come."""
    groups: dict[str, list[ShotScore]] = {}
    for shot in shots:
        groups.setdefault(shot.group, []).append(shot)
    return groups


MACHINE_KEYS = ("shots", "cards", "missed", "false", "rms_mm", "worst_mm", "bias_mm", "coverage95", "error_over_u",
                "class_right", "class_wrong_sure", "warned")  # fmt: skip


def for_machines(shots: Sequence[ShotScore]) -> dict[str, Any]:
    """The figures of all groups as JSON has them."""

    def row(figures: GroupFigures) -> dict[str, Any]:
        values = {key: getattr(figures, key) for key in MACHINE_KEYS}
        return {key: round(value, 5) if isinstance(value, float) else value for key, value in values.items()}

    return {"groups": {group: row(figures_of(some)) for group, some in by_group(shots).items()}}
