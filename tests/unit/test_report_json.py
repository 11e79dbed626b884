"""The JSON form of the results: as its published schema says, and faithful to the records."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from jsonschema import Draft202012Validator, ValidationError

from cardmeasure import __version__
from cardmeasure.reports.json_results import results_json, results_schema
from cardmeasure.results import ShotResult
from tests.made_results import any_shots, measured, refused, sized_card

VALIDATOR = Draft202012Validator(results_schema())


def parsed(*shots: ShotResult) -> dict[str, Any]:
    document = json.loads(results_json(shots))
    assert isinstance(document, dict)
    return document


def test_the_schema_itself_is_a_valid_schema() -> None:
    Draft202012Validator.check_schema(results_schema())


@given(any_shots())
def test_any_results_are_valid_by_the_schema_and_can_be_written_as_utf8(shots: list[ShotResult]) -> None:
    text = results_json(shots)
    VALIDATOR.validate(json.loads(text.encode().decode()))


def test_a_shot_and_a_card_have_the_published_keys_in_the_published_order() -> None:
    document = parsed(measured())
    assert (document["schema"], document["version"]) == ("cardmeasure/1", __version__)
    shot = document["shots"][0]
    keys = ["file", "sha256", "duplicate_of", "status", "trouble", "flags", "photo", "reference", "cards"]
    assert list(shot) == keys
    assert list(shot["cards"][0]) == [
        *("number", "shape", "corners_px", "width_mm", "height_mm", "u_width_mm", "u_height_mm", "correlation"),
        *("corner_radius_mm", "squareness_deg", "thickness_mm", "size_class", "probability", "margin_mm"),
        *("runner_up", "nearest", "budget", "flags"),
    ]


def test_the_size_match_stands_flat_in_the_card_and_lengths_are_rounded_to_a_tenth_of_a_micrometre() -> None:
    card = parsed(measured())["shots"][0]["cards"][0]
    assert card["width_mm"] == 63.0412
    assert card["size_class"] == "poker"
    assert card["nearest"] == {"size_class": "poker", "dw_mm": -0.0432, "dh_mm": 0.07}
    assert card["corners_px"][1] == [1560.123, 500.0]
    assert card["budget"] == [{"name": "print scale", "u_width_mm": 0.03, "u_height_mm": 0.04}]


def test_a_piece_without_a_size_has_nulls_and_says_why() -> None:
    card = parsed(measured())["shots"][0]["cards"][1]
    unknown = ("width_mm", "height_mm", "u_width_mm", "size_class", "probability", "margin_mm", "nearest")
    assert [card[key] for key in unknown] == [None] * len(unknown)
    assert card["flags"] == ["cut-by-frame"]


def test_an_odd_size_has_a_null_class_but_names_the_nearest() -> None:
    card = parsed(measured(cards=(sized_card(size_class=None),)))["shots"][0]["cards"][0]
    assert card["size_class"] is None
    assert card["nearest"]["size_class"] == "tarot"


def test_a_refused_shot_has_no_cards_and_its_trouble() -> None:
    shot = parsed(refused())["shots"][0]
    assert (shot["status"], shot["cards"], shot["reference"]) == ("refused", [], None)
    assert shot["trouble"] == {
        "code": "empty-file",
        "message": "The file is empty.",
        "advice": "Copy the photo from the phone again.",
    }


def test_bytes_of_a_name_that_are_no_utf8_stand_as_an_escape() -> None:
    assert parsed(measured("a\udc80b.jpg"))["shots"][0]["file"] == "a\\x80b.jpg"


def test_a_name_that_looks_like_a_pair_of_numbers_is_left_as_it_is() -> None:
    name = "[\n 1,\n 2\n].jpg"
    assert parsed(measured(name))["shots"][0]["file"] == name


def test_a_size_that_is_no_number_is_never_written() -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        results_json([measured(cards=(replace(sized_card(), width_mm=float("nan")),))])


@pytest.mark.parametrize(
    ("key", "value"),
    [("status", "done"), ("trouble", {"code": "x"}), ("cards", [{}]), ("sha256", "short"), ("reference", None)],
)
def test_the_schema_refuses_a_measured_shot_with_a_wrong_value(key: str, value: object) -> None:
    document = parsed(measured())
    document["shots"][0][key] = value
    with pytest.raises(ValidationError):
        VALIDATOR.validate(document)


@pytest.mark.parametrize(
    ("key", "value"), [("width_mm", None), ("nearest", None), ("u_height_mm", -0.1), ("flags", ["Bad Flag"])]
)
def test_the_schema_refuses_a_sized_card_with_a_wrong_value(key: str, value: object) -> None:
    document = parsed(measured(cards=(sized_card(),)))
    document["shots"][0]["cards"][0][key] = value
    with pytest.raises(ValidationError):
        VALIDATOR.validate(document)


def test_the_schema_lets_later_versions_add_keys() -> None:
    document = parsed(measured())
    document["decks"] = []
    document["shots"][0]["duplicate_of"] = None
    document["shots"][0]["cards"][0]["diameter_mm"] = 40.0
    VALIDATOR.validate(document)
