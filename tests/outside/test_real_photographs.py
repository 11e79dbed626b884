"""Real photographs with known geometry, as they are and with the project's own squares painted in.

The photographs stay outside the project: in the folder that CARDMEASURE_REAL_PHOTOS names, or in `../shared/real`
beside the checkout. Where there are none, these tests are left out, and say so. `truth.json` there names sources and
licences, `paint.py` there paints a printed square into a photograph's plane; painted pictures go to a temporary folder.

What they prove: square and outlines are found in real light, wood, wear and JPEG, and sub-pixel places, rectification
and the stated u are right. What not: except on `board0` the plane was taken from the very thing that is measured, so
lens distortion cancels.
"""

from __future__ import annotations

import importlib.util
import json
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np
import pytest

from cardmeasure.flags import is_unsized
from cardmeasure.pipeline import measure_photo
from cardmeasure.reference.design import SQUARE_30, SQUARE_80, SquareDesign
from cardmeasure.reference.print_profile import ASSUMED, PrintProfile
from cardmeasure.results import Card, ShotResult
from cardmeasure.settings import Settings
from tests.rasters import square_png

VARIABLE = "CARDMEASURE_REAL_PHOTOS"
BESIDE = Path(__file__).resolve().parents[3] / "shared" / "real"
FOLDER = Path(os.environ.get(VARIABLE, BESIDE))
PHOTOS = ("bank.jpg", "biz5.jpg", "board0.jpg", "bridge.png", "mat_codes.jpg", "mat_ruler.jpg")
SCALES = ((1.0, 1.0), (1.003, 0.998))
K = 2.5
"""Coverage factor: each error must lie within K times the combined standard uncertainty of measurement and truth."""

# a folder that was named but is wrong is no reason to leave anything out: then the tests fail
pytestmark = pytest.mark.skipif(
    VARIABLE not in os.environ and not (BESIDE / "truth.json").is_file(),
    reason=f"the real photographs are not there; set {VARIABLE} to their folder",
)


@dataclass(frozen=True, kw_only=True)
class Lay:
    """Where and how a square is painted: paper's printed side at 100 %, centre in the photo's plane, turn, depth."""

    photo: str
    design: SquareDesign
    side_mm: float
    at_mm: tuple[float, float]
    turn_deg: float
    below_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Mat:
    """One of the photos of papers on a ruled mat: what is true, and what was found."""

    lay: Lay
    truth: dict[str, Any]
    result: ShotResult


BANK = Lay(photo="bank", design=SQUARE_30, side_mm=30, at_mm=(40, -24), turn_deg=6, below_mm=0.66)
BOARD = Lay(photo="board0", design=SQUARE_80, side_mm=80, at_mm=(206, 118), turn_deg=4)
BUSINESS = Lay(photo="biz5", design=SQUARE_30, side_mm=20, at_mm=(-11.5, 25), turn_deg=4)
MAT_RULER = Lay(photo="mat_ruler", design=SQUARE_80, side_mm=50, at_mm=(49.5, 25), turn_deg=10)
MAT_CODES = Lay(photo="mat_codes", design=SQUARE_30, side_mm=9, at_mm=(30.5, 20.2), turn_deg=4)

Truth = dict[str, Any]
Painter = Callable[..., tuple[Path, Truth]]


