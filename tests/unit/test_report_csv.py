"""The CSV form of the results: one row a card, harmless in a spreadsheet."""

from __future__ import annotations

import csv
import io
import re

import pytest
from hypothesis import given

from cardmeasure.reports.csv_results import COLUMNS, results_csv
from cardmeasure.results import ShotResult
from tests.made_results import any_shots, measured, refused, sized_card


def rows(*shots: ShotResult) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(results_csv(shots), newline=""), strict=True))


def test_every_card_and_every_refused_shot_has_one_row() -> None:
    table = rows(measured(), refused(), measured("b.jpg", cards=()))
    assert [(row["file"], row["status"], row["number"]) for row in table] == [
        ("events/a.jpg", "measured", "1"),
        ("events/a.jpg", "measured", "2"),
        ("empty.jpg", "refused", ""),
        ("b.jpg", "measured", ""),
    ]


def test_numbers_are_plain_numbers_and_unknown_ones_empty() -> None:
    sized, unsized = rows(measured())
    assert (sized["width_mm"], sized["u_width_mm"], sized["nearest_dw_mm"]) == ("63.0412", "0.04", "-0.0432")
    assert (sized["size_class"], sized["nearest"], sized["scale_source"]) == ("poker", "poker", "entered")
    assert (unsized["width_mm"], unsized["flags"]) == ("", "cut-by-frame")


def test_a_refused_shot_says_what_was_seen_and_what_to_do() -> None:
    (row,) = rows(refused())
    assert (row["trouble"], row["message"]) == ("empty-file", "The file is empty.")
    assert row["advice"] == "Copy the photo from the phone again."


def test_several_flags_stand_in_one_cell_as_words() -> None:
    (row,) = rows(measured(cards=(sized_card(flags=("weak-edge", "few-points")),)))
    assert row["flags"] == "weak-edge few-points"


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)", " =1", "＝1", "\t=1"])
def test_a_name_that_a_spreadsheet_would_calculate_is_made_text(name: str) -> None:
    (row,) = rows(refused(name))
    assert row["file"].startswith(("'", "\\x09"))
    assert row["file"].endswith(name.strip())


@given(any_shots())
def test_any_results_give_one_line_a_row_without_formulas_or_control_characters(shots: list[ShotResult]) -> None:
    text = results_csv(shots).encode().decode()
    lines = text.removesuffix("\r\n").split("\r\n")
    assert len(lines) == 1 + sum(max(1, len(shot.cards)) for shot in shots)
    for row in csv.reader(lines, strict=True):
        assert len(row) == len(COLUMNS)
        for cell in row:
            assert cell.isprintable()
            assert not cell.startswith(("=", "+", "@", "\t", "\r"))
            assert not cell.startswith("-") or re.fullmatch(r"-[0-9.]+(e-?[0-9]+)?", cell)
