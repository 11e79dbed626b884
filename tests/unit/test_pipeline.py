"""The whole way from file to result on small rendered shots with known truth, and on files that cannot be measured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from rendered_shots import RenderedShot

from cardmeasure.errors import TROUBLES
from cardmeasure.flags import FLAGS, Level
from cardmeasure.pipeline import measure_photo
from cardmeasure.reference.print_profile import PrintProfile
from cardmeasure.results import Card, ShotResult
from cardmeasure.settings import Settings

Floats = NDArray[np.float64]
NEAR_PX = 12.0
"""A piece's middle lies nearer than this to that of the card it is."""


def _middle(corners: object) -> Floats:
    return np.asarray(np.asarray(corners, np.float64).mean(axis=0))


def _pairs(shot: RenderedShot, result: ShotResult | None = None) -> list[tuple[dict[str, Any], Card | None]]:
    """Each true card with the sized piece at its place, None where there is none."""
    sized = [card for card in (result or shot.result).cards if card.is_sized]
    pairs = []
    for true in shot.truth["cards"]:
        at = _middle(true["corners_px"])
        near = [card for card in sized if np.linalg.norm(_middle(card.corners_px) - at) < NEAR_PX]
        assert len(near) <= 1
        pairs.append((true, near[0] if near else None))
    return pairs


def _errors(true: dict[str, Any], card: Card) -> Floats:
    """Width's and height's error, mm."""
    assert card.width_mm is not None and card.height_mm is not None
    return np.array([card.width_mm - true["width_mm"], card.height_mm - true["height_mm"]])


def _u(card: Card) -> Floats:
    assert card.u_width_mm is not None and card.u_height_mm is not None
    return np.array([card.u_width_mm, card.u_height_mm])


def _require_sound(shot: RenderedShot) -> None:
    """Whatever is sized is a true card, and right within 4 u; flagged pieces without a size say why."""
    pairs = _pairs(shot)
    for true, card in pairs:
        if card is not None:
            assert (np.abs(_errors(true, card)) < 4 * _u(card)).all(), f"{true['width_mm']} x {true['height_mm']}"
    assert sum(card.is_sized for card in shot.result.cards) == sum(card is not None for _, card in pairs)
    for card in shot.result.cards:
        unsized = any(FLAGS[flag].level is Level.UNSIZED for flag in card.flags)
        assert unsized == (not card.is_sized)


def test_every_card_is_found_and_right_within_its_u(plain_shot: RenderedShot) -> None:
    assert plain_shot.result.status == "measured"
    assert len(plain_shot.result.cards) == len(plain_shot.truth["cards"]) == 3
    for true, card in _pairs(plain_shot):
        assert card is not None, f"missed {true['width_mm']} x {true['height_mm']}"
    _require_sound(plain_shot)


def test_u_is_small_enough_to_be_of_use(plain_shot: RenderedShot) -> None:
    """With an assumed print of 0.3 % an axis u of a card lies between that and 0.5 % of its longest side."""
    for card in plain_shot.result.cards:
        u = _u(card)
        assert card.height_mm is not None
        assert (u > 0.001 * card.height_mm).all()
        assert (u < 0.005 * card.height_mm).all()


def test_corners_are_those_of_the_top_face(plain_shot: RenderedShot) -> None:
    """In the order of the truth: clockwise from the corner nearest the top left."""
    for true, card in _pairs(plain_shot):
        assert card is not None
        np.testing.assert_allclose(card.corners_px, true["corners_px"], rtol=0, atol=1.5)


def test_a_card_is_described_in_full(plain_shot: RenderedShot) -> None:
    assert [card.number for card in plain_shot.result.cards] == [1, 2, 3]
    for card in plain_shot.result.cards:
        assert card.width_mm is not None and card.height_mm is not None and card.correlation is not None
        assert card.width_mm <= card.height_mm
        assert -1 <= card.correlation <= 1
        assert card.match is not None
        assert set(card.flags) <= set(FLAGS)
        lines = np.array([[line.u_width_mm, line.u_height_mm] for line in card.budget])
        np.testing.assert_allclose(np.sqrt((lines**2).sum(axis=0)), _u(card), rtol=1e-3)
        assert "print scale" in [line.name for line in card.budget]


def test_the_reference_is_described(plain_shot: RenderedShot) -> None:
    result, truth = plain_shot.result, plain_shot.truth
    reference = result.reference
    assert reference is not None
    assert (reference.design, reference.squares, reference.scale_source) == ("square-80", 1, "assumed")
    assert reference.px_per_mm == pytest.approx(truth["px_per_mm"], rel=0.05)
    assert reference.residual_px < 0.1
    assert "scale-assumed" in result.flags
    assert result.photo is not None
    assert result.photo.focal_35mm is not None


