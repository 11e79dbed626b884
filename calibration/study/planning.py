"""Which shots the study takes: groups, seeds, picture sizes, in the order in which they are rendered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calibration.rig.catalogue import BUILDERS, FAMILY_BUILDERS
from calibration.rig.phone_scenes import RUNS
from calibration.rig.scene import Scene

GROUPS = tuple(BUILDERS)
"""All groups of the study; families of scenes have a study of their own."""
SHOTS = 20
"""Shots a group of a full study."""
FIRST_SEED = 2000
QUICK_FIRST_SEED = 1000
QUICK_FRAMES = 20
QUICK_SIZE = (1872, 1404)
"""Pixels of a frame of the quick study; the group `3mp` keeps its own size and scale."""
QUICK_PX_PER_MM = 9.0


@dataclass(frozen=True, kw_only=True)
class PlannedShot:
    """One shot: its group, the seed its scene is drawn from, and its picture's size; None leaves that to the group."""

    group: str
    seed: int
    width_px: int | None = None
    height_px: int | None = None
    px_per_mm: float | None = None

    @property
    def name(self) -> str:
        """Its name in reports, and the beginning of its file's name."""
        return f"{self.group}-{self.seed}"

    def scene(self) -> Scene:
        """The scene, the same at every call."""
        return {**BUILDERS, **FAMILY_BUILDERS}[self.group](
            self.seed, width=self.width_px, height=self.height_px, px_per_mm=self.px_per_mm
        )  # fmt: skip


def full_plan(groups: Sequence[str] = GROUPS, *, shots: int = SHOTS, first_seed: int = FIRST_SEED) -> list[PlannedShot]:
    """So many shots of each group, the groups taking turns: a study that is broken off has some of each."""
    return [PlannedShot(group=group, seed=first_seed + number) for number in range(shots) for group in groups]


def quick_plan(
    groups: Sequence[str] = GROUPS, *, frames: int = QUICK_FRAMES, first_seed: int = QUICK_FIRST_SEED
) -> list[PlannedShot]:
    """So many small frames in all, the groups taking turns; without the groups of runs, unless only they are asked.

    A run needs several frames before it says anything.
    """
    groups = [group for group in groups if group not in RUNS] or groups
    plan = []
    for number in range(frames):
        group = groups[number % len(groups)]
        size = (None, None, None) if group == "3mp" else (*QUICK_SIZE, QUICK_PX_PER_MM)
        seed = first_seed + number // len(groups)
        plan.append(PlannedShot(group=group, seed=seed, width_px=size[0], height_px=size[1], px_per_mm=size[2]))
    return plan
