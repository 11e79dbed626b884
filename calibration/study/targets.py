"""What the study is to show, and whether it does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calibration.study.figures import FLAGS_ONLY, GroupFigures, by_group, figures_of
from calibration.study.profiles import UNKNOWN
from calibration.study.records import ShotScore

RMS_MM = {"kind": 0.03, "sheet": 0.03, "hard": 0.05, "3mp": 0.08, "tilt": 0.08, "scale-card": 0.09, "tables": 0.07}
OTHER_RMS_MM = 0.12
WORST_KIND_MM = 0.12
MISSED_SHARE = 0.01
LAID_BADLY = ("tables", "neighbours")
MISSED_LAID_BADLY, FALSE_LAID_BADLY = 0.05, 0.01
"""Shares of the cards on hard tables, and of those that touch or lie on others."""
FEWEST_SHOTS = 10
"""With fewer, a bootstrapped interval says too little to be held against anything."""
POOLED_COVERAGE = (0.93, 0.97)
POOLED_ERROR_OVER_U = (0.9, 1.1)


@dataclass(frozen=True, kw_only=True)
class Target:
    """One target: what is asked, what was found, whether that is enough."""

    name: str
    asked: str
    found: str
    met: bool


def targets_of(shots: Sequence[ShotScore]) -> list[Target]:
    """All targets that these shots can show."""
    targets: list[Target] = []
    for group, some in by_group(shots).items():
        targets += _group_targets(group, figures_of(some))
    return targets + _pooled_targets(figures_of(shots))


def _group_targets(group: str, f: GroupFigures) -> list[Target]:
    targets = []
    if f.rms_mm is not None and group not in UNKNOWN:
        limit = RMS_MM.get(group, OTHER_RMS_MM)
        targets.append(_most(f"{group}: RMS, mm", f.rms_mm, limit))
    if group == "kind" and f.worst_mm is not None:
        targets.append(_most("kind: worst, mm", f.worst_mm, WORST_KIND_MM))
    if f.error_over_u_interval and f.coverage95_interval and f.shots >= FEWEST_SHOTS:
        low, high = f.error_over_u_interval.low, f.error_over_u_interval.high
        met = f.error_over_u_interval.holds(1.0)
        targets.append(
            Target(name=f"{group}: error/u", asked="interval holds 1", found=f"{low:.2f}–{high:.2f}", met=met)
        )
        reach = f.coverage95_interval.high
        met = reach >= 0.95
        targets.append(
            Target(name=f"{group}: coverage", asked="interval reaches 0.95", found=f"up to {reach:.3f}", met=met)
        )
    if group in LAID_BADLY:
        targets.append(_most(f"{group}: missed, share", f.missed / max(f.cards, 1), MISSED_LAID_BADLY))
        targets.append(_most(f"{group}: false, share", f.false / max(f.cards, 1), FALSE_LAID_BADLY))
    if group == "decoys":
        targets.append(_most("decoys: false pieces", f.false, 0))
    if group in FLAGS_ONLY:
        targets.append(Target(name=f"{group}: users warned", asked="all", found=f"{f.warned:.0%}", met=f.warned == 1))
    return targets


def _pooled_targets(f: GroupFigures) -> list[Target]:
    targets = [
        _most("missed, share", f.missed / max(f.cards, 1), MISSED_SHARE),
        _most("false pieces", f.false, 0),
        _most("classes wrong with probability > 0.95, share", f.class_wrong_sure or 0.0, 0),
    ]
    if f.coverage95 is not None and f.error_over_u is not None:
        targets += [
            _between("coverage of all", f.coverage95, POOLED_COVERAGE),
            _between("error/u of all", f.error_over_u, POOLED_ERROR_OVER_U),
        ]
    return targets


def _most(name: str, found: float, limit: float) -> Target:
    return Target(name=name, asked=f"≤ {limit:g}", found=f"{found:.4g}", met=found <= limit)


def _between(name: str, found: float, limits: tuple[float, float]) -> Target:
    low, high = limits
    return Target(name=name, asked=f"{low:g}–{high:g}", found=f"{found:.3f}", met=low <= found <= high)
