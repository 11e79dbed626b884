"""Gross errors without a word: what counts, what is guessed of the cause, and that a run goes on where it was."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from study_scores import box, card_score, piece, shot_score, true_card, truth_of

import calibration.gross
from calibration.gross import Task, line_of, looked_at, read_lines, scenes_plan, totals, totals_text
from calibration.rig.folds import FAMILIES
from calibration.study.families import families_plan, families_text
from calibration.study.gross import Gross, doubts, gross_sizes, is_gross
from calibration.study.planning import PlannedShot
from calibration.study.records import Findings, Piece

CARDS = (true_card(300, 300), true_card(600, 300), true_card(300, 550))


def found(*pieces: Piece, flags: tuple[str, ...] = (), design: str = "square-80") -> tuple[Gross, ...]:
    truth = truth_of(*CARDS[: len(pieces)])
    truth["reference"]["design"] = design
    return gross_sizes("a-1", truth, Findings(pieces=pieces, flags=flags), group="lenses")


def test_an_invented_gross_size_is_counted_with_all_that_finds_it_again() -> None:
    longer = tuple((x, y) for x, y in box(300, 300, h=176.8))
    (one,) = found(piece(300, 300, height_mm=88.4, u_height_mm=0.05, corners_px=longer), piece(600, 300))
    assert (one.shot, one.group, one.card, one.side, one.cause) == ("a-1", "lenses", 0, "height", "edges")
    assert (one.error_mm, one.u_mm, one.mat, one.face) == (pytest.approx(0.4), 0.05, "dark-felt", "white-border")


@pytest.mark.parametrize(("error", "u", "gross"), [(0.31, 0.06, True), (-0.31, 0.06, True), (0.29, 0.01, False),
                                                   (0.5, 0.11, False), (0.5, None, True)])  # fmt: skip
def test_gross_is_more_than_five_u_and_three_tenths(error: float, u: float | None, gross: bool) -> None:
    assert is_gross(error, u) is gross


@pytest.mark.parametrize("flag", ["bent-edge", "weak-edge", "outline-differs", "on-another"])
def test_a_piece_in_doubt_is_not_silent(flag: str) -> None:
    assert found(piece(300, 300, height_mm=90.0, flags=(flag,))) == ()


@pytest.mark.parametrize("flag", ["scale-doubtful", "reference-residuals", "bank-card-differs"])
def test_a_photo_in_doubt_is_not_silent(flag: str) -> None:
    assert found(piece(300, 300, height_mm=90.0), flags=(flag,)) == ()


@pytest.mark.parametrize("flag", ["scale-assumed", "blurred", "slanted", "low-resolution"])
def test_notes_are_no_doubt(flag: str) -> None:
    assert len(found(piece(300, 300, height_mm=90.0), flags=(flag,))) == 1
    assert doubts((flag, "bent-edge", "overlapped")) == ["bent-edge"]


def test_causes_are_told_apart() -> None:
    short = piece(300, 300, height_mm=80.0, corners_px=tuple((x, y) for x, y in box(300, 300, h=160.0)))
    assert [one.cause for one in found(short)] == ["detection"]
    assert [one.cause for one in found(piece(300, 300, height_mm=88.5), design="sheet-a4")] == ["sheet"]
    assert [one.cause for one in found(piece(300, 300, height_mm=88.5))] == ["lens"]
    scaled = [piece(x, y, width_mm=63.38, height_mm=88.53) for x, y in ((300, 300), (600, 300), (300, 550))]
    assert {one.cause for one in found(*scaled)} == {"lens"}


def line(number: int, *gross: Gross) -> dict[str, Any]:
    shot = PlannedShot(group="lenses", seed=number)
    return line_of(shot, truth_of(CARDS[0]), None, sized=1, found=gross)


def test_totals_count_sizes_and_scenes_by_cause_and_family() -> None:
    one = found(piece(300, 300, width_mm=64.0, height_mm=88.9))
    lines = [line(1), line(2, *one), json.loads(json.dumps(line(3, *one)))]
    t = totals(lines)
    assert (t["scenes"], t["gross"], t["scenes_with_gross"], t["cards"]) == (3, 4, 2, 3)
    assert t["causes"] == {"edges": 0, "lens": 0, "sheet": 0, "detection": 0} | {one[0].cause: 4}
    assert t["families"] == {"lenses": 4}
    assert "4 sizes in 2 scenes" in totals_text(lines) and "a-1" in totals_text(lines)


def test_a_run_goes_on_where_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out, seen = tmp_path / "gross.jsonl", []

    def remembered(task: Task) -> dict[str, Any]:
        seen.append(task.shot.name)
        return {**line(0), "shot": task.shot.name}

    monkeypatch.setattr(calibration.gross, "looked_at", remembered)
    arguments = ["--seed", "10", "--out", str(out), "--processes", "1", "--families", "lenses,crops", "--json"]
    assert calibration.gross.main(["--scenes", "3", *arguments]) == 0
    out.write_text(out.read_text() + '{"shot": "cut o')
    assert calibration.gross.main(["--scenes", "5", *arguments]) == 0
    assert seen == ["lenses-10", "crops-11", "lenses-12", "crops-13", "lenses-14"]


def test_lines_survive_a_last_one_that_was_cut_off(tmp_path: Path) -> None:
    out = tmp_path / "gross.jsonl"
    assert read_lines(out) == {}
    out.write_text(json.dumps(line(1)) + "\n" + json.dumps(line(2))[:30])
    assert set(read_lines(out)) == {"lenses-1"}


def test_scenes_take_all_families_in_turn() -> None:
    plan = scenes_plan(2 * len(FAMILIES), seed=5)
    assert [shot.group for shot in plan] == [*FAMILIES, *FAMILIES]
    assert len({shot.seed for shot in plan}) == len(plan)


def test_a_scene_is_rendered_measured_and_forgotten(tmp_path: Path) -> None:
    shot = PlannedShot(group="lenses", seed=1, width_px=240, height_px=180, px_per_mm=0.9)
    told = looked_at(Task(shot=shot, keep=tmp_path))
    assert told["shot"] == "lenses-1" and told["cards"] > 0
    assert list(tmp_path.iterdir()) == [] or told["gross"]


def test_families_are_planned_by_fold_and_by_name() -> None:
    assert {shot.group for shot in families_plan(shots=1)} == set(FAMILIES)
    assert {shot.group for shot in families_plan(folds=(2,), shots=1)} == {"crops", "boards", "inks"}
    assert [shot.name for shot in families_plan(families=("light",), shots=2, first_seed=7)] == ["light-7", "light-8"]
    full = families_plan(families=("light",), shots=6, megapixels="full")
    sizes = [(shot.width_px or 0) * (shot.height_px or 0) / 1e6 for shot in full]
    assert min(sizes) == pytest.approx(1.5, rel=0.03) and max(sizes) == pytest.approx(24, rel=0.03)


def test_the_table_has_every_family_every_fold_and_every_gross_size() -> None:
    scores = [shot_score(card_score(0.02, -0.01), group=group, shot=f"{group}-1") for group in ("light", "crops")]
    text = families_text(scores, found(piece(300, 300, height_mm=90.0)))
    assert all(f"| {name} " in text for name in ("light", "crops", "fold 1", "fold 2", "a-1"))
