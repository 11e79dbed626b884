"""Odd components in small rendered photos: found with the right shape and size, in a photo of nothing else, too."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.rig.odd_scenes import odd_scene
from calibration.rig.scene import Scene
from calibration.rig.shots import write_shot
from calibration.study.odd import settings_of_truth, shape_scores
from cardmeasure.pipeline import measure_photo
from cardmeasure.results import ShotResult
from cardmeasure.settings import Settings
from cardmeasure.shapes.measuring import MeasuredShape, is_borne_out
from cardmeasure.shapes.plans import polygon

SIZE = {"width": 1200, "height": 900, "px_per_mm": 5.0}


def measured(scene: Scene, folder: Path) -> tuple[ShotResult, list[dict[str, object]]]:
    path = folder / "odd.jpg"
    write_shot(replace(scene, post=replace(scene.post, focal_35mm_tag=26)), path, seed=1)
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    return measure_photo(path, settings=settings_of_truth(Settings(), truth, group="odd")), truth["cards"]


def nearest(shot: ShotResult, true: dict[str, object]) -> int:
    middle = np.mean(true["corners_px"], axis=0)
    return int(np.argmin([np.linalg.norm(np.mean(card.corners_px, axis=0) - middle) for card in shot.cards]))


def test_thick_components_are_found_with_their_shape_and_their_size_within_its_uncertainty(tmp_path: Path) -> None:
    shot, truth = measured(odd_scene(9301, kind="tiles", **SIZE), tmp_path)
    assert shot.trouble is None
    for true in truth:
        card = shot.cards[nearest(shot, true)]
        assert card.shape == true["shape"]
        assert card.width_mm is not None
        assert card.height_mm is not None
        for value, u, name in (
            (card.width_mm, card.u_width_mm, "width_mm"), (card.height_mm, card.u_height_mm, "height_mm")
        ):  # fmt: skip
            assert value == pytest.approx(true[name], abs=4 * (u or 0.0)), name
        variance = sum(line.u_width_mm**2 for line in card.budget)
        assert card.u_width_mm == pytest.approx(np.sqrt(variance), rel=1e-6)
    assert {score.found for score in shape_scores(truth, shot.cards)} == {true["shape"] for true in truth}


def test_deep_corners_are_measured_and_do_not_move_the_sides(tmp_path: Path) -> None:
    scene = odd_scene(9002, kind="deep", **SIZE)
    deep = tuple(card for card in scene.cards if card.shape == "rectangle" and card.outline.radius_mm > 5)
    assert deep
    shot, truth = measured(replace(scene, cards=deep), tmp_path)
    for true in truth:
        card = shot.cards[nearest(shot, true)]
        assert card.corner_radius_mm == pytest.approx(true["radius_mm"], abs=0.5)
        assert card.width_mm == pytest.approx(true["width_mm"], abs=4 * (card.u_width_mm or 0.0))
        assert card.height_mm == pytest.approx(true["height_mm"], abs=4 * (card.u_height_mm or 0.0))


@pytest.mark.parametrize(
    ("flags", "clarity", "good"),
    [((), 5.0, True), (("corners-unclear",), 50.0, True), (("corners-unclear",), 5.0, False)],
    ids=["corners-seen", "sides-seen", "neither"],
)
def test_a_faint_side_must_be_borne_out_by_the_corners(flags: tuple[str, ...], clarity: float, good: bool) -> None:
    corners = np.array([[0.0, 0.0], [60.0, 0.0], [30.0, 50.0]])
    shape = MeasuredShape(
        plan=polygon(corners, 1.0), sizes_mm=np.array([50.0, 60.0, np.nan]), groups={}, corners_px=np.zeros((4, 2)),
        outline_px=np.zeros((0, 2)), radius_mm=None, thickness_mm=2.0, flags=flags,
    )  # fmt: skip
    assert is_borne_out(shape, clarity) == good
