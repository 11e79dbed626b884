"""`cardmeasure piece`, `--expect` and `--thickness` by name: sentences, tables, files and exit codes."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from cardmeasure.cli import main
from cardmeasure.reports.json_results import results_schema

SAMPLES = Path(__file__).parents[2] / "sample_images"
Run = Callable[..., "Done"]
ONE, COMPONENTS = SAMPLES / "kitchen_printer/one_odd_size.jpg", SAMPLES / "odd_components/tiles_and_tokens.jpg"


@dataclass(frozen=True)
class Done:
    """What came of a command."""

    exit_code: int
    output: str


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command in this process."""

    def call(*arguments: str) -> Done:
        code = main(arguments)
        captured = capsys.readouterr()
        return Done(code, captured.out + captured.err)

    return call


def truth(photo: Path) -> list[dict[str, Any]]:
    cards: list[dict[str, Any]] = json.loads(photo.with_suffix(".truth.json").read_text(encoding="utf-8"))["cards"]
    return cards


def numbers(text: str) -> list[float]:
    return [float(found) for found in re.findall(r"\d+\.\d+", text)]


def test_one_piece_is_answered_in_one_sentence_with_its_size_and_the_nearest_classes(run: Run) -> None:
    done = run("piece", str(ONE))
    assert done.exit_code == 0, done.output
    sentence = " ".join(done.output.split("Note:")[0].split())
    assert sentence.count(". ") == 0
    assert sentence.endswith(".")
    (true,) = truth(ONE)
    width, u_width, height, u_height, *_ = numbers(sentence)
    assert width == pytest.approx(true["width_mm"], abs=2 * u_width)
    assert height == pytest.approx(true["height_mm"], abs=2 * u_height)
    assert "no nominal size" in sentence
    assert re.search(r"nearest: mini-european \d+\.\d mm away", sentence)


@pytest.mark.parametrize(
    ("expected", "words"),
    [("50x75±0.5", "it conforms to 50x75±0.5"), ("63x88+-0.5", "it does not conform to 63x88+-0.5"),
     ("50.1x75+/-0.2", "cannot be decided at this uncertainty"), ("d50±0.5", "not of the kind")],
)  # fmt: skip
def test_what_was_ordered_is_answered_in_the_words_of_conformity(run: Run, expected: str, words: str) -> None:
    assert words in " ".join(run("piece", str(ONE), "--expect", expected).output.split())


def test_several_pieces_are_each_answered_and_the_user_is_told_to_lay_one(run: Run) -> None:
    output = " ".join(run("piece", str(COMPONENTS)).output.split())
    assert output.startswith("There are 5 pieces in the photo")
    assert "lay one piece alone" in output
    assert len(re.findall(r"Piece \d is", output)) == 5


def test_a_photo_without_the_square_is_refused_with_advice_and_exit_code_4(run: Run, tmp_path: Path) -> None:
    done = run("piece", str(tmp_path / "nothing.jpg"))
    assert done.exit_code == 4
    assert done.output.startswith("Not measured: There is no such file")


@pytest.mark.parametrize(
    "options",
    [
        ["--expect", "63x88"],
        ["--thickness", "wide"],
        ["--thickness", "tarrot=2"],
        ["--thickness", "1", "--thickness", "2"],
    ],
)
def test_wrong_options_end_with_exit_code_2_and_one_sentence(run: Run, options: list[str]) -> None:
    for command in ("piece", "measure"):
        done = run(command, str(ONE), *options)
        assert done.exit_code == 2
        assert done.output.count("\n") <= 3


def test_components_are_measured_with_the_thickness_beside_them(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    done = run("measure", str(COMPONENTS.parent), "--results", str(out), "--expect", "d40.8±0.3")
    assert done.exit_code == 0, done.output
    document = json.loads(out.read_text(encoding="utf-8"))
    jsonschema.validate(document, results_schema())
    (shot,) = document["shots"]
    found = {card["shape"]: card for card in shot["cards"]}
    true = {card["shape"]: card for card in truth(COMPONENTS)}
    assert set(found) == {"circle", "polygon", "rectangle"}
    round_piece = found["circle"]
    assert round_piece["diameter_mm"] == pytest.approx(
        true["circle"]["diameter_mm"], abs=3 * round_piece["u_diameter_mm"]
    )
    assert round_piece["thickness_mm"] == 3.0
    assert round_piece["conformity"]["verdict"] == "conforms"
    assert found["rectangle"]["thickness_mm"] == 0.3
    (tarot,) = (card for card in shot["cards"] if card["size_class"] == "tarot")
    (true_tarot,) = (card for card in truth(COMPONENTS) if card["size_class"] == "tarot")
    assert tarot["corner_radius_mm"] == pytest.approx(true_tarot["radius_mm"], abs=0.4)
    assert {card["shape"] for card in shot["cards"] if "across_flats_mm" in card} == {"polygon"}
    assert "diameter" in done.output
    assert "conforms to d40.8±0.3" in " ".join(done.output.split())


def test_the_option_goes_before_the_file_beside_the_photos(run: Run, tmp_path: Path) -> None:
    for name in ("tiles_and_tokens.jpg", "print.toml", "thickness.toml"):
        shutil.copy(COMPONENTS.parent / name, tmp_path)
    shots = []
    for k, options in enumerate(([], ["--thickness", "circle=2.0"])):
        out = tmp_path / f"{k}.json"
        assert run("measure", str(tmp_path), "--results", str(out), "--quiet", *options).exit_code == 0
        shots += json.loads(out.read_text(encoding="utf-8"))["shots"]
    known, thinner = (
        next(card["diameter_mm"] for card in shot["cards"] if card["shape"] == "circle") for shot in shots
    )
    # taken to lie a millimetre lower, a piece is so much further from the camera and so much larger; its walls, taken
    # to be less wide, move the edge by some hundredths of a millimetre more
    assert thinner / known == pytest.approx(1 + 1 / shots[0]["reference"]["camera_height_mm"], abs=0.0015)


def test_a_wrong_thickness_file_stops_the_run_before_anything_is_measured(run: Run, tmp_path: Path) -> None:
    shutil.copy(ONE, tmp_path)
    (tmp_path / "thickness.toml").write_text("[pieces]\ntarrot = 0.3\n", encoding="utf-8")
    done = run("measure", str(tmp_path))
    assert done.exit_code == 2
    assert "no size class 'tarrot'" in done.output
