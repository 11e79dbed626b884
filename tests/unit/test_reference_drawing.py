"""The printed page: every length on it is found again in its raster, and the PDF asks not to be scaled.

Two rasterisers see each page: one covers a pixel exactly as far as it is black, the other smooths over 4 x 4 parts of
it, so that at 600 dpi an edge may stand up to 0.22 pixels (0.009 mm) off.
"""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from math import dist
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from pypdf import PdfReader

from cardmeasure import __version__
from cardmeasure.cli.reference import Paper, reference
from cardmeasure.errors import CannotWriteError, UsageError
from cardmeasure.reference.design import DESIGNS, FIDUCIAL_DICTIONARY, SQUARE_30, SQUARE_80, SquareDesign
from cardmeasure.reference.drawing import reference_pdf
from cardmeasure.reference.layout import (
    MARGIN_MM,
    PAPERS,
    PageLayout,
    PlacedSquare,
    Point,
    page_layout,
    to_mm,
    to_px,
)
from cardmeasure.reference.readings import MARKS
from tests.rasters import Grey, page_raster, square_png

DPI = 600
MM_PER_POINT = 25.4 / 72
LIMITS_MM = {"pdftocairo": (0.001, 0.005), "pdftoppm": (0.01, 0.02)}
"""By rasteriser: how far a saddle point may be off its place, and a length between two lines off its own."""
WHOLE = ((-5.0, 5.0),)
"""A band along a line that nothing crosses, mm."""
Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Printed:
    """A page's layout, its raster at 600 dpi, and how far a place or a length found in the raster may be off, mm."""

    layout: PageLayout
    page: Grey
    saddle_limit_mm: float
    length_limit_mm: float


@pytest.fixture(scope="module", params=[(paper, tool) for paper in sorted(PAPERS) for tool in LIMITS_MM], ids="-".join)
def printed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Printed:
    paper, tool = request.param
    saddle_limit_mm, length_limit_mm = LIMITS_MM[tool]
    return Printed(
        layout=page_layout(paper),
        page=page_raster(paper, dpi=DPI, tmp=tmp_path_factory.mktemp("page"), tool=tool),
        saddle_limit_mm=saddle_limit_mm,
        length_limit_mm=length_limit_mm,
    )


def test_every_saddle_point_is_where_it_is_designed(printed: Printed) -> None:
    for design, count in ((SQUARE_80, 96), (SQUARE_30, 56)):
        design_mm = printed.layout.square(design).on_page_mm(design.saddles_mm)
        found_mm = to_mm([_saddle_px(printed.page, near) for near in to_px(design_mm, dpi=DPI)], dpi=DPI)
        assert len(found_mm) == count
        assert np.abs(found_mm - design_mm).max() <= printed.saddle_limit_mm


def test_bars_and_crosses_are_as_far_apart_as_designed(printed: Printed) -> None:
    found = {
        mark.name: dist(*(_mark_mm(printed.page, end, name=mark.name) for end in (mark.start_mm, mark.end_mm)))
        for mark in printed.layout.marks
    }
    assert sorted(found) == ["diagonal", "long_bar", "short_bar"]
    for name, length_mm in found.items():
        assert length_mm == pytest.approx(MARKS[name].length_mm, abs=printed.length_limit_mm)
    assert found["long_bar"] >= 240 and found["short_bar"] >= 170 and found["diagonal"] >= 200


def test_calliper_lines_are_as_far_apart_as_designed(printed: Printed) -> None:
    x, y = printed.layout.square(SQUARE_80).centre_mm
    half = (SQUARE_80.calliper_mm or 0.0) / 2
    across = [_line_mm(printed.page, (x + d, y), axis=0, bands_mm=WHOLE) for d in (-half, half)]
    down = [_line_mm(printed.page, (x, y + d), axis=1, bands_mm=WHOLE) for d in (-half, half)]
    for name, (first, last) in (("calliper_across", across), ("calliper_down", down)):
        assert last - first == pytest.approx(MARKS[name].length_mm, abs=printed.length_limit_mm)


def test_black_is_pure_black_without_seams_and_white_is_white(printed: Printed) -> None:
    """Two pixels away from any edge; the white of a square holds nothing but its calliper lines."""
    for placed in printed.layout.squares:
        cut = placed.cut_box
        inner = np.s_[_px(cut.y_mm) + 3 : _px(cut.bottom_mm) - 3, _px(cut.x_mm) + 3 : _px(cut.right_mm) - 3]
        ink, page = _ink(placed, printed.page.shape)[inner], printed.page[inner]
        inside = cv2.erode(ink, np.ones((5, 5), np.uint8)) > 0
        outside = cv2.dilate(ink, np.ones((5, 5), np.uint8)) == 0
        assert inside.mean() > 0.25 and outside.mean() > 0.25
        assert page[inside].max() == 0
        assert page[outside].min() == 255


