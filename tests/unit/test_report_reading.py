"""Results read back from JSON: what was written comes back, and what is wrong is said."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given

from cardmeasure.errors import UsageError
from cardmeasure.reports.json_results import results_json
from cardmeasure.reports.reading_json import parse_results, read_results
from cardmeasure.results import ShotResult
from tests.made_results import any_shots, measured, refused

Document = dict[str, Any]


@given(any_shots())
def test_what_is_written_is_read_back_and_written_again_byte_for_byte(shots: list[ShotResult]) -> None:
    text = results_json(shots)
    again = parse_results(text)
    assert results_json(again) == text
    assert [len(shot.cards) for shot in again] == [len(shot.cards) for shot in shots]


def test_a_file_is_read_with_its_byte_order_mark_and_unknown_keys_passed_over(tmp_path: Path) -> None:
    shots = [replace(measured("a.jpg"), duplicate_of="b.jpg"), refused("b.jpg")]
    document = json.loads(results_json(shots))
    document["later"] = document["shots"][0]["cards"][0]["later"] = {"x": 1}
    path = tmp_path / "r.json"
    path.write_text(json.dumps(document), encoding="utf-8-sig")
    assert results_json(read_results(path)) == results_json(shots)


def test_keys_that_came_later_may_be_missing() -> None:
    document = json.loads(results_json([measured("a.jpg")]))
    del document["shots"][0]["duplicate_of"]
    assert parse_results(json.dumps(document))[0].duplicate_of is None


def spoil(change: Callable[[Document], None]) -> str:
    document: Document = json.loads(results_json([measured("a.jpg")]))
    change(document)
    return json.dumps(document)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is not valid JSON"),
        ("[" * 100_000, "is not valid JSON"),
        ("[]", "holds no results"),
        ('{"schema": "other/1"}', "holds no results"),
        ('{"schema": "cardmeasure/1"}', "shots is missing"),
        ('{"schema": "cardmeasure/1", "shots": [3]}', "shot 1: Expected `object`"),
        (spoil(lambda d: d["shots"][0].pop("file")), "shot 1: Object missing required field `file`"),
        (
            spoil(lambda d: d["shots"][0]["cards"][0].update(width_mm="wide")),
            r"shot 1: Expected `float \| null`, got `str` - at `\$.cards\[0\].width_mm`",
        ),
        (spoil(lambda d: d["shots"][0]["cards"][0].update(width_mm=None)), "card 1: a size or its u is missing"),
        (spoil(lambda d: d["shots"][0]["cards"][0].update(width_mm=-3.0)), "card 1: a size must be above 0"),
        (spoil(lambda d: d["shots"][0].update(trouble={"code": "x", "message": "y", "advice": "z"})), "has cards"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_sentence_that_names_the_place(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        parse_results(text, where="r.json")
    assert str(caught.value).startswith("r.json: ")
    assert "\n" not in str(caught.value)


def test_a_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        read_results(tmp_path / "none.json")
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(UsageError, match="is not a text file"):
        read_results(tmp_path / "b.json")
