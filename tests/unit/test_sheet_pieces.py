"""Pieces on a rendered sheet that are hard to tell: touching, as grey as its cells, over the end of its check."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from calibration.rig.draws import draw_card
from calibration.rig.scene import Card, Face, Place, Sampling
from calibration.rig.sheet_scenes import sheet_scene
from calibration.rig.shots import write_shot
from calibration.rig.truth import on_table
from cardmeasure.photo import read_photo
from cardmeasure.pipeline import measure
from cardmeasure.reference.print_profile import PrintProfile
from cardmeasure.reference.sheet import SHEETS
from cardmeasure.results import Card as Measured
from cardmeasure.settings import Settings

PAIR, GREY, OVER = (-50.0, 30.0), (-40.0, -75.0), -70.0
"""Where on the page, mm, two cards touch, one is as grey as the cells, and how far down one reaches over the right end
of the check."""
OVER_MM = 3.0


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A measured photo and its truth."""

    truth: dict[str, Any]
    cards: tuple[Measured, ...]

    def near(self, number: int) -> Measured:
        """The piece whose middle lies nearest to a true card's."""
        middle = np.mean(self.truth["cards"][number]["corners_px"], axis=0)
        return min(self.cards, key=lambda c: float(np.linalg.norm(np.mean(c.corners_px, axis=0) - middle)))


def _laid(card: Card, x_mm: float, y_mm: float, sheet: Place, *, base_mm: float) -> Card:
    """The card with its middle at a place of the page, its long side along the page's."""
    at = on_table(sheet, np.array([[x_mm, y_mm]]))[0]
    place = Place(x_mm=float(at[0]), y_mm=float(at[1]), turn_deg=sheet.turn_deg % 360, base_mm=base_mm)
    return replace(card, place=place)


@pytest.fixture(scope="module")
def shot(tmp_path_factory: pytest.TempPathFactory) -> Shot:
    path = tmp_path_factory.mktemp("pieces") / "pieces.jpg"
    scene = sheet_scene(9121, width=1440, height=1080, px_per_mm=4.9, cards=1, paper="a4")
    sheet, base = scene.squares[0].place, scene.print.paper_mm
    card = draw_card(np.random.default_rng(3), style="black-border")
    while not 60.0 < card.width_mm < 65.0:  # of poker size
        card = draw_card(np.random.default_rng(int(card.width_mm * 1e6) % 2**31), style="black-border")
    grey = replace(card, face=Face(style="black-border", seed=5, tone=(scene.print.light,) * 3))
    right = SHEETS["a4"].area_mm[2] + OVER_MM - card.width_mm / 2
    cards = (
        _laid(card, *PAIR, sheet, base_mm=base),
        _laid(card, PAIR[0] + card.width_mm, PAIR[1], sheet, base_mm=base),
        _laid(grey, *GREY, sheet, base_mm=base),
        _laid(card, right, OVER, sheet, base_mm=base),
    )
    post = replace(scene.post, quality=92, orientation=1)
    write_shot(replace(scene, cards=cards, bow=None, sampling=Sampling(print=16, edge=12), post=post), path, seed=4)
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    profile = PrintProfile(
        scale_x=truth["reference"]["scale_x"], scale_y=truth["reference"]["scale_y"], u_scale_x=1e-4, u_scale_y=1e-4,
        correlation=0.0, source="entered",
    )  # fmt: skip
    result = measure(read_photo(path), name="pieces.jpg", settings=Settings(print_profile=profile))
    return Shot(truth=truth, cards=result.cards)


def _assert_sized(shot: Shot, number: int) -> None:
    true, found = shot.truth["cards"][number], shot.near(number)
    assert found.width_mm is not None and found.height_mm is not None, found.flags
    assert found.u_width_mm is not None and found.u_height_mm is not None
    assert abs(found.width_mm - true["width_mm"]) < 3 * found.u_width_mm
    assert abs(found.height_mm - true["height_mm"]) < 3 * found.u_height_mm
    assert max(found.u_width_mm, found.u_height_mm) < 0.25


def test_two_cards_that_touch_are_never_sized_as_one_in_silence(shot: Shot) -> None:
    for number in (0, 1):
        found = shot.near(number)
        assert not found.is_sized or "perhaps-two" in found.flags, (found.width_mm, found.height_mm, found.flags)


def test_a_card_with_a_border_as_grey_as_the_light_cells_is_measured(shot: Shot) -> None:
    _assert_sized(shot, 2)


def test_a_card_that_reaches_a_few_millimetres_over_the_check_is_measured(shot: Shot) -> None:
    _assert_sized(shot, 3)
