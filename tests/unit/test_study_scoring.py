"""Findings against truth: who belongs to whom, what is missed, what is false, and the figures over all."""

from __future__ import annotations

import csv
import io

import pytest
from study_scores import box, card_score, piece, shot_score, true_card, truth_of

from calibration.study.figures import figures_of, for_machines, reasons
from calibration.study.measuring import Measured
from calibration.study.planning import PlannedShot
from calibration.study.records import Findings
from calibration.study.report import group_table, report_of
from calibration.study.scoring import matched, score_shot
from calibration.study.sides import sides_csv
from calibration.study.targets import targets_of

TWO = (true_card(300, 300), true_card(600, 300))


def test_errors_are_measured_less_true_and_keep_their_u() -> None:
    score = score_shot("a", truth_of(TWO[0]), Findings(pieces=(piece(301, 299),)), group="kind")
    width, height = score.cards[0].sides
    assert (width.error_mm, width.u_mm) == (pytest.approx(0.02), 0.04)
    assert (height.error_mm, height.u_mm) == (pytest.approx(-0.05), 0.05)
    assert score.cards[0].class_right
    assert score.cards[0].thickness_error_mm == pytest.approx(0.02)


def test_a_piece_belongs_to_the_nearest_card_whatever_the_order() -> None:
    pieces = [piece(610, 300), piece(290, 305)]
    assert matched(TWO, pieces) == {0: 1, 1: 0}
    assert matched(TWO, pieces[::-1]) == {0: 0, 1: 1}


def test_a_piece_with_a_size_goes_before_a_nearer_one_without() -> None:
    assert matched(TWO[:1], [piece(300, 300, width_mm=None, height_mm=None), piece(305, 300)]) == {0: 1}


@pytest.mark.parametrize(
    ("findings", "why"),
    [
        (Findings(pieces=()), "no outline"),
        (Findings(pieces=(), trouble="no-reference"), "photo refused: no-reference"),
        (
            Findings(pieces=(piece(300, 300, width_mm=None, height_mm=None, flags=("overlapped",)),)),
            "flagged overlapped",
        ),
    ],
)
def test_a_missed_card_says_why(findings: Findings, why: str) -> None:
    score = score_shot("a", truth_of(TWO[0]), findings, group="kind")
    assert score.cards[0].missed == why
    assert score.cards[0].sides == ()
    assert score.false == ()
    assert reasons([score])[0] == {why: 1}


def test_a_box_around_two_cards_is_false_and_both_are_missed() -> None:
    around = piece(0, 0, corners_px=tuple((x, y) for x, y in box(300, 300, w=426)), width_mm=88.0, height_mm=213.0)
    score = score_shot("a", truth_of(*TWO), Findings(pieces=(around,)), group="kind")
    assert [card.missed for card in score.cards] == ["no outline"] * 2
    assert len(score.false) == 1


def test_a_second_box_on_a_card_and_one_beside_all_are_false() -> None:
    pieces = (piece(300, 300), piece(302, 300), piece(50, 600, flags=("weak-edge",)))
    score = score_shot("a", truth_of(TWO[0]), Findings(pieces=pieces), group="kind")
    assert score.false == ("on or around a card, no flag", "where no card lies, flagged weak-edge")


def test_a_card_that_is_expected_to_be_flagged_is_neither_missed_nor_false() -> None:
    truth = truth_of(true_card(300, 300, expect="flagged"))
    for pieces in ((), (piece(300, 300),)):
        score = score_shot("a", truth, Findings(pieces=pieces), group="kind")
        assert (score.cards, score.false) == ((), ())


@pytest.mark.parametrize(("width_mm", "false"), [(63.9, 0), (64.2, 1), (61.8, 1)])
def test_a_size_where_a_card_is_expected_to_be_flagged_is_false_where_it_is_not_that_cards(
    width_mm: float, false: int
) -> None:
    """A pile that is taken for one card, or a part of one: more than a millimetre off."""
    truth = truth_of(true_card(300, 300, expect="flagged"))
    score = score_shot("a", truth, Findings(pieces=(piece(300, 300, width_mm=width_mm),)), group="kind")
    assert len(score.false) == false


def test_cards_that_touch_are_to_be_measured() -> None:
    truth = truth_of(true_card(300, 300, expect="flagged", trouble="touching"))
    assert len(score_shot("a", truth, Findings(pieces=(piece(300, 300),)), group="neighbours").cards) == 1
    missed = score_shot("a", truth, Findings(pieces=()), group="neighbours").cards
    assert [card.missed for card in missed] == ["no outline"]


@pytest.mark.parametrize(("probability", "sure"), [(0.96, True), (0.95, False)])
def test_a_wrong_class_is_sure_above_a_probability_of_95_per_cent(probability: float, sure: bool) -> None:
    found = piece(300, 300, size_class="bridge", probability=probability)
    card = score_shot("a", truth_of(TWO[0]), Findings(pieces=(found,)), group="kind").cards[0]
    assert (card.class_right, card.class_wrong_sure) == (False, sure)


def test_an_odd_size_named_as_odd_is_right() -> None:
    truth = truth_of(true_card(300, 300, size_class=None))
    found = piece(300, 300, size_class=None, probability=0.99)
    assert score_shot("a", truth, Findings(pieces=(found,)), group="kind").cards[0].class_right


@pytest.mark.parametrize(
    ("flags", "trouble", "warned"),
    [((), None, False), (("scale-assumed",), None, False), (("scale-doubtful",), None, True),
     (("reference-residuals",), None, True), (("slanted",), None, False), ((), "no-cards", True)],
)  # fmt: skip
def test_what_warns_the_user_of_a_misprint(flags: tuple[str, ...], trouble: str | None, warned: bool) -> None:
    score = score_shot("a", truth_of(TWO[0]), Findings(pieces=(), flags=flags, trouble=trouble), group="misprint")
    assert score.warned is warned


