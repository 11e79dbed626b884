"""Rendered shots on disk, outside the checkout: each is rendered once and is found again by what makes its picture.

A shot counts as rendered only when its truth stands beside its picture: the truth is renamed into place last. So the
study can be stopped at any time, and goes on where it was.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path

import calibration.rig
from calibration.rig.folds import FAMILIES
from calibration.rig.shots import write_shot
from calibration.study.planning import PlannedShot

ABANDONED_S = 6 * 3600.0
"""A folder of a shot in the making that is older belongs to a process that was killed."""
MAKING = ".making-"


def default_folder() -> Path:
    """The study's folder in the user's cache (XDG Base Directory Specification)."""
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "cardmeasure" / "study"


def photo_path(shot: PlannedShot, folder: Path) -> Path:
    """Where the shot's picture is kept; the name changes with all that could change the picture."""
    version = f"{calibration.rig.PICTURES}"
    if shot.group in FAMILIES:
        version += f".{calibration.rig.FAMILY_PICTURES}"
    key = hashlib.sha256(f"{version} {sorted(asdict(shot).items())}".encode()).hexdigest()[:12]
    return folder / shot.group / f"{shot.name}-{key}.jpg"


def truth_path(shot: PlannedShot, folder: Path) -> Path:
    """Where the shot's truth is kept."""
    return photo_path(shot, folder).with_suffix(".truth.json")


def is_rendered(shot: PlannedShot, folder: Path) -> bool:
    """Whether the shot is there, whole."""
    return truth_path(shot, folder).exists()


def missing(plan: Iterable[PlannedShot], folder: Path) -> list[PlannedShot]:
    """The shots of a plan that are still to be rendered."""
    return [shot for shot in plan if not is_rendered(shot, folder)]


def render_shot(shot: PlannedShot, folder: Path) -> None:
    """Render one shot into the cache."""
    photo = photo_path(shot, folder)
    photo.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=MAKING, dir=folder) as making:
        made = Path(making) / photo.name
        write_shot(shot.scene(), made, seed=shot.seed)
        made.replace(photo)
        made.with_suffix(".truth.json").replace(truth_path(shot, folder))


def sweep(folder: Path) -> None:
    """Remove what processes that were killed left half made."""
    for making in folder.glob(MAKING + "*"):
        if time.time() - making.stat().st_mtime > ABANDONED_S:
            shutil.rmtree(making, ignore_errors=True)
