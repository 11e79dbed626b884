"""All groups of scenes by name: whoever adds a family of scenes adds its groups here."""

from __future__ import annotations

from functools import partial
from typing import Protocol

from calibration.rig.bank_scenes import bank_scene
from calibration.rig.decoy_scenes import decoy_scene
from calibration.rig.families import family_scene
from calibration.rig.folds import FAMILIES
from calibration.rig.groups import CHANGES, random_scene
from calibration.rig.neighbour_scenes import neighbour_scene
from calibration.rig.odd_scenes import odd_scene
from calibration.rig.phone_scenes import RUNS, run_scene
from calibration.rig.refusal_scenes import refusal_scene
from calibration.rig.scene import Scene
from calibration.rig.sheet_scenes import sheet_scene
from calibration.rig.table_scenes import table_scene


class Builder(Protocol):
    """Draws a scene of a group, the same for the same arguments; a size that is None is the group's own."""

    def __call__(
        self, seed: int, *, width: int | None = None, height: int | None = None, px_per_mm: float | None = None
    ) -> Scene:
        """The scene."""


BUILDERS: dict[str, Builder] = {
    **{group: partial(random_scene, group) for group in CHANGES},
    "sheet": sheet_scene,
    "tables": table_scene,
    "neighbours": neighbour_scene,
    "odd": odd_scene,
    "scale-card": bank_scene,
    "decoys": decoy_scene,
    "refuse": refusal_scene,
    **{group: partial(run_scene, group) for group in RUNS},
}
"""All groups, and what draws their scenes."""
FAMILY_BUILDERS: dict[str, Builder] = {family: partial(family_scene, family) for family in FAMILIES}
"""All families of scenes less like the others (see `folds`), and what draws their scenes."""
