"""Spoiled shots in the study: how they are drawn, and how what is said of them is scored."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.rig import render, truth
from calibration.rig.bank_scenes import LIMITS_MM, bank_scene
from calibration.rig.phone_scenes import phone_scene
from calibration.rig.refusal_scenes import KINDS, refusal_scene
from calibration.study.measuring import Measured
from calibration.study.planning import PlannedShot
from calibration.study.records import Findings, Piece
from calibration.study.refusals import refusal_scores, refusal_targets, refusal_text, with_refusals
from calibration.study.scoring import score_shot
from cardmeasure.errors import TROUBLES

SIZE = {"width": 160, "height": 120, "px_per_mm": 0.6}
SIZED = Piece(corners_px=((0.0, 0.0),) * 4, width_mm=63.0, height_mm=88.0)
NOTHING = Findings(pieces=(), trouble="no-reference")


def spoiled(kind: str, ours: Findings) -> Measured:
    facts = {"flaw": {"kind": kind, "codes": list(KINDS[kind][0])}, "cards": []}
    return Measured(shot=PlannedShot(group="refuse", seed=1), truth=facts, ours=ours, textbook=NOTHING)


def test_all_kinds_take_turns_and_their_codes_exist() -> None:
    scenes = [refusal_scene(seed, **SIZE) for seed in range(len(KINDS))]
    assert {scene.flaw.kind for scene in scenes if scene.flaw} == set(KINDS)
    assert {code for codes, _ in KINDS.values() for code in codes} <= set(TROUBLES)
    assert refusal_scene(3, **SIZE) == refusal_scene(3, **SIZE)


def test_no_card_of_a_spoiled_shot_is_expected_to_be_measured() -> None:
    facts = truth(refusal_scene(1, **SIZE))
    assert facts["flaw"] == {"kind": "covered", "codes": ["reference-covered"]}
    assert facts["cards"] and all(card["expect"] == "flagged" for card in facts["cards"])
    assert score_shot("a", facts, NOTHING, group="refuse").cards == ()


@pytest.mark.parametrize("kind", ["glare", "mirrored", "screen"])
def test_flaws_of_light_change_the_light_as_they_say(kind: str) -> None:
    scene = refusal_scene(2, kind=kind, **SIZE)
    with_flaw, without = render(scene, seed=1), render(replace(scene, flaw=None), seed=1)
    if kind == "mirrored":
        assert np.array_equal(with_flaw, without[:, ::-1])
    else:
        changed = np.abs(with_flaw - without).max(axis=2) > 1e-3
        assert 0.005 < changed.mean() < 0.5
        assert kind != "glare" or (with_flaw >= without - 1e-6).all()


def test_a_scene_without_a_flaw_has_none_in_its_truth() -> None:
    assert "flaw" not in truth(bank_scene(1, **SIZE))


def test_bank_scenes_hold_one_bank_card_within_the_standards_limits_on_a_print_that_is_off() -> None:
    for seed in range(2):
        scene = bank_scene(seed, cards=1)
        (card,) = [card for card in scene.cards if card.size_class == "id-1"]
        for side, (low, high) in zip((card.width_mm, card.height_mm), LIMITS_MM, strict=True):
            assert low <= side <= high
        assert 0.0005 < abs(scene.print.scale_x - 1) < 0.02
        assert card.face.style == "bank"


def test_shots_of_one_phone_share_its_lens_nearly_and_its_print_exactly() -> None:
    first, second, other = phone_scene(5, 0), phone_scene(5, 1), phone_scene(6, 0)
    assert first.print == second.print
    assert first.camera.focal_px != second.camera.focal_px
    assert first.camera.k1 == pytest.approx(second.camera.k1, abs=0.04)
    assert first.post.model == second.post.model != other.post.model


def test_what_is_refused_or_flagged_for_the_right_reason_is_right_and_all_else_is_not() -> None:
    measured = [
        spoiled("glare", Findings(pieces=(), trouble="reference-glare")),
        spoiled("glare", Findings(pieces=(SIZED,), flags=("scale-assumed",))),
        spoiled("cut", Findings(pieces=(), trouble="no-reference")),
        spoiled("screen", Findings(pieces=(SIZED,), flags=("reference-on-screen",))),
        Measured(shot=PlannedShot(group="kind", seed=1), truth={"cards": []}, ours=NOTHING, textbook=NOTHING),
    ]
    scores = refusal_scores(measured)
    assert [score.is_right for score in scores] == [True, False, False, True]
    text = " ".join("\n".join(refusal_text(scores)).split())
    assert "| glare | 2 | 1 | 1 | scale-assumed |" in text and "| cut | 1 | 0 | 0 | no-reference |" in text
    assert [target.met for target in refusal_targets(scores)] == [False, False]
    assert [target.met for target in refusal_targets(scores[:1])] == [True, True]
    assert [target.met for target in refusal_targets(scores[3:])] == [True, True], "sized, but with the right doubt"
    assert with_refusals({"groups": {"refuse": {}}}, scores)["groups"]["refuse"] == {"named_rightly": 0.5, "sized": 2}


def test_a_study_without_spoiled_shots_says_nothing_of_them() -> None:
    assert refusal_text([]) == [] and refusal_targets([]) == []
    assert with_refusals({"groups": {}}, []) == {"groups": {}}
