"""What `--explain` says: every line of every budget has words, the largest comes first, and advice follows it."""

from __future__ import annotations

from dataclasses import replace

from cardmeasure.adjustment import EDGES_GROUP, POINTS_GROUP
from cardmeasure.priors import BANK_CARD, GROUP_NAMES, LENS_PROFILE
from cardmeasure.reports.explanation import NEGLIGIBLE, WORDS, explanation_text
from cardmeasure.results import Contribution
from tests.made_results import measured, sized_card


def test_every_group_of_the_adjustment_has_words_and_advice() -> None:
    assert set(WORDS) == {*GROUP_NAMES, BANK_CARD, LENS_PROFILE, POINTS_GROUP, EDGES_GROUP}


def test_lines_come_largest_first_and_small_ones_are_left_out() -> None:
    budget = (
        Contribution(name="print scale", u_width_mm=0.19, u_height_mm=0.26),
        Contribution(name="edge model", u_width_mm=0.04, u_height_mm=0.05),
        Contribution(name="tone curve", u_width_mm=0.19 * NEGLIGIBLE / 2, u_height_mm=0.0),
    )
    shot = measured("a.jpg", cards=(replace(sized_card(1), budget=budget),))
    text = explanation_text(shot, width=80)
    assert text.index("print scale") < text.index("edge model")
    assert "tone curve" not in text
    assert "calliper" in text
    assert max(map(len, text.splitlines())) <= 80


def test_unsized_cards_have_nothing_to_explain() -> None:
    shot = measured("a.jpg", cards=(replace(sized_card(1), budget=()),))
    assert explanation_text(shot) == ""
