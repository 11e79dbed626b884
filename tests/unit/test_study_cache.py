"""The study's plan and its cache: the same shots every time, each rendered once, whatever is killed in between."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import calibration.rig
from calibration.rig import random_scene, render
from calibration.rig.phone_scenes import RUNS
from calibration.study import cache, planning
from calibration.study.cache import is_rendered, missing, photo_path, render_shot, sweep, truth_path
from calibration.study.planning import GROUPS, PlannedShot, full_plan, quick_plan

TINY = tuple(PlannedShot(group="kind", seed=s, width_px=360, height_px=270, px_per_mm=1.6) for s in (1, 2))

KILLED_WHILE_RENDERING = """
import os, signal, sys
from pathlib import Path
from calibration.study import cache
from calibration.study.planning import PlannedShot

def write_half(scene, path, *, seed):
    path.write_bytes(b"half a picture")
    os.kill(os.getpid(), signal.SIGKILL)

cache.write_shot = write_half
shot = PlannedShot(group="kind", seed=2, width_px=360, height_px=270, px_per_mm=1.6)
cache.render_shot(shot, Path(sys.argv[1]))
"""


def test_plans_are_the_same_every_time_and_take_turns() -> None:
    assert full_plan() == full_plan()
    assert [shot.group for shot in full_plan()[: len(GROUPS)]] == list(GROUPS)
    assert {shot.group: 0 for shot in full_plan()} == dict.fromkeys(GROUPS, 0)
    assert all(sum(shot.group == group for shot in full_plan()) >= 20 for group in GROUPS)
    assert len({(shot.group, shot.seed) for shot in full_plan()}) == len(full_plan())


def test_the_quick_plan_is_small_and_shows_every_group_but_runs() -> None:
    plan = quick_plan()
    assert len(plan) == 20
    assert {shot.group for shot in plan} == set(GROUPS) - set(RUNS)
    for shot in plan:
        camera = shot.scene().camera if shot.group == "3mp" else None
        width, height = (camera.width, camera.height) if camera else (shot.width_px, shot.height_px)
        assert 2e6 <= (width or 0) * (height or 0) <= 3.1e6
        assert shot.group == "3mp" or shot.px_per_mm == 9.0


def test_the_two_plans_share_no_scene() -> None:
    assert {(s.group, s.seed) for s in full_plan()} & {(s.group, s.seed) for s in quick_plan()} == set()


def test_a_shot_is_rendered_once_and_found_again(tmp_path: Path) -> None:
    assert missing(TINY, tmp_path) == list(TINY)
    render_shot(TINY[0], tmp_path)
    assert missing(TINY, tmp_path) == [TINY[1]]
    assert sorted(p.name for p in (tmp_path / "kind").iterdir()) == sorted(
        p.name for p in (photo_path(TINY[0], tmp_path), truth_path(TINY[0], tmp_path))
    )
    assert list(tmp_path.iterdir()) == [tmp_path / "kind"]


def test_a_study_that_is_killed_goes_on_where_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A process killed within a picture leaves nothing that counts; what was whole stays; the rest is rendered."""
    render_shot(TINY[0], tmp_path)
    before = photo_path(TINY[0], tmp_path).stat().st_mtime_ns
    root = str(Path(__file__).parents[2])
    command = [sys.executable, "-c", KILLED_WHILE_RENDERING, str(tmp_path)]
    done = subprocess.run(command, env={**os.environ, "PYTHONPATH": root}, check=False)
    assert done.returncode == -signal.SIGKILL
    assert [p.name for p in tmp_path.glob(cache.MAKING + "*/*.jpg")] == [photo_path(TINY[1], tmp_path).name]
    assert missing(TINY, tmp_path) == [TINY[1]]
    sweep(tmp_path)
    assert list(tmp_path.glob(cache.MAKING + "*"))  # it could be another process's, still at work
    monkeypatch.setattr(cache, "ABANDONED_S", -1.0)
    sweep(tmp_path)
    assert not list(tmp_path.glob(cache.MAKING + "*"))
    for shot in missing(TINY, tmp_path):
        render_shot(shot, tmp_path)
    assert missing(TINY, tmp_path) == []
    assert photo_path(TINY[0], tmp_path).stat().st_mtime_ns == before


def test_a_picture_without_its_truth_does_not_count(tmp_path: Path) -> None:
    render_shot(TINY[0], tmp_path)
    truth_path(TINY[0], tmp_path).unlink()
    assert not is_rendered(TINY[0], tmp_path)


def test_what_changes_a_picture_changes_its_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = {photo_path(replace(TINY[0], **change), tmp_path).name for change in
             ({}, {"seed": 9}, {"group": "hard"}, {"width_px": 400}, {"px_per_mm": 2.0})}  # fmt: skip
    assert len(names) == 5
    old = photo_path(TINY[0], tmp_path)
    monkeypatch.setattr("calibration.rig.PICTURES", -1)
    assert photo_path(TINY[0], tmp_path) != old


def test_pictures_that_change_get_another_version() -> None:
    """Else shots rendered before would be taken for these: who sees this fail raises PICTURES and adds its means."""
    kept = json.loads((Path(__file__).parent / "rig_pictures.json").read_text(encoding="utf-8"))
    for group, means in kept[str(calibration.rig.PICTURES)].items():
        scene = random_scene(group, 1, width=160, height=120, px_per_mm=0.7)
        blocks = render(scene, seed=1).reshape(4, 30, 4, 40, 3).mean(axis=(1, 3))
        assert blocks == pytest.approx(np.array(means), rel=2e-3), group


def test_the_cache_stands_outside_the_checkout(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert cache.default_folder() == tmp_path / "cardmeasure" / "study"
    monkeypatch.delenv("XDG_CACHE_HOME")
    assert not cache.default_folder().is_relative_to(Path(planning.__file__).parents[2])
