"""The measuring sheet as designed and as printed: every saddle point, bar and fiducial is where it should be."""

from __future__ import annotations

from io import BytesIO
from math import dist
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from pypdf import PdfReader

from cardmeasure import __version__
from cardmeasure.cli.reference import Design, Paper, reference
from cardmeasure.errors import UsageError
from cardmeasure.reference.design import DESIGNS, FIDUCIAL_DICTIONARY
from cardmeasure.reference.layout import MARGIN_MM, PAPERS, to_mm, to_px
from cardmeasure.reference.readings import MARKS
from cardmeasure.reference.saddles import refine_saddles
from cardmeasure.reference.sheet import (
    BLACK,
    DARK,
    LIGHT,
    MARGIN,
    OUTSIDE,
    SHEET_CORNERS,
    SHEETS,
    WHITE,
    check_coordinates,
    sign_at,
)
from cardmeasure.reference.sheet_drawing import sheet_pdf
from cardmeasure.reference.sheet_layout import sheet_layout
from tests.rasters import pdf_raster

DPI = 600
Grey = NDArray[np.uint8]


@pytest.fixture(scope="module", params=sorted(SHEETS))
def page(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Grey]:
    """A paper and the sheet in the raster that `pdftoppm` makes of it."""
    pdf = sheet_pdf(paper=request.param, version="0.0.0")
    return request.param, pdf_raster(pdf, dpi=DPI, tmp=tmp_path_factory.mktemp("sheet"), tool="pdftoppm")


def test_every_saddle_point_is_printed_within_a_hundredth_of_a_millimetre(page: tuple[str, Grey]) -> None:
    paper, raster = page
    design = SHEETS[paper]
    on_page = design.saddles_mm + design.half_mm
    found = refine_saddles(raster, to_px(on_page, dpi=DPI), radius_px=30, smoothing_px=2.0)
    assert found.ok.all() and len(found.ok) > 1300
    assert np.linalg.norm(to_mm(found.points_px, dpi=DPI) - on_page, axis=1).max() < 0.01


def test_what_is_said_to_be_printed_is_printed(page: tuple[str, Grey]) -> None:
    """At random places, but within 0.3 mm of an edge: both greys, black, white."""
    paper, raster = page
    design = SHEETS[paper]
    mm = np.random.default_rng(5).uniform(-design.half_mm, design.half_mm, (20000, 2))
    kind = design.kind_at(mm)
    nearby = [design.kind_at(mm + 0.3 * np.array(way)) for way in ((1, 0), (-1, 0), (0, 1), (0, -1))]
    away = np.linalg.norm(mm[:, None] - design.marked_mm, axis=2).min(axis=1) > 4.0
    sure = np.all([kind == other for other in nearby], axis=0) & away
    x, y = np.rint(to_px(mm + design.half_mm, dpi=DPI)).astype(int).T
    levels = {LIGHT: (209, 212), DARK: (146, 150), WHITE: (255, 255), BLACK: (0, 0)}
    for what, (low, high) in levels.items():
        seen = raster[y, x][sure & (kind == what)]
        assert len(seen) > 50 and low <= seen.min() and seen.max() <= high
    assert design.kind_at(design.cut_corners_mm * 1.01).tolist() == [OUTSIDE] * 4
    assert design.kind_at(design.cut_corners_mm * 0.99).tolist() == [MARGIN] * 4


def test_nothing_is_printed_nearer_to_the_papers_edge_than_printers_reach(page: tuple[str, Grey]) -> None:
    margin = int((MARGIN_MM - 0.2) / 25.4 * DPI)
    free = np.ones(page[1].shape, bool)
    free[margin:-margin, margin:-margin] = False
    assert page[1][free].min() == 255


def test_the_fiducials_name_design_paper_and_corner(page: tuple[str, Grey]) -> None:
    paper, raster = page
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(FIDUCIAL_DICTIONARY))
    corners, ids, _ = detector.detectMarkers(cv2.resize(raster, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA))
    found = [int(marker) for marker in np.ravel(ids)]
    assert sorted(found) == sorted(SHEETS[paper].fiducial_ids)
    for marker, quad in zip(found, corners, strict=True):
        design, corner = SHEET_CORNERS[marker]
        assert design is SHEETS[paper]
        expected = to_px(design.fiducial_corners_mm(corner) + design.half_mm, dpi=DPI / 4)
        assert np.abs(quad.reshape(4, 2) - expected).max() < 1.5  # in this order: upright, not mirrored


def test_no_fiducial_equals_the_mirror_image_of_any_and_none_names_two_things() -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(FIDUCIAL_DICTIONARY)
    bits = {n: cv2.aruco.generateImageMarker(dictionary, n, 6)[1:5, 1:5] > 0 for n in (*SHEET_CORNERS, *DESIGNS)}
    assert len(bits) == 4 * len(SHEETS) + len(DESIGNS)
    for one in (bits[number] for number in SHEET_CORNERS):
        for other in bits.values():
            apart = [int((np.rot90(np.fliplr(one), turn) != other).sum()) for turn in range(4)]
            assert min(apart) >= 3, "the detector mends one wrong module"


@pytest.mark.parametrize("paper", sorted(SHEETS))
def test_the_marks_are_those_of_the_readings_and_lie_on_the_page(paper: str) -> None:
    layout = sheet_layout(paper)
    width, height = PAPERS[paper]
    assert (layout.design.page_mm, layout.design.paper) == ((width, height), paper)
    for mark in layout.marks:
        assert dist(mark.start_mm, mark.end_mm) == pytest.approx(MARKS[mark.name].length_mm)
    for box in layout.black_boxes:
        assert box.x_mm >= MARGIN_MM - 0.06 and box.right_mm <= width - MARGIN_MM + 0.06
        assert box.y_mm >= MARGIN_MM and box.bottom_mm <= height - MARGIN_MM
    crosses = check_coordinates(layout.design.marked_mm)
    np.testing.assert_allclose(crosses, np.rint(crosses), atol=1e-9)
    with pytest.raises(UsageError, match="a5"):
        sheet_layout("a5")


def test_saddle_points_are_where_four_cells_meet_with_dark_ones_on_the_side_that_their_sign_says() -> None:
    for design in SHEETS.values():
        mm = design.saddles_mm
        first, second = np.array([[2.0, 1.0], [-1.0, 2.0]]) * 0.6
        for way, kinds in ((first + second, (DARK, LIGHT)), (first - second, (LIGHT, DARK))):
            for turned in (way, -way):
                expected = np.where(sign_at(mm) > 0, *kinds)
                np.testing.assert_array_equal(design.kind_at(mm + turned), expected)


def test_the_pdf_has_exact_pages_and_asks_not_to_be_scaled() -> None:
    reader = PdfReader(BytesIO(sheet_pdf(paper="letter", version="1.2.3")))
    assert len(reader.pages) == 2
    for one in reader.pages:
        assert [float(v) for v in one.mediabox] == pytest.approx([0, 0, 612, 792], abs=0.01)
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    first, second = (one.extract_text() for one in reader.pages)
    assert "actual size" in first and "1.2.3" in first and "sheet-letter" in first
    assert "bank card" in second and all(name in second for name in ("long_bar", "short_bar", "diagonal"))


def test_the_command_writes_the_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "sheet.pdf"
    reference(out, paper=Paper.LETTER, design=Design.SHEET)
    assert out.read_bytes() == sheet_pdf(paper="letter", version=__version__)
    said = " ".join(capsys.readouterr())
    assert "Letter" in said and "check" in said and "cut" not in said