def test_a_known_print_scale_makes_sizes_right_and_u_small(plain_shot: RenderedShot) -> None:
    """The true scale, entered with 0.02 %: all sizes within 4 of their now smaller u."""
    true = plain_shot.truth["reference"]
    profile = PrintProfile(
        scale_x=true["scale_x"], scale_y=true["scale_y"], u_scale_x=2e-4, u_scale_y=2e-4, correlation=0.0,
        source="entered",
    )  # fmt: skip
    result = measure_photo(plain_shot.path, settings=Settings(print_profile=profile))
    assert "scale-assumed" not in result.flags
    before = {card.number: _u(card) for card in plain_shot.result.cards if card.is_sized}
    for truth, card in _pairs(plain_shot, result):
        assert card is not None
        assert (np.abs(_errors(truth, card)) < 4 * _u(card)).all()
        assert (_u(card) < 0.8 * before[card.number]).all()


def test_the_same_photo_gives_the_same_numbers(plain_shot: RenderedShot) -> None:
    assert measure_photo(plain_shot.path) == plain_shot.result


def test_the_reference_alone_is_no_card(bare_shot: RenderedShot) -> None:
    """Refused for want of cards, not measured with the square's paper as one."""
    assert bare_shot.result.status == "refused"
    assert bare_shot.result.trouble is not None
    assert bare_shot.result.trouble.code == "no-cards"
    assert bare_shot.result.cards == ()


def test_the_reference_is_never_among_the_cards(
    plain_shot: RenderedShot, cut_shot: RenderedShot, overlapped_shot: RenderedShot
) -> None:
    for shot in (plain_shot, cut_shot, overlapped_shot):
        assert shot.result.reference is not None
        at = _middle(shot.result.reference.corners_px[0])
        distance = [np.linalg.norm(_middle(card.corners_px) - at) for card in shot.result.cards]
        assert min(distance) > 100


def test_a_card_cut_by_the_frame_has_no_size(cut_shot: RenderedShot) -> None:
    """It is flagged; the others are measured as ever."""
    _require_sound(cut_shot)
    assert [card.flags for card in cut_shot.result.cards if not card.is_sized] == [("cut-by-frame",)]
    for true, card in _pairs(cut_shot):
        assert (card is not None) == (true["expect"] == "measured")


def test_overlapping_cards_are_never_silently_wrong(overlapped_shot: RenderedShot) -> None:
    """Both are flagged without a size or sized rightly; the one that lies alone is measured."""
    _require_sound(overlapped_shot)
    found = 0
    for true, card in _pairs(overlapped_shot):
        assert card is not None or true["expect"] == "flagged"
        found += card is not None
    assert found == 3 or any(not card.is_sized for card in overlapped_shot.result.cards)


def test_a_plain_photo_is_refused_for_want_of_the_reference(tmp_path: Path) -> None:
    y, x = np.mgrid[:600, :800]
    grey = (90 + 40 * np.sin(x / 9.0) * np.cos(y / 14.0) + np.random.default_rng(2).normal(0, 6, x.shape)).astype(
        np.uint8
    )
    cv2.imwrite(str(tmp_path / "plain.jpg"), cv2.merge([grey, grey, grey]))
    result = measure_photo(tmp_path / "plain.jpg")
    assert result.trouble is not None
    assert result.trouble.code == "no-reference"
    assert result.photo is not None, "what the file says of itself is kept"
    assert (result.photo.width_px, result.photo.height_px) == (800, 600)
    assert result.sha256 is not None


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (None, "not-found"),
        (b"", "empty-file"),
        (b"a shopping list\n" * 50, "not-a-photo"),
        (b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01", "truncated"),
    ],
)
def test_an_unusable_file_is_a_refused_row(tmp_path: Path, content: bytes | None, code: str) -> None:
    path = tmp_path / "x.jpg"
    if content is not None:
        path.write_bytes(content)
    result = measure_photo(path)
    assert (result.status, result.file, result.cards) == ("refused", "x.jpg", ())
    assert result.trouble is not None
    assert result.trouble.code == code
    assert result.trouble.advice == TROUBLES[code].advice


def test_a_photo_cut_short_is_refused(plain_shot: RenderedShot, tmp_path: Path) -> None:
    data = plain_shot.path.read_bytes()
    for share in (0.02, 0.3, 0.9):
        path = tmp_path / f"{share}.jpg"
        path.write_bytes(data[: int(share * len(data))])
        assert measure_photo(path).trouble is not None


def test_a_folder_is_a_refused_row(tmp_path: Path) -> None:
    assert measure_photo(tmp_path).status == "refused"
