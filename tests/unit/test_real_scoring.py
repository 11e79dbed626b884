"""Scores of real photographs on invented results, their figures, and the record that keeps them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rendered_shots import RenderedShot

from calibration.real.corpus import Apart, Thing, labelled_photos, photo_of
from calibration.real.figures import KEYS, figures_of, for_machines
from calibration.real.halo import Halo
from calibration.real.history import COLUMNS, csv_of, kept_section, row_of, rows_in, section_of, with_section
from calibration.real.measuring import PaintingScore, PhotoScore
from calibration.real.planes import Fold
from calibration.real.scoring import (
    CUT_MM,
    Seen,
    ThingScore,
    Wrong,
    corners_off,
    deviations,
    known_sizes,
    overlap,
    silent,
    thing_scores,
    wrong_sizes,
)
from cardmeasure.pipeline import measure_photo
from cardmeasure.results import Card
from cardmeasure.together import JointSizes
from tests.made_results import sized_card, unsized_card


def box(x: float, y: float, width: float = 100.0, height: float = 150.0) -> np.ndarray:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


def thing(name: str, corners: np.ndarray, **more: Any) -> Thing:
    unknown = dict.fromkeys(("width_mm", "height_mm", "u_mm", "thickness_mm"))
    usual = {"equal": True, "flat": True, "covered": False, "known_size": False}
    return Thing(name=name, corners_px=corners, **{**unknown, **usual, **more})


def card(
    number: int, corners: np.ndarray, *, flags: tuple[str, ...] = (), size: tuple[float, float] = (60, 90)
) -> Card:
    at = tuple((float(x), float(y)) for x, y in corners)
    made = replace(sized_card(number, flags=flags), corners_px=at)
    return replace(made, width_mm=size[0], height_mm=size[1], u_width_mm=0.05, u_height_mm=0.05)


def joint_of(sizes: list[tuple[float, float]], *, common: float, own: float) -> JointSizes:
    n = 2 * len(sizes)
    return JointSizes(
        numbers=tuple(range(1, len(sizes) + 1)),
        sizes_mm=np.array(sizes, float),
        covariance=common**2 * np.ones((n, n)) + own**2 * np.eye(n),
    )


def test_overlap_is_that_of_areas() -> None:
    assert overlap(box(0, 0), box(50, 0)) == pytest.approx((1 / 3, 1 / 2))
    assert overlap(box(0, 0), box(500, 0))[0] == 0.0


def test_corners_are_compared_whichever_comes_first() -> None:
    assert corners_off(np.roll(box(3, 0), 2, axis=0), box(0, 0)) == pytest.approx(3 / 150)


def test_a_thing_is_sized_listed_or_unseen() -> None:
    things = [thing("a", box(0, 0)), thing("b", box(200, 0)), thing("c", box(400, 0))]
    listed = replace(unsized_card(2), corners_px=tuple(map(tuple, box(203, 0).tolist())))
    found = thing_scores(things, [card(1, box(1, 1)), listed])
    assert [one.seen for one in found] == [Seen.SIZED, Seen.LISTED, Seen.UNSEEN]


def test_a_size_by_a_shorter_outline_does_not_count_and_is_false() -> None:
    """One side 10 px short of 150: the outline overlaps well, but it is not the card's."""
    things = [thing("a", box(0, 0))]
    cards = [card(1, box(0, 0, height=140))]
    (score,) = thing_scores(things, cards)
    assert score.seen is Seen.LISTED and score.gross
    (wrong,) = wrong_sizes(things, (), cards, all_listed=True)
    assert wrong.kind is Wrong.FALSE and "7 %" in wrong.why


def test_sizes_of_what_is_no_piece_are_false_and_of_what_may_be_one_are_counted_apart() -> None:
    things = [thing("whole", box(0, 0)), thing("cut", box(200, 0), flat=False, covered=True)]
    apart = [Apart(name="torn tag", outline_px=box(400, 0))]
    cards = [card(1, box(0, 0)), card(2, box(200, 0)), card(3, box(410, 10, 50, 50)), card(4, box(700, 0))]
    kinds = {one.card.number: one.kind for one in wrong_sizes(things, apart, cards, all_listed=False)}
    assert kinds == {2: Wrong.FALSE, 3: Wrong.FALSE, 4: Wrong.UNLABELLED}
    assert wrong_sizes(things, apart, cards, all_listed=True)[2].kind is Wrong.FALSE


