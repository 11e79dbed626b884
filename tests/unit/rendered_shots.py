"""Small rendered shots with known truth, for tests of the whole way from file to result."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import rays
from calibration.rig.groups import random_scene
from calibration.rig.scene import Card, Place, Scene
from calibration.rig.shots import write_shot
from cardmeasure.pipeline import measure_photo
from cardmeasure.results import ShotResult

Floats = NDArray[np.float64]

WIDTH_PX, HEIGHT_PX, PX_PER_MM = 1480, 1110, 5.0


def plain_scene() -> Scene:
    """A square and a few cards, all whole, none touching."""
    return random_scene("kind", 5, width=WIDTH_PX, height=HEIGHT_PX, px_per_mm=PX_PER_MM, cards=3)


def without_cards(scene: Scene) -> Scene:
    """The same table with the square alone."""
    return replace(scene, cards=())


def with_a_card_over_the_frame(scene: Scene) -> Scene:
    """The last card moved so that the middle of the photo's right edge runs through it."""
    x, y = _table_mm(scene, np.array([[WIDTH_PX - 1.0, HEIGHT_PX / 2]]))[0]
    return _moved(scene, replace(scene.cards[-1].place, x_mm=float(x), y_mm=float(y)))


def with_a_card_on_another(scene: Scene) -> Scene:
    """The last card laid half onto the first, askew, on the side away from the square and so from all others."""
    first, square = scene.cards[0].place, scene.squares[0].place
    away = np.array([first.x_mm - square.x_mm, first.y_mm - square.y_mm])
    x, y = np.array([first.x_mm, first.y_mm]) + 22.0 * away / np.linalg.norm(away)
    return _moved(scene, Place(x_mm=float(x), y_mm=float(y), turn_deg=first.turn_deg + 25.0, base_mm=0.3))


@dataclass(frozen=True, kw_only=True)
class RenderedShot:
    """A shot as a file, its truth, and what was measured."""

    path: Path
    truth: dict[str, Any]
    result: ShotResult


def rendered_shot(scene: Scene, path: Path) -> RenderedShot:
    """Render a scene into a file and measure it."""
    write_shot(scene, path, seed=1)
    truth: dict[str, Any] = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    return RenderedShot(path=path, truth=truth, result=measure_photo(path))


def _moved(scene: Scene, place: Place) -> Scene:
    last: Card = replace(scene.cards[-1], place=place)
    return replace(scene, cards=(*scene.cards[:-1], last))


def _table_mm(scene: Scene, pixels: Floats) -> Floats:
    """Where the rays of pixels (n, 2) meet the table, (n, 2)."""
    ways, centre = rays(scene.camera, pixels), np.array(scene.camera.centre_mm)
    return np.asarray(centre[:2] - ways[:, :2] * (centre[2] / ways[:, 2])[:, None])