@pytest.mark.parametrize(("x", "outer"), [(437.0, False), (20.0, True), (850.0, True)])
def test_the_outer_third_begins_at_two_thirds_of_the_half_frame(x: float, outer: bool) -> None:
    score = score_shot("a", truth_of(true_card(x, 312)), Findings(pieces=()), group="kind")
    assert score.cards[0].outer is outer


def test_figures_of_a_group_worked_out_by_hand() -> None:
    shots = [
        shot_score(card_score(0.03, -0.04), card_score()),
        shot_score(card_score(0.12, 0.0), false=("where no card lies, no flag",)),
    ]
    figures = figures_of(shots)
    assert (figures.shots, figures.cards, figures.missed, figures.false) == (2, 3, 1, 1)
    assert figures.rms_mm == pytest.approx(((0.03**2 + 0.04**2 + 0.12**2) / 4) ** 0.5)
    assert figures.bias_mm == pytest.approx(0.0275)
    assert figures.worst_mm == pytest.approx(0.12)
    assert figures.coverage95 == pytest.approx(0.75)
    assert figures.error_over_u == pytest.approx(figures.rms_mm / 0.05)
    assert figures.class_right == 1.0


def test_a_misprint_has_no_sizes_and_is_sure_only_where_nobody_warned() -> None:
    wrong = card_score(4.0, 5.0, class_right=False, class_wrong_sure=True)
    for warned in (False, True):
        figures = figures_of([shot_score(wrong, group="misprint", warned=warned)])
        assert (figures.rms_mm, figures.coverage95, figures.error_over_u) == (None, None, None)
        assert (figures.class_wrong_sure, figures.warned) == (0.0 if warned else 1.0, float(warned))


def test_sizes_without_u_give_errors_but_no_coverage() -> None:
    figures = figures_of([shot_score(card_score(0.1, 0.1, u_mm=0.0))])
    assert figures.rms_mm == pytest.approx(0.1)
    assert (figures.coverage95, figures.error_over_u, figures.median_u_mm) == (None, None, None)


def test_figures_for_machines_have_the_keys_that_are_documented() -> None:
    groups = for_machines([shot_score(card_score(0.03, -0.04)), shot_score(card_score(), group="hard")])["groups"]
    assert list(groups) == ["kind", "hard"]
    assert {"shots", "cards", "missed", "false", "rms_mm", "worst_mm", "bias_mm", "coverage95", "error_over_u",
            "class_right", "class_wrong_sure"} <= set(groups["kind"])  # fmt: skip
    assert groups["hard"]["rms_mm"] is None
    assert groups["hard"]["missed"] == 1


def test_a_target_is_missed_by_a_large_error_and_met_by_a_small_one() -> None:
    for error, met in ((0.02, True), (0.5, False)):
        targets = {target.name: target.met for target in targets_of([shot_score(card_score(error, error))])}
        assert targets["kind: RMS, mm"] is met
        assert targets["kind: worst, mm"] is met
        assert targets["false pieces"] is True


def test_intervals_are_targets_where_there_are_shots_enough() -> None:
    """Errors of 4 u throughout miss both; of three shots nothing is asked."""
    for shots, asked in ((3, False), (12, True)):
        scores = [shot_score(card_score(0.2, -0.2)) for _ in range(shots)]
        targets = {target.name: target.met for target in targets_of(scores)}
        for name in ("kind: error/u", "kind: coverage"):
            assert (name in targets) is asked
            assert targets.get(name, False) is False


def test_the_report_shows_every_group_and_says_why_cards_are_missed() -> None:
    shots = [shot_score(card_score(0.03, -0.04)), shot_score(card_score(), group="hard")]
    text = report_of(shots, shots, command="python -m calibration.study", picture="ACCURACY.png")
    for words in ("| kind", "| hard", "no outline", "333.3", "500.0 missed", "ACCURACY.png"):
        assert (words in text) is (words != "333.3")
    assert len({len(line) for line in group_table(shots).splitlines()}) == 1


def test_a_side_found_too_far_out_has_its_offset_on_that_side_only() -> None:
    grown = piece(0, 0, corners_px=((300, 300), (428, 300), (428, 476), (300, 476)), width_mm=64.0)
    measured = Measured(
        shot=PlannedShot(group="kind", seed=1), truth=truth_of(TWO[0]), ours=Findings(pieces=(grown,)),
        textbook=Findings(pieces=()),
    )  # fmt: skip
    rows = list(csv.DictReader(io.StringIO(sides_csv([measured]))))
    assert [float(row["offset_mm"]) for row in rows] == pytest.approx([0.0, 1.0, 0.0, 0.0], abs=1e-9)
    assert [float(row["faces_lamp"]) for row in rows] == pytest.approx([0, 1, 0, -1], abs=1e-9)
    assert [float(row["shadow_mm"]) for row in rows] == pytest.approx([0, 0, 0, 0.32], abs=1e-4)
    walls = [
        float(row["wall_px"]) for row in rows
    ]  # the camera's foot lies right of the card, between its top and bottom
    assert [wall > 0 for wall in walls] == [False, True, False, False]
    assert walls[1] == pytest.approx((499.5 - 426) * 0.32 / 350, abs=1e-4)
    assert [float(row["error_mm"]) for row in rows] == pytest.approx([-0.05, 1.0, -0.05, 1.0], abs=1e-4)