def scores_of(sizes: list[tuple[float, float]]) -> tuple[ThingScore, ...]:
    return tuple(
        ThingScore(
            thing=thing(f"{k}", box(200 * k, 0)), seen=Seen.SIZED, card=card(k + 1, box(200 * k, 0), size=size),
            off_share=0.0, gross=False,
        )
        for k, size in enumerate(sizes)
    )  # fmt: skip


def test_what_all_cards_of_a_photo_share_cancels_in_their_deviations() -> None:
    sizes = [(60.0, 90.0), (60.1, 90.0), (59.9, 90.3)]
    found = deviations(scores_of(sizes), joint_of(sizes, common=5.0, own=0.04))
    assert len(found) == 6
    u = np.sqrt((0.04**2 + CUT_MM**2) * (1 - 1 / 3))
    assert [one.u_mm for one in found] == pytest.approx([u] * 6, rel=1e-4)
    assert [one.off_mm for one in found] == pytest.approx([0, 0.1, -0.1, -0.1, -0.1, 0.2], abs=1e-9)


def test_deviations_over_u_spread_by_one_where_the_covariance_is_true() -> None:
    rng = np.random.default_rng(1)
    ratios = []
    for _ in range(300):
        sizes = (np.array([60.0, 90.0]) + 0.5 * rng.normal() + rng.normal(size=(4, 2)) * 0.05).tolist()
        joint = joint_of(sizes, common=0.5, own=float(np.sqrt(0.05**2 - CUT_MM**2)))
        ratios += [one.off_mm / one.u_mm for one in deviations(scores_of(sizes), joint)]
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.05)


def test_one_card_or_no_covariance_gives_no_deviation() -> None:
    assert deviations(scores_of([(60, 90)]), joint_of([(60, 90)], common=0.1, own=0.1)) == ()
    assert deviations(scores_of([(60, 90), (60, 90)]), None) == ()


def test_a_card_far_too_short_without_a_flag_is_silent_and_with_a_doubt_is_not() -> None:
    sizes = [(60.0, 90.0), (60.0, 90.0), (60.0, 90.0), (60.0, 75.5)]
    joint = joint_of(sizes, common=0.1, own=0.05)
    scores = scores_of(sizes)
    assert silent(scores, deviations(scores, joint)) == (4,)
    doubted = (*scores[:3], replace(scores[3], card=replace(scores[3].card, flags=("bent-edge",))))  # type: ignore[type-var]
    assert silent(doubted, deviations(doubted, joint)) == ()


def test_known_sizes_are_errors_over_both_uncertainties() -> None:
    sheet = thing("sheet", box(0, 0), equal=False, width_mm=59.7, height_mm=90.4, u_mm=0.3, known_size=True)
    scores = (ThingScore(thing=sheet, seen=Seen.SIZED, card=card(1, box(0, 0)), off_share=0.0, gross=False),)
    width, height = known_sizes(scores, u_plane_mm=0.4)
    assert (width.error_mm, height.error_mm) == pytest.approx((0.3, -0.4))
    assert width.u_truth_mm == pytest.approx(0.5)
    assert width.ratio == pytest.approx(0.3 / np.hypot(0.5, 0.05))


def photo_score(name: str, group: str, sizes: list[tuple[float, float]], *, trouble: str | None = None) -> PhotoScore:
    photo = photo_of(name, {"photo": f"{name}.jpg", "set": group, "things": []}, folder=Path())
    scores = scores_of(sizes)
    fold = Fold(fit=None, held_out=(), circular=False, plane_sd_mm=(0.0, 0.0))  # type: ignore[arg-type]
    found = () if trouble else deviations(scores, joint_of(sizes, common=0.1, own=0.04))
    painting = PaintingScore(
        fold=fold, placing=None, halo=Halo(sigma_px=1, amount=0, radius_px=1, found=False),  # type: ignore[arg-type]
        trouble=trouble, scores=scores, wrong=(), deviations=found, known=(), silent=(), ratio=2.5, flags=(),
    )  # fmt: skip
    return PhotoScore(photo=photo, fit=None, paintings=(painting,), unpainted_trouble="no-reference")