def test_each_square_is_read_as_its_own_design_and_nothing_else_is(printed: Printed) -> None:
    small = cv2.resize(printed.page, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(FIDUCIAL_DICTIONARY))
    corners, ids, _ = detector.detectMarkers(small)
    found = [int(marker) for marker in np.ravel(ids)]
    assert sorted(found) == sorted(DESIGNS)
    for marker, quad in zip(found, corners, strict=True):
        placed = printed.layout.square(DESIGNS[marker])
        expected = to_px(placed.on_page_mm(placed.design.fiducial_corners_mm), dpi=DPI / 4)
        assert np.abs(quad.reshape(4, 2) - expected).max() < 2.0  # in this order: upright, not mirrored


def test_nothing_is_printed_in_the_margin_or_between_the_columns(printed: Printed) -> None:
    layout = printed.layout
    margin = _px(MARGIN_MM - 0.1)
    free = np.ones(printed.page.shape, bool)
    free[margin:-margin, margin:-margin] = False
    free[:, _px(layout.columns.right_end_mm + 0.2) :] = True
    gutter = slice(_px(layout.columns.left_end_mm + 1.0), _px(layout.columns.right_mm - 1.0))
    free[_px(layout.rows.square_mm) : _px(layout.bank_card.bottom_mm + 5.0), gutter] = True
    assert printed.page[free].min() == 255


def test_the_outline_of_the_bank_card_has_the_standard_size(printed: Printed) -> None:
    """ISO/IEC 7810, ID-1: 85.60 x 53.98 mm, corner radius 3.18 mm; a stroke may be moved by a dot at either end."""
    card, page = printed.layout.bank_card, printed.page
    x, y = card.x_mm + 40.0, card.y_mm + 25.0
    left, right = (_line_mm(page, (side, y), axis=0, bands_mm=WHOLE) for side in (card.x_mm, card.right_mm))
    top, low = (_line_mm(page, (x, side), axis=1, bands_mm=WHOLE) for side in (card.y_mm, card.bottom_mm))
    assert right - left == pytest.approx(85.60, abs=0.05)
    assert low - top == pytest.approx(53.98, abs=0.05)
    inset = 3.18 * (1 - np.sqrt(0.5))  # where the arc meets the corner's diagonal
    i, j = _px(card.x_mm + inset), _px(card.y_mm + inset)
    assert page[j - 3 : j + 4, i - 3 : i + 4].min() < 200
    assert page[j - 12 : j - 4, i - 12 : i - 4].min() == 255


@pytest.mark.parametrize(("paper", "width_mm", "height_mm"), [("a4", 210.0, 297.0), ("letter", 215.9, 279.4)])
def test_page_boxes_are_the_paper_and_printing_is_not_scaled(paper: str, width_mm: float, height_mm: float) -> None:
    """A4: ISO 216. Letter: 8.5 x 11 inches, ANSI/ASME Y14.1 (from memory)."""
    reader = PdfReader(BytesIO(reference_pdf(paper=paper, version="1.2.3")))
    assert len(reader.pages) == 1
    page = reader.pages[0]
    for box in (page.mediabox, page.cropbox, page.trimbox, page.bleedbox, page.artbox):
        assert [float(v) * MM_PER_POINT for v in box] == pytest.approx([0, 0, width_mm, height_mm], abs=1e-4)
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"  # type: ignore[index]
    assert "/UserUnit" not in page and page.rotation == 0


def test_the_page_says_what_it_is_and_how_to_print_it() -> None:
    reader = PdfReader(BytesIO(reference_pdf(paper="a4", version="1.2.3")))
    text = reader.pages[0].extract_text()
    assert reader.metadata is not None
    assert "cardmeasure" in (reader.metadata.title or "") and reader.metadata.author == "cardmeasure"
    for words in ("actual size (100 %)", "cardmeasure 1.2.3", *MARKS, SQUARE_80.name, SQUARE_30.name):
        assert words in text


def test_the_page_holds_vectors_only() -> None:
    page = PdfReader(BytesIO(reference_pdf(paper="letter", version="1.2.3"))).pages[0]
    assert len(page.images) == 0
    assert "/XObject" not in page["/Resources"]  # type: ignore[operator]


@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_the_same_page_has_the_same_bytes(paper: str) -> None:
    first, second = (reference_pdf(paper=paper, version="1.2.3") for _ in range(2))
    assert first == second
    assert first != reference_pdf(paper=paper, version="1.2.4")


def test_another_paper_is_refused() -> None:
    with pytest.raises(UsageError, match="paper is 'a5'; it must be a4 or letter"):
        reference_pdf(paper="a5", version="1.2.3")