@pytest.fixture(scope="module")
def painter() -> ModuleType:
    """`paint.py` of the photographs' folder."""
    name = "real_photographs_paint"
    spec = importlib.util.spec_from_file_location(name, FOLDER / "paint.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def squares(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The project's own squares, from the printed page's vector PDF, cut along the cutting lines."""
    folder = tmp_path_factory.mktemp("squares")
    return {design.name: square_png(design, dpi=600, tmp=folder) for design in (SQUARE_30, SQUARE_80)}


@pytest.fixture(scope="module")
def painted(painter: ModuleType, squares: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Painter:
    """Paints a square into a photo: the painted photo's path and its truth."""

    def paint(lay: Lay, scale: tuple[float, float] = (1.0, 1.0)) -> tuple[Path, Truth]:
        placing = painter.Placing(
            png=squares[lay.design.name],
            side_mm=lay.side_mm,
            at_mm=lay.at_mm,
            turn_deg=lay.turn_deg,
            scale=scale,
            below_mm=lay.below_mm,
        )
        path = tmp_path_factory.mktemp(lay.photo) / f"{lay.photo}.jpg"
        return path, painter.compose(lay.photo, placing, path, folder=FOLDER)

    return paint


@pytest.fixture(scope="module", params=[MAT_RULER, MAT_CODES], ids=lambda lay: lay.photo)
def mat(request: pytest.FixtureRequest, painted: Painter) -> Mat:
    """A ruled mat with papers, measured once for all tests."""
    path, truth = painted(request.param)
    return Mat(lay=request.param, truth=truth, result=measure_photo(path, settings=Settings(thickness_mm=0.1)))


def entered(scale: tuple[float, float]) -> PrintProfile:
    """A print profile as read with a calliper: 0.05 % an axis."""
    return PrintProfile(
        scale_x=scale[0], scale_y=scale[1], u_scale_x=5e-4, u_scale_y=5e-4, correlation=0.0, source="entered"
    )


def the_only_sized(result: ShotResult) -> Card:
    assert result.trouble is None, result.trouble
    sized = [card for card in result.cards if card.is_sized]
    assert len(sized) == 1, [(c.width_mm, c.height_mm, c.flags) for c in result.cards]
    return sized[0]


def size_of(card: Card) -> tuple[np.ndarray[Any, np.dtype[np.float64]], np.ndarray[Any, np.dtype[np.float64]]]:
    """Width and height, and their standard uncertainties, mm."""
    assert card.width_mm and card.height_mm and card.u_width_mm and card.u_height_mm
    return np.array([card.width_mm, card.height_mm]), np.array([card.u_width_mm, card.u_height_mm])


def assert_within(card: Card, true_mm: tuple[float, float], *, u_true_mm: float, share: float) -> None:
    """Each side within a share of its true length, and within K combined standard uncertainties."""
    size, u = size_of(card)
    error = size - np.array(true_mm)
    assert (np.abs(error) <= share * np.array(true_mm)).all(), f"{size} against {true_mm}: {error} mm"
    assert (np.abs(error) <= K * np.hypot(u, u_true_mm)).all(), f"{error} mm with u {u}"


@pytest.mark.parametrize("scale", SCALES)
def test_a_bank_card_is_measured_within_half_a_per_cent(painted: Painter, scale: tuple[float, float]) -> None:
    """ID-1 card (ISO/IEC 7810: 53.98 x 85.60 mm) on wood, shadow on two sides, the print 0.66 mm below its top face."""
    path, truth = painted(BANK, scale)
    settings = Settings(thickness_mm=0.76, u_thickness_mm=0.04, print_profile=entered(scale))
    card = the_only_sized(measure_photo(path, settings=settings))
    known = truth["cards"][0]
    assert_within(card, (known["width_mm"], known["height_mm"]), u_true_mm=known["u_mm"], share=0.005)
    assert card.match is not None and card.match.size_class == "id-1"


@pytest.mark.parametrize("scale", SCALES)
def test_a_letter_sheet_is_measured_within_eight_parts_in_a_thousand(
    painted: Painter, scale: tuple[float, float]
) -> None:
    """Letter sheet (215.9 x 279.4 mm) by a webcam at 1.2 px/mm; the plane comes from the chessboard printed on it."""
    path, truth = painted(BOARD, scale)
    card = the_only_sized(measure_photo(path, settings=Settings(thickness_mm=0.1, print_profile=entered(scale))))
    known = truth["cards"][0]
    assert_within(card, (known["width_mm"], known["height_mm"]), u_true_mm=known["u_mm"], share=0.008)


def test_with_an_assumed_print_scale_the_believed_size_is_found_and_u_covers_the_truth(painted: Painter) -> None:
    path, truth = painted(BOARD, (1.003, 0.998))
    result = measure_photo(path, settings=Settings(thickness_mm=0.1, print_profile=ASSUMED))
    card, known = the_only_sized(result), truth["cards"][0]
    believed = (known["believed_width_mm"], known["believed_height_mm"])
    true = np.array([known["width_mm"], known["height_mm"]])
    assert_within(card, believed, u_true_mm=known["u_mm"], share=0.008)
    assert "scale-assumed" in result.flags
    size, u = size_of(card)
    assert (np.abs(true - believed) <= K * u).all(), f"the print's scale moves the size by {true - believed}, u is {u}"
    assert (np.abs(size - true) <= K * np.hypot(u, known["u_mm"])).all()


def test_a_small_square_that_says_30_mm_but_is_20_mm_gives_all_sizes_in_that_ratio(painted: Painter) -> None:
    """Business card (nominal 50 x 90 mm), black with a pale worn rim and a little bent; only 20 mm fit beside it."""
    path, truth = painted(BUSINESS)
    card = the_only_sized(measure_photo(path, settings=Settings(thickness_mm=0.15)))
    known, ratio = truth["cards"][0], BUSINESS.design.side_mm / BUSINESS.side_mm
    size, u = size_of(card)
    true = np.array([known["width_mm"], known["height_mm"]])
    # the photo's own side ratio is 0.4 % off the nominal one
    assert (np.abs(size / ratio - true) <= 0.005 * true).all(), size / ratio
    assert (np.abs(size / ratio - true) <= K * np.hypot(u / ratio, known["u_mm"])).all()


def holds(card: Card, corners_px: list[list[float]]) -> bool:
    """Whether the middle of a thing in the truth lies within a card of the result."""
    middle = tuple(float(v) for v in np.mean(corners_px, axis=0))
    return cv2.pointPolygonTest(np.array(card.corners_px, np.float32), middle, False) >= 0


def covered(known: Truth) -> bool:
    return bool(known.get("overlapped")) or bool(known.get("cut_by_frame"))


def test_no_covered_or_cut_paper_has_a_size(mat: Mat) -> None:
    for known in filter(covered, mat.truth["cards"]):
        sized = [card for card in mat.result.cards if card.is_sized and holds(card, known["corners_px"])]
        assert not sized, f"{known['name']} got {[(c.width_mm, c.height_mm) for c in sized]} mm"


def test_every_covered_or_cut_paper_is_listed_with_a_flag(mat: Mat) -> None:
    """Papers hidden by a ruler, by one another or by the frame: none may be silently missing."""
    assert mat.result.trouble is None, mat.result.trouble
    for known in filter(covered, mat.truth["cards"]):
        flagged = [card for card in mat.result.cards if is_unsized(card.flags) and holds(card, known["corners_px"])]
        assert flagged, f"{known['name']} is missing among {[(c.corners_px, c.flags) for c in mat.result.cards]}"


def test_whatever_is_sized_on_a_mat_is_a_free_paper_of_the_size_that_the_grid_says(
    mat: Mat, painter: ModuleType
) -> None:
    """The small papers curl: by the mat's grid they are known to 3 % only. A size of anything else would be wrong."""
    to_mm = np.linalg.inv(np.array(mat.truth["camera"]["mm_to_px"]))
    ratio = mat.lay.design.side_mm / mat.lay.side_mm
    for card in (card for card in mat.result.cards if card.is_sized):
        known = [t for t in mat.truth["cards"] if holds(card, t["corners_px"])]
        assert len(known) == 1, f"a piece of {card.width_mm} x {card.height_mm} mm is no paper, or several"
        grid = np.sort(painter.side_lengths(painter.mapped(to_mm, known[0]["corners_px"])))
        assert size_of(card)[0] / ratio == pytest.approx(grid, rel=0.03)


def test_these_are_all_the_photographs_of_the_folder() -> None:
    known = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))["photos"]
    assert tuple(sorted(record["photo"] for record in known.values())) == PHOTOS


@pytest.mark.parametrize("photo", PHOTOS)
def test_a_photograph_without_a_square_is_refused_with_that_reason(photo: str) -> None:
    result = measure_photo(FOLDER / photo)
    assert result.status == "refused" and result.cards == ()
    assert result.trouble is not None and result.trouble.code == "no-reference"
