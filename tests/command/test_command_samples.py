"""The sample photos against their truth: the main job, run as the README's first command runs it.

The photos are rendered, so this shows that the method holds together, not how well it does on a phone's own photos.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from cardmeasure.cli import app

SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    out = tmp_path_factory.mktemp("samples") / "out.json"
    result = CliRunner().invoke(app, ["measure", str(SAMPLES), "--results", str(out), "--quiet"])
    assert result.exit_code == 0, result.output
    shots: list[dict[str, Any]] = json.loads(out.read_text(encoding="utf-8"))["shots"]
    return shots


def _pairs(shots: list[dict[str, Any]]) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Each true card with the measured one at its place; a missed or false card fails."""
    pairs = []
    for shot in shots:
        truth = json.loads((SAMPLES / shot["file"]).with_suffix(".truth.json").read_text(encoding="utf-8"))
        left = list(shot["cards"])
        for card in truth["cards"]:
            middle = np.mean(card["corners_px"], axis=0)
            near = [c for c in left if np.linalg.norm(np.mean(c["corners_px"], axis=0) - middle) < 40]
            assert len(near) == 1, f"{shot['file']}: {len(near)} pieces where a {card['width_mm']} mm card lies"
            left.remove(near[0])
            pairs.append((card, near[0]))
        sized = [c for c in left if c["width_mm"] is not None]
        assert not sized, f"{shot['file']}: {len(sized)} sizes where no card lies"
    return pairs


def test_all_sample_photos_have_their_truth_and_are_measured(shots: list[dict[str, Any]]) -> None:
    names = {path.relative_to(SAMPLES).as_posix() for path in SAMPLES.rglob("*.truth.json")}
    assert {Path(shot["file"]).with_suffix(".truth.json").as_posix() for shot in shots} == names
    assert len(shots) >= 6
    assert all(shot["status"] == "measured" for shot in shots)
    for shot in shots:
        known = "bank-card" if shot["file"].startswith("no_readings/") else "entered"
        assert shot["reference"]["scale_source"] == known


def test_every_sample_card_is_found_sized_and_classed_right(shots: list[dict[str, Any]]) -> None:
    pairs = _pairs(shots)
    assert len(pairs) >= 36
    for true, found in pairs:
        assert found["width_mm"] is not None
        assert found["size_class"] == true["size_class"], (found["width_mm"], found["height_mm"])


def test_sample_sizes_are_right_and_their_uncertainty_is_true(shots: list[dict[str, Any]]) -> None:
    sides = [
        (found[f"{side}_mm"] - true[f"{side}_mm"], found[f"u_{side}_mm"])
        for true, found in _pairs(shots)
        for side in ("width", "height")
    ]
    error, u = np.array(sides).T
    assert np.sqrt(np.mean(error**2)) <= 0.06
    assert np.abs(error / u).max() <= 4.0
    assert 0.5 <= np.sqrt(np.mean((error / u) ** 2)) <= 1.5
    assert np.median(u) <= 0.06