@pytest.mark.parametrize("design", [SQUARE_80, SQUARE_30])
def test_a_cut_square_is_the_design_from_side_to_side(design: SquareDesign, tmp_path: Path) -> None:
    """The picture of a cut square is as large as its side, and its saddle points stand where the design has them."""
    square = np.asarray(cv2.imread(str(square_png(design, dpi=DPI, tmp=tmp_path)), cv2.IMREAD_GRAYSCALE), np.uint8)
    side = round(design.side_mm * DPI / 25.4)
    assert square.shape == (side, side)
    design_mm = design.saddles_mm + design.side_mm / 2
    px_per_mm = side / design.side_mm
    found_mm = (np.array([_saddle_px(square, near) for near in design_mm * px_per_mm - 0.5]) + 0.5) / px_per_mm
    assert np.abs(found_mm - design_mm).max() <= 0.001


def _px(mm: float) -> int:
    return round(mm * DPI / 25.4)


def _saddle_px(page: Grey, near: Floats) -> tuple[float, float]:
    """The saddle point near a place: the edges above and below it give x, those left and right of it give y.

    Each edge is where the black in a band across it would end if it were pushed together; the bands lie 8 to 20 pixels
    from the middle, and the blacks of opposite bands lie on opposite sides, so that a spread of ink cancels.
    """
    x, y = np.rint(near).astype(int)
    window = 1.0 - page[y - 20 : y + 21, x - 20 : x + 21] / 255.0
    return x - 20.5 + _edge(window), y - 20.5 + _edge(window.T)


def _edge(window: Floats) -> float:
    """Mean place of the two edges that cross the first and the last rows of the window, from its left side."""
    places = []
    for band in (window[:13], window[-13:]):
        profile = band.mean(axis=0)
        black = profile.sum()
        places.append(black if profile[0] > 0.5 else profile.size - black)
    return float(np.mean(places))


def _mark_mm(page: Grey, near_mm: Point, *, name: str) -> Point:
    """An end mark or a cross: its upright line gives x, its level line gives y; the bar's own line is left out."""
    bands = ((-2.8, -0.4), (0.4, 2.8))
    x = _line_mm(page, near_mm, axis=0, bands_mm=bands) if MARKS[name].across_mm else near_mm[0]
    y = _line_mm(page, near_mm, axis=1, bands_mm=bands) if MARKS[name].down_mm else near_mm[1]
    return x, y


def _line_mm(page: Grey, near_mm: Point, *, axis: int, bands_mm: tuple[tuple[float, float], ...]) -> float:
    """Place of a fine line along an axis (0: x, 1: y): the middle of its darkness within 0.3 mm, in bands along it."""
    picture = page if axis == 0 else page.T
    along, across = (near_mm[1], near_mm[0]) if axis == 0 else near_mm
    first = _px(across - 0.3)
    window = np.concatenate(
        [255.0 - picture[_px(along + low) : _px(along + high), first : _px(across + 0.3) + 1] for low, high in bands_mm]
    )
    darkness = window.sum(axis=0)
    assert darkness.max() > 0
    return float(to_mm(first + (darkness * np.arange(darkness.size)).sum() / darkness.sum(), dpi=DPI))


def _ink(placed: PlacedSquare, shape: tuple[int, ...]) -> Grey:
    """Where a square is printed black, to the pixel: cells, modules and calliper lines drawn one by one."""
    ink = np.zeros(shape, np.uint8)
    design = placed.design
    for corners, side in ((design.black_cells_mm, design.cell_mm), (design.black_modules_mm, design.module_mm)):
        for x, y in placed.on_page_mm(corners):
            ink[_px(y) : _px(y + side), _px(x) : _px(x + side)] = 255
    if design.calliper_mm is not None:
        x, y = placed.centre_mm
        for d in (-design.calliper_mm / 2, design.calliper_mm / 2):
            ink[_px(y - 6) : _px(y + 6), _px(x + d - 0.05) : _px(x + d + 0.05)] = 255
            ink[_px(y + d - 0.05) : _px(y + d + 0.05), _px(x - 6) : _px(x + 6)] = 255
    return ink


def test_the_command_knows_the_same_papers_as_the_layout() -> None:
    assert [paper.value for paper in Paper] == list(PAPERS)


def test_the_command_replaces_the_file_and_says_what_to_do_next(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "page.pdf"
    out.write_text("old")
    reference(out, Paper.LETTER)
    assert out.read_bytes() == reference_pdf(paper="letter", version=__version__)
    assert list(tmp_path.iterdir()) == [out]
    said = capsys.readouterr().out
    assert "Letter at actual size (100 %)" in said and "measure its bars" in said and said.count("\n") == 2


def test_the_command_does_not_write_where_it_cannot(tmp_path: Path) -> None:
    for out in (tmp_path, tmp_path / "nosuch" / "page.pdf"):
        with pytest.raises(CannotWriteError, match="Cannot write"):
            reference(out)
