"""The study end to end on small frames, the print profiles of its users, and the textbook's way."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.rig.camera import focal_px_of, pose_above
from calibration.rig.draws import draw_card
from calibration.rig.scene import Camera, Face, Light, Mat, Place, Print, Scene, Square
from calibration.rig.shots import write_shot
from calibration.study import command, measuring
from calibration.study.planning import PlannedShot
from calibration.study.profiles import profile_of, readings_of
from calibration.study.textbook import measure_by_the_textbook
from cardmeasure.reference.readings import INSTRUMENTS, MARKS

SMALL = tuple(
    PlannedShot(group=group, seed=4, width_px=1000, height_px=750, px_per_mm=3.6) for group in ("kind", "misprint")
)


def test_what_the_users_know_of_their_print() -> None:
    exact = profile_of("kind", scale_x=1.002, scale_y=0.997, seed=1)
    assert (exact.scale_x, exact.scale_y, exact.u_scale_x, exact.source) == (1.002, 0.997, 1e-4, "entered")
    for group in ("print-assumed", "misprint"):
        assert profile_of(group, scale_x=1.002, scale_y=0.997, seed=1).source == "assumed"
    entered = profile_of("print-entered", scale_x=1.002, scale_y=0.997, seed=1)
    assert entered == profile_of("print-entered", scale_x=1.002, scale_y=0.997, seed=1)
    assert entered.scale_x != 1.002
    assert entered.u_scale_x > 1e-4


def test_readings_are_off_by_what_their_u_says() -> None:
    """Standardised errors of readings over many pages; the step of the rule adds a little."""
    rng, errors = np.random.default_rng(5), []
    for _ in range(600):
        for reading in readings_of(1.003, 0.996, rng=rng):
            mark = MARKS[reading.name]
            length = math.hypot(mark.across_mm * 1.003, mark.down_mm * 0.996)
            errors.append((reading.reading_mm - length) / math.hypot(*reading.u_parts_mm))
            instrument = INSTRUMENTS[reading.instrument or ""]
            assert abs(reading.reading_mm - length) <= instrument.limit_mm + 2 * instrument.placing_mm + 0.051
    assert np.mean(errors) == pytest.approx(0, abs=0.1)
    assert np.std(errors) == pytest.approx(1, abs=0.08)


def test_scales_from_readings_are_off_by_what_their_u_says() -> None:
    ratios = []
    for seed in range(300):
        profile = profile_of("print-entered", scale_x=1.002, scale_y=0.998, seed=seed)
        ratios.append((profile.scale_y - 0.998) / profile.u_scale_y)
    assert np.std(ratios) == pytest.approx(1, abs=0.15)


def test_the_textbook_measures_a_card_seen_from_straight_above(tmp_path: Path) -> None:
    """A bright card on a dark mat beside the square: within 2 %; the square itself is no card."""
    f = focal_px_of(26.0, width=1200, height=900)
    rotation, centre = pose_above(target_mm=(0.0, 0.0), distance_mm=f / 5)
    camera = Camera(
        width=1200, height=900, focal_px=f, principal_px=(599.5, 449.5), rotation=rotation, centre_mm=centre
    )  # fmt: skip
    card = draw_card(np.random.default_rng(1), nominal=(63.0, 88.0, "poker"))
    card = replace(card, place=Place(x_mm=55.0, y_mm=0.0), face=Face(style="even"))
    square = Square(design="square-80", place=Place(x_mm=-60.0, y_mm=0.0))
    made = Print(scale_x=1.01, scale_y=1.01)
    light = Light(lamps=(), ambient=(0.7, 0.7, 0.7))
    scene = Scene(
        camera=camera, light=light, mat=Mat(name="dark-felt"), squares=(square,), cards=(card,), print=made
    )  # fmt: skip
    write_shot(scene, tmp_path / "a.jpg", seed=1)
    found = measure_by_the_textbook(tmp_path / "a.jpg", profile_of("kind", scale_x=1.01, scale_y=1.01, seed=1))
    assert found.trouble is None
    (piece,) = found.pieces
    assert piece.width_mm == pytest.approx(card.width_mm, rel=0.02)
    assert piece.height_mm == pytest.approx(card.height_mm, rel=0.02)


def test_a_crash_of_the_measuring_is_a_trouble_and_hides_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    def crash(*_: object, **__: object) -> None:
        raise ZeroDivisionError("by nought")

    monkeypatch.setattr(measuring, "measure_photo", crash)
    found = measuring.measure_by_cardmeasure(Path("a.jpg"), profile_of("kind", scale_x=1.0, scale_y=1.0, seed=1))
    assert found.trouble == "crash (ZeroDivisionError: by nought)"


def test_a_whole_study_of_two_small_frames(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rendered once, measured twice: JSON, report, picture, CSV; the second run renders nothing and says the same."""
    monkeypatch.setattr(command, "quick_plan", lambda *_, **__: list(SMALL))
    out, common = tmp_path / "new" / "A.md", ["--quick", "--cache", str(tmp_path / "cache"), "--processes", "1"]
    assert command.main([*common, "--json", "--out", str(out), "--sides", str(tmp_path / "sides.csv")]) == 0
    first, said = capsys.readouterr()
    figures = json.loads(first)["groups"]
    assert set(figures) == {"kind", "misprint"}
    assert figures["misprint"]["rms_mm"] is None
    assert figures["kind"]["cards"] >= 1
    assert "rendering kind-4" in said
    text = out.read_text(encoding="utf-8")
    assert str(tmp_path) not in text
    assert "`python -m calibration.study --quick`" in text
    assert (out.parent / "A.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "sides.csv").read_text().startswith("shot,")
    assert command.main([*common, "--json"]) == 0
    second, said = capsys.readouterr()
    assert second == first
    assert "rendering" not in said


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--groups", "kind,kinder"], "kinder"),
        (["--shots", "0"], "'0' is not a whole number"),
        (["--only-rendered", "--cache", "{tmp}"], "no shot of this study is rendered"),
        (["--cache", "{tmp}/file"], "cannot be made"),
        (["--cache", "{tmp}", "--out", "{tmp}/file/A.md"], "annot"),
    ],
)
def test_wrong_options_end_with_a_sentence_and_code_2(
    arguments: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(SystemExit) as stop:
        command.main([argument.replace("{tmp}", str(tmp_path)) for argument in arguments])
    assert stop.value.code == 2
    assert words in capsys.readouterr().err
