"""The table in the terminal: clear at 80 columns and in a pipe."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.flags import FLAGS
from cardmeasure.reports.terminal_table import shot_text, summary_text
from cardmeasure.results import ShotResult
from cardmeasure.text import display_width
from tests.made_results import any_shots, match, measured, refused, sized_card, unsized_card


def test_a_measured_shot_shows_reference_scale_sizes_and_classes() -> None:
    assert shot_text(measured()).splitlines() == [
        "events/a.jpg",
        "  square-80, 8.8 px/mm, tilt 8 degrees, print scale entered",
        "  No  Width, mm      Height, mm     Size class",
        "   1   63.04 ± 0.08   88.07 ± 0.10  poker 99.8 %, margin 0.70 mm",
        "   2  not measured: cut-by-frame",
    ]


def test_the_uncertainty_shown_is_twice_u_and_the_summary_says_so_once() -> None:
    assert "88.07 ± 0.10" in shot_text(measured())
    assert summary_text([measured(), measured("b.jpg")]).count("2 u") == 1


def test_nothing_is_said_of_uncertainty_where_nothing_was_sized() -> None:
    assert "±" not in summary_text([refused(), measured(cards=(unsized_card(),))])


def test_an_odd_size_names_the_nearest_class_and_its_distance() -> None:
    text = shot_text(measured(cards=(sized_card(size_class=None),)))
    assert "odd size, nearest tarot (-0.04, +0.07 mm)" in text


def test_an_answer_that_is_not_clear_says_so_and_names_the_second() -> None:
    card = replace(sized_card(), match=match(probability=0.62))
    assert "unclear: poker 62.0 %, or bridge" in shot_text(measured(cards=(card,)))
    assert "(unclear)" in summary_text([measured(cards=(card,))])


def test_a_probability_is_never_rounded_up_to_certainty() -> None:
    text = shot_text(measured(cards=(replace(sized_card(), match=match(probability=0.99996)),)))
    assert ">99.9 %" in text
    assert "100" not in text


def test_flags_stand_below_their_card_and_their_meaning_once_at_the_end() -> None:
    shots = [measured(cards=(sized_card(1, flags=("weak-edge",)), sized_card(2, flags=("weak-edge",))))]
    assert shot_text(shots[0]).count("      flags: weak-edge\n") == 2
    words = " ".join(summary_text(shots).split())
    assert words.count(f"weak-edge (2 pieces): {FLAGS['weak-edge'].meaning}") == 1


def test_a_flag_of_shots_is_explained_once_for_all_of_them() -> None:
    shots = [replace(measured(name), flags=("scale-assumed",)) for name in ("a.jpg", "b.jpg")]
    words = " ".join(summary_text(shots).split())
    assert words.count(f"scale-assumed (2 photos): {FLAGS['scale-assumed'].meaning}") == 1


def test_the_summary_counts_photos_and_pieces_by_class() -> None:
    shots = [measured(), measured("b.jpg", cards=(sized_card(), sized_card(2, size_class=None))), refused()]
    assert summary_text(shots).splitlines()[:4] == [
        "3 photos: 2 measured, 1 refused; 4 pieces.",
        "      2  poker",
        "      1  (not measured)",
        "      1  (odd size)",
    ]


def test_refused_photos_have_a_line_each_and_advice_is_given_once_a_kind() -> None:
    lines = summary_text([refused("a.jpg"), refused("b.jpg")]).splitlines()
    assert lines[lines.index("Refused:") :] == [
        "Refused:",
        "  a.jpg  empty-file: The file is empty.",
        "  b.jpg  empty-file: The file is empty.",
        "What to do:",
        "  empty-file: Copy the photo from the phone again.",
    ]
    assert shot_text(refused()) == ""


def test_a_refusal_is_one_line_in_a_pipe_and_wrapped_in_a_terminal() -> None:
    shots = [refused("a.jpg", message="This is a sentence " + "of many words " * 9 + "to the end.")]
    piped, shown = summary_text(shots).splitlines(), summary_text(shots, wraps_refusals=True).splitlines()
    assert next(line for line in piped if line.startswith("  a.jpg")).endswith("to the end.")
    assert max(map(len, piped)) > 80 >= max(map(len, shown))
    assert " ".join(" ".join(shown).split()) == " ".join(" ".join(piped).split())


def test_a_long_name_is_shortened_in_the_middle() -> None:
    name = "folder/" + "x" * 200 + "/IMG_0001.jpg"
    first = shot_text(measured(name)).splitlines()[0]
    assert len(first) == 80
    assert first.startswith("folder/")
    assert "..." in first
    assert first.endswith("/IMG_0001.jpg")


@pytest.mark.parametrize("source", ["entered", "assumed", "bank-card"])
def test_the_source_of_the_print_scale_is_always_named(source: str) -> None:
    shot = measured()
    assert shot.reference is not None
    text = shot_text(replace(shot, reference=replace(shot.reference, scale_source=source)))
    assert source.replace("-", " ") in text


@given(any_shots(), st.integers(60, 120))
def test_no_line_is_too_wide_and_none_holds_a_control_character(shots: list[ShotResult], width: int) -> None:
    text = "".join(shot_text(shot, width=width) for shot in shots)
    text += summary_text(shots, width=width, wraps_refusals=True)
    for line in text.split("\n"):
        assert display_width(line) <= width
        assert line.isprintable()
