"""How far results move: pieces before and after, states, E_n numbers, and one small shot all the way through."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from rendered_shots import plain_scene
from study_scores import piece

from calibration.rig.shots import write_shot
from calibration.stability import photo_moves, read_otherwise, saved_again, seen_from_elsewhere, true_readings
from calibration.study.records import Findings
from calibration.study.stability import agreements_between, moves_between, same_pieces, stability_text, state_of
from cardmeasure.reference.print_profile import profile_from_readings


def findings(*pieces: object) -> Findings:
    return Findings(pieces=tuple(pieces))  # type: ignore[arg-type]


def test_pieces_are_found_again_whatever_their_order() -> None:
    before, after = [piece(300, 300), piece(600, 300)], [piece(602, 299), piece(301, 300), piece(10, 10)]
    assert same_pieces(before, after) == {0: 1, 1: 0}


def test_states_say_whether_there_is_a_size_and_a_doubt() -> None:
    sized, doubted = piece(0, 0), piece(0, 0, flags=("bent-edge",))
    unsized = piece(0, 0, width_mm=None, height_mm=None, flags=("overlapped",))
    assert [state_of(findings(), p) for p in (sized, doubted, unsized, None)] == [
        "sized",
        "doubted",
        "unsized",
        "absent",
    ]
    assert state_of(Findings(pieces=(), flags=("scale-doubtful",)), sized) == "doubted"


def test_moves_and_flips_are_told() -> None:
    before = findings(piece(300, 300), piece(600, 300))
    after = findings(piece(300, 300, width_mm=63.12), piece(10, 10, flags=("bent-edge",)))
    moves = moves_between("p", "read", before, after)
    assert [(m.before, m.after) for m in moves] == [("sized", "sized"), ("sized", "absent"), ("absent", "doubted")]
    assert moves[0].moves_mm == pytest.approx((0.10, 0.0)) and moves[0].us_mm == (0.04, 0.05)
    text = stability_text(moves, [])
    assert "moved by more than u: 1, than 0.3 u: 1" in text and "largest 0.100 mm, 2.50 u" in text
    assert "flipped 2 (66.7 %), 1 of them between sized without doubt and no size" in text


def test_e_n_numbers_use_both_expanded_uncertainties() -> None:
    other = piece(0, 0, width_mm=63.22, u_width_mm=0.03, height_mm=None, u_height_mm=None)
    (one,) = agreements_between("p", {3: piece(0, 0)}, {3: other, 5: piece(9, 9)})
    assert (one.card, one.side) == (3, "width")
    assert one.e_n == pytest.approx(0.20 / (2 * 0.05))
    assert "|E_n| > 1: 1, largest 2.00, RMS of difference over its u 4.00" in stability_text([], [one])


def test_readings_and_profiles_are_read_longer() -> None:
    before, after = profile_from_readings(true_readings(1.001, 0.998)), read_otherwise(true_readings(1.001, 0.998))
    assert (before.scale_x, before.scale_y) == (pytest.approx(1.001), pytest.approx(0.998))
    assert (
        after.scale_y - before.scale_y == pytest.approx(0.05 / 250) == read_otherwise(before).scale_y - before.scale_y
    )
    assert after.scale_x - before.scale_x == pytest.approx(0.05 / 180)


def test_one_small_shot_is_stable_and_keeps_its_exif(tmp_path: Path) -> None:
    from PIL import Image

    scene = plain_scene()
    path = tmp_path / "a.jpg"
    (tmp_path / "again").mkdir()
    write_shot(scene, path, seed=1)
    moves = photo_moves(path, true_readings(scene.print.scale_x, scene.print.scale_y), name="a")
    assert {m.change for m in moves} == {"saved again at quality 92", "read 0.05 mm longer"}
    assert sum(len(m.moves_mm) for m in moves) >= 2 * 2 * 2
    assert all(abs(d) < 0.5 for m in moves for d in m.moves_mm)
    with Image.open(path) as one, Image.open(saved_again(path, tmp_path / "again")) as two:
        assert dict(one.getexif()) == dict(two.getexif()) and one.size == two.size


def test_a_second_view_shows_the_same_cards_from_elsewhere() -> None:
    scene = plain_scene()
    other = seen_from_elsewhere(scene, seed=1)
    assert other.cards == scene.cards and other.camera.rotation != scene.camera.rotation
    assert replace(other, camera=scene.camera) == scene
