"""What reports say of a print that the pieces contradict, and of the lens profile."""

from __future__ import annotations

from dataclasses import replace

import pytest

from cardmeasure.bank_card import NONE, BankCards, Verdict
from cardmeasure.classes import standard_classes
from cardmeasure.print_doubt import print_seen_by, suspected_scale
from cardmeasure.reference.print_profile import ASSUMED
from cardmeasure.reports.html_report import html_report
from cardmeasure.reports.json_results import results_json
from cardmeasure.reports.print_words import suspicion_words
from cardmeasure.reports.reading_json import parse_results
from cardmeasure.reports.terminal_table import shot_text
from cardmeasure.results import ShotResult
from cardmeasure.settings import Settings
from tests.made_results import PHOTO, measured, sized_card


def suspicious(scale: float | None) -> ShotResult:
    shot = measured()
    assert shot.reference is not None
    return replace(shot, reference=replace(shot.reference, scale_x=1.0, scale_y=1.0, suspected_scale=scale))


def test_the_scale_the_pieces_suggest_is_said_in_per_cent_with_what_follows() -> None:
    words = suspicion_words(suspicious(0.955).reference)
    assert words is not None
    assert "printed at 95.5 %, not at 100.0 %" in words and "4.7 % too large" in words and "print-scale" in words
    assert "too small" in str(suspicion_words(suspicious(1.03).reference))
    assert suspicion_words(suspicious(None).reference) is None and suspicion_words(None) is None


def test_terminal_and_page_say_it_and_the_terminal_within_its_width() -> None:
    text = shot_text(suspicious(0.955), width=80)
    assert "95.5 %" in text and max(map(len, text.splitlines())) <= 80
    assert "95.5 %" not in shot_text(suspicious(None))
    assert "95.5 %" in html_report([suspicious(0.955)], decks=(), classes=standard_classes())
    assert "95.5 %" not in html_report([suspicious(None)], decks=(), classes=standard_classes())


def test_results_give_it_back_and_the_lens_profile_too() -> None:
    shot = replace(suspicious(0.955), photo=replace(PHOTO, lens_profile="not used: another zoom"))
    (read,) = parse_results(results_json([shot]))
    assert read.reference is not None and read.reference.suspected_scale == 0.955
    assert read.photo is not None and read.photo.lens_profile == "not used: another zoom"
    assert "lens profile not used: another zoom" in shot_text(shot)


@pytest.mark.parametrize(
    ("found", "scale"),
    [
        (BankCards(verdict=Verdict.DIFFERS, outlines=(0,), scale=0.99), 0.99),
        (BankCards(verdict=Verdict.USED, outlines=(0,), scale=0.99), None),
        (NONE, 0.955),
    ],
)
def test_a_bank_card_goes_before_nominal_sizes(found: BankCards, scale: float | None) -> None:
    sizes = [(63.0, 88.0), (57.0, 88.0), (70.0, 120.0)]
    cards = tuple(replace(sized_card(i), width_mm=w / 0.955, height_mm=h / 0.955) for i, (w, h) in enumerate(sizes))
    assert suspected_scale(print_seen_by(cards, Settings().classes), found, Settings()) == (
        None if scale is None else pytest.approx(scale, abs=0.003)
    )


def test_the_suspected_scale_is_that_of_the_page_whatever_was_entered() -> None:
    profile = replace(ASSUMED, scale_x=0.97, scale_y=0.97, source="entered")
    profiled, found = Settings(print_profile=profile), BankCards(verdict=Verdict.DIFFERS, outlines=(0,), scale=1.02)
    assert suspected_scale(print_seen_by((), profiled.classes), found, profiled) == pytest.approx(0.97 * 1.02)
