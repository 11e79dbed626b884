"""Runs of shots of one phone and one print in the study: how they are drawn, and how what they gain is scored."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from study_scores import card_score, shot_score

from calibration.rig.catalogue import BUILDERS
from calibration.rig.phone_scenes import RUN_SHOTS, RUNS, run_of, run_scene
from calibration.study import command
from calibration.study.planning import PlannedShot, full_plan, quick_plan
from calibration.study.profiles import profile_of
from calibration.study.together import RunScore, gain_of, together_targets, together_text, with_together

SIZE = {"width": 400, "height": 300, "px_per_mm": 1.8}


def test_shots_of_a_run_are_of_one_phone_and_one_print_and_all_else_differs() -> None:
    seeds = range(7 * RUN_SHOTS, 8 * RUN_SHOTS)
    scenes = [run_scene("run-entered", seed, **SIZE) for seed in seeds]
    first = scenes[0]
    for scene in scenes[1:]:
        assert scene.print == first.print
        assert (scene.post.model, scene.post.focal_35mm_tag) == (first.post.model, first.post.focal_35mm_tag)
        assert scene.camera.focal_px == pytest.approx(first.camera.focal_px, rel=0.02)
        assert scene.camera.k1 == pytest.approx(first.camera.k1, abs=0.05)
        assert scene.camera != first.camera
        assert (scene.cards, scene.light, scene.squares) != (first.cards, first.light, first.squares)
    assert first == run_scene("run-entered", seeds[0], **SIZE)


def test_runs_are_of_different_phones_and_prints() -> None:
    seeds = (0, RUN_SHOTS, 2 * RUN_SHOTS)
    scenes = [run_scene(group, seed, **SIZE) for group in RUNS for seed in seeds]
    assert len({scene.post.model for scene in scenes}) == len({scene.print for scene in scenes}) == len(scenes)


def test_the_bars_are_read_once_for_all_shots_of_a_run() -> None:
    def read(seed: int) -> object:
        return profile_of("run-entered", scale_x=1.002, scale_y=0.998, seed=seed)

    assert len({read(seed) for seed in range(2000, 2000 + RUN_SHOTS)}) == 1
    assert read(2000) != read(2000 + RUN_SHOTS)
    assert profile_of("run-assumed", scale_x=1.002, scale_y=0.998, seed=2000).source == "assumed"


def test_the_full_plan_has_whole_runs_and_the_quick_one_has_none_unless_only_they_are_asked() -> None:
    assert set(RUNS) <= set(BUILDERS)
    for group in RUNS:
        shots = [run_of(shot.seed) for shot in full_plan() if shot.group == group]
        assert sorted(shots) == [(run, k) for run in sorted({run for run, _ in shots}) for k in range(RUN_SHOTS)]
    assert not {shot.group for shot in quick_plan()} & set(RUNS)
    assert {shot.group for shot in quick_plan(RUNS, frames=4)} == set(RUNS)


def scored(group: str, run: int, alone: tuple[float, float], together: tuple[float, float] | None) -> RunScore:
    """A shot with one card whose sizes are off by so much; u falls from 0.05 to 0.04 mm when solved together."""
    again = shot_score(card_score(*together, u_mm=0.04), group=group) if together else None
    return RunScore(
        group=group, run=run, sizes_mm=(50.0, 100.0), alone=shot_score(card_score(*alone), group=group), together=again
    )  # fmt: skip


def test_the_gain_is_the_ratio_over_the_same_sizes_and_shots_not_solved_again_count_as_they_are() -> None:
    scores = [scored("run-entered", 1, (0.08, -0.06), (0.04, -0.03)), scored("run-entered", 2, (0.05, 0.05), None)]
    gain = gain_of(scores)
    assert gain is not None
    assert (gain.shots, gain.solved, gain.cards, gain.missed, gain.sizes) == (2, 1, 2, 0, 4)
    assert gain.rms_mm == pytest.approx((np.sqrt(0.015 / 4), np.sqrt(0.0075 / 4)))
    assert gain.worst_mm == pytest.approx((0.08, 0.05))
    assert gain.mean_u_mm == pytest.approx((0.05, 0.045))
    assert gain.error_over_u[1] == pytest.approx(np.sqrt((1 + 0.5625 + 1 + 1) / 4))
    assert gain.rms_ratio == pytest.approx(np.sqrt(0.5))
    assert gain.rms_ratio_interval is not None
    assert gain.rms_ratio_interval.low == pytest.approx(0.5) and gain.rms_ratio_interval.high == pytest.approx(1.0)
    assert gain_of([]) is None


def test_a_scale_that_a_run_has_wrong_is_no_part_of_what_is_less_the_scale() -> None:
    scores = [scored("run-assumed", 1, (0.1, 0.2), (0.1, 0.2)), scored("run-assumed", 2, (-0.1, -0.2), (-0.2, 0.1))]
    gain = gain_of(scores)
    assert gain is not None
    assert gain.less_scale_mm == pytest.approx((0.0, np.sqrt(0.05 / 4)), abs=1e-12)
    assert gain.rms_mm[0] == pytest.approx(np.sqrt(0.1 / 4))


def test_table_targets_and_figures_say_what_was_gained_and_what_not() -> None:
    better = [scored("run-entered", run, (0.08, -0.06), (0.04, -0.03)) for run in (1, 2)]
    worse = [scored("run-assumed", run, (0.01, -0.01), (0.05, -0.05)) for run in (1, 2)]
    text = " ".join("\n".join(together_text(better + worse)).split())
    assert "| bars read | one by one | 2 | 2, 0, 0 | 0.0707 | 0.080 |" in text
    assert "| ratio | | | 0.500 (0.500–0.500) |" in text
    met = {target.name: target.met for target in together_targets(better + worse)}
    assert all(met[name] for name in met if "bars read" in name)
    assert not met["together, nothing: RMS less scale, ratio"] and not met["together, nothing: error/u"]
    missing = replace(better[0], together=None)
    assert not together_targets([missing, better[1]])[0].met
    figures = with_together({"groups": {}}, better)["together"]["run-entered"]
    assert figures["rms_mm"] == {"alone": 0.07071, "together": 0.03536}
    assert (together_text([]), together_targets([]), with_together({}, [])) == ([], [], {})


def test_a_run_is_measured_one_by_one_and_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two small shots of one run: both are solved again, and the report has their table and none for lone shots."""
    plan = [PlannedShot(group="run-entered", seed=seed, width_px=1200, height_px=900, px_per_mm=4.5) for seed in (5, 6)]
    monkeypatch.setattr(command, "full_plan", lambda *_, **__: plan)
    out = tmp_path / "A.md"
    arguments = ["--groups", "run-entered", "--cache", str(tmp_path / "cache"), "--processes", "1", "--json"]
    assert command.main([*arguments, "--out", str(out)]) == 0
    figures = json.loads(capsys.readouterr().out)["together"]["run-entered"]
    assert (figures["shots"], figures["solved"]) == (2, 2)
    assert figures["mean_u_mm"]["together"] < figures["mean_u_mm"]["alone"]
    assert 0.3 < figures["rms_ratio"] < 1.5
    text = out.read_text(encoding="utf-8")
    assert "## Solved together" in text and "## By group" not in text
