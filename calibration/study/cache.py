"""Rendered shots on disk, outside the checkout: each is rendered once and is found again by what makes its picture.

A shot counts as rendered only when its truth stands beside its picture: the truth is renamed into place last. So the
study can be stopped at any time, and goes on where it was.
"""

from __future__ import annotations

import ast
import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterable
from dataclasses import asdict
from functools import cache
from pathlib import Path

import calibration.rig
from calibration.rig.packing import design_named
from calibration.rig.shots import write_shot
from calibration.study.planning import PlannedShot

ABANDONED_S = 6 * 3600.0
"""A folder of a shot in the making that is older belongs to a process that was killed."""
MAKING = ".making-"


def default_folder() -> Path:
    """The study's folder in the user's cache (XDG Base Directory Specification)."""
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "cardmeasure" / "study"


@cache
def rig_version() -> str:
    """Hash of all code that draws and renders scenes (comments and docstrings apart), and of the printed design."""
    digest = hashlib.sha256()
    for path in sorted(Path(calibration.rig.__file__).parent.glob("*.py")):
        digest.update(path.name.encode() + b"\0" + _bare_code(path.read_text(encoding="utf-8")).encode())
    design = design_named("square-80")
    for points in (design.black_cells_mm, design.black_modules_mm, design.saddles_mm, design.cut_corners_mm):
        digest.update(points.round(6).tobytes())
    return digest.hexdigest()


def _bare_code(source: str) -> str:
    """The code without comments, layout and docstrings."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):
            node.body = [line for line in body if not _is_text(line)] or [ast.Pass()]  # type: ignore[attr-defined]
    return ast.unparse(tree)


def _is_text(line: ast.stmt) -> bool:
    return isinstance(line, ast.Expr) and isinstance(line.value, ast.Constant) and isinstance(line.value.value, str)


def photo_path(shot: PlannedShot, folder: Path) -> Path:
    """Where the shot's picture is kept; the name changes with all that could change the picture."""
    key = hashlib.sha256(f"{rig_version()} {sorted(asdict(shot).items())}".encode()).hexdigest()[:12]
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