def test_figures_for_machines_have_all_keys_and_each_set_its_own() -> None:
    scores = [photo_score("a", "work", [(60, 90), (60.1, 90)]), photo_score("b", "work", [(60, 90)], trouble="glare")]
    made = json.loads(json.dumps(for_machines(scores, work="work", acceptance="acceptance")))
    assert set(made) == {"all", "work", "acceptance", "photos"} and made["acceptance"] is None
    for figures in (made["all"], made["work"], *made["photos"].values()):
        assert set(KEYS) <= set(figures)
    assert (made["all"]["photos"], made["all"]["pieces"], made["all"]["wrongly_refused"]) == (2, 3, 1)
    assert made["photos"]["b"]["repeatability"] is None and made["all"]["refused"] == {"glare": 1}


def test_repeatability_is_pooled_over_photos() -> None:
    one, other = photo_score("a", "work", [(60, 90), (60.2, 90)]), photo_score("b", "work", [(60, 90), (60, 90.4)])
    singles = [figures_of([score])["repeatability"] for score in (one, other)]
    assert figures_of([one, other])["repeatability"] == pytest.approx(np.sqrt(np.mean(np.square(singles))))


def test_a_truth_file_that_says_little_is_read(tmp_path: Path) -> None:
    bare = {"photos": {"x": {"photo": "x.jpg", "things": [{"corners_px": box(0, 0)[::-1].tolist()}]}}}
    (tmp_path / "truth.json").write_text(json.dumps(bare))
    (photo,) = labelled_photos(tmp_path)
    assert photo.group == "work" and photo.places == () and photo.equal_mm is None
    assert photo.things[0].flat and not photo.things[0].equal and not photo.things[0].known_size
    with pytest.raises(FileNotFoundError, match=r"truth\.json"):
        labelled_photos(tmp_path / "nothing")


def test_photos_of_both_kinds_of_folder_are_read(tmp_path: Path) -> None:
    (tmp_path / "tables").mkdir()
    for folder, names in ((tmp_path, ["a", "b"]), (tmp_path / "tables", ["b", "c"])):
        photos = {name: {"photo": f"{name}.jpg", "set": "acceptance"} for name in names}
        (folder / "truth.json").write_text(json.dumps({"photos": photos}))
    assert [photo.name for photo in labelled_photos(tmp_path)] == ["a", "b", "tables/b", "c"]
    assert [photo.path.parent.name for photo in labelled_photos(tmp_path / "tables")] == ["tables"] * 2


def test_the_record_is_read_again_as_it_was_written() -> None:
    figures = figures_of([photo_score("a", "work", [(60, 90), (60.1, 90)])])
    row = row_of(figures, date="2026-12-01", version="0.3.0", label='a "label", with a comma', group="work")
    assert tuple(row) == COLUMNS and rows_in(csv_of([row, row])) == [row, row]


def test_a_report_keeps_the_section_of_real_photographs_when_it_is_made_anew(tmp_path: Path) -> None:
    section = section_of([], words="What it is.", now="| a |")
    old, new = "# Accuracy\n\nMade by `x`.\n\nOld.\n", "# Accuracy\n\nMade by `y`.\n\nNew.\n"
    path = tmp_path / "ACCURACY.md"
    assert kept_section(path) is None and with_section(new, None) == new
    path.write_text(with_section(old, section))
    made = with_section(new, kept_section(path))
    assert made == f"# Accuracy\n\nMade by `y`.\n\n{section}\n\nNew.\n"
    assert with_section(made, section_of([], words="Other.", now="")).count("## Real photographs") == 1


def test_the_joint_covariance_of_a_photo_holds_each_cards_own(plain_shot: RenderedShot) -> None:
    """And cards share more than nothing and less than all of it."""
    joint: list[JointSizes] = []
    result = measure_photo(plain_shot.path, relate=joint.append)
    sized = [one for one in result.cards if one.is_sized]
    assert joint[0].numbers == tuple(one.number for one in sized) and len(sized) > 1
    assert joint[0].sizes_mm.tolist() == [[one.width_mm, one.height_mm] for one in sized]
    u = np.sqrt(np.diag(joint[0].covariance)).reshape(-1, 2)
    assert u == pytest.approx(np.array([[one.u_width_mm, one.u_height_mm] for one in sized]))
    assert np.linalg.eigvalsh(joint[0].covariance).min() > 0
    between = joint[0].covariance[0, 2] / (u[0, 0] * u[1, 0])
    assert 0.05 < between < 0.999
