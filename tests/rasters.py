"""The printed page as pixels, for tests: what a perfect printer and a perfect scanner would make of it."""

from __future__ import annotations

import subprocess
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from pypdf import PdfReader, PdfWriter
from pypdf.generic import RectangleObject

from cardmeasure.reference.design import SquareDesign
from cardmeasure.reference.drawing import reference_pdf
from cardmeasure.reference.layout import MM_PER_INCH, Box, page_layout

Grey = NDArray[np.uint8]
PT_PER_MM = 72 / MM_PER_INCH


def page_raster(paper: str, *, dpi: int, tmp: Path, tool: str = "pdftocairo") -> Grey:
    """The page of squares in grey, (height, width); see `cardmeasure.reference.layout.to_px` for its coordinates.

    `pdftocairo` covers each pixel by the share that is black, `pdftoppm` by the parts of 4 x 4 that are touched.
    """
    return _rasterised(reference_pdf(paper=paper, version="0.0.0"), ["-r", str(dpi)], tmp=tmp, tool=tool)


def pdf_raster(pdf: bytes, *, dpi: int, tmp: Path, tool: str) -> Grey:
    """The first page of a PDF in grey, (height, width)."""
    return _rasterised(pdf, ["-r", str(dpi), "-f", "1", "-l", "1"], tmp=tmp, tool=tool)


def square_png(design: SquareDesign, *, dpi: float, tmp: Path) -> Path:
    """A PNG of a reference square as it is after cutting: its sides are the middles of the cutting lines.

    The page's boxes are moved to the cutting lines before it is rasterised, so that no pixel is resampled; the side is
    `side_mm * dpi / 25.4` rounded to whole pixels.
    """
    layout = page_layout("a4")
    cut = layout.square(design).cut_box
    side_px = str(round(design.side_mm * dpi / MM_PER_INCH))
    page = _cropped(reference_pdf(paper="a4", version="0.0.0"), cut, height_mm=layout.height_mm)
    path = tmp / f"{design.name}.png"
    cv2.imwrite(str(path), _rasterised(page, ["-scale-to-x", side_px, "-scale-to-y", side_px], tmp=tmp))
    return path


def _cropped(pdf: bytes, box: Box, *, height_mm: float) -> bytes:
    """The PDF's only page with all its boxes set to `box`."""
    writer = PdfWriter(clone_from=PdfReader(BytesIO(pdf)))
    low, high = height_mm - box.bottom_mm, height_mm - box.y_mm
    corners = [v * PT_PER_MM for v in (box.x_mm, low, box.right_mm, high)]
    for name in ("mediabox", "cropbox", "trimbox", "bleedbox", "artbox"):
        setattr(writer.pages[0], name, RectangleObject(corners))
    file = BytesIO()
    writer.write(file)
    return file.getvalue()


def _rasterised(pdf: bytes, options: list[str], *, tmp: Path, tool: str = "pdftocairo") -> Grey:
    source, target = tmp / "page.pdf", tmp / "page"
    source.write_bytes(pdf)
    subprocess.run(
        [tool, "-tiff", "-tiffcompression", "none", "-gray", "-singlefile", *options, str(source), str(target)],
        check=True,
    )
    pixels = cv2.imread(f"{target}.tif", cv2.IMREAD_GRAYSCALE)
    assert pixels is not None
    return np.asarray(pixels, np.uint8)
