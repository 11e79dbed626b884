"""The sample photos that are edited, with their truth and the readings of their prints."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

from cardmeasure.reference.print_profile import ASSUMED, PrintProfile, read_print_profile

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

NAMES = (
    "kitchen_printer/kitchen_table.jpg",
    "kitchen_printer/evening_mat.heic",
    "office_printer/desk_mat.jpg",
    "office_printer/held_upright.jpg",
    "office_printer/from_the_chair.jpg",
    "office_printer/window_light.jpg",
    "any_table/edge_to_edge.jpg",
    "any_table/things_lying_about.jpg",
    "any_table/wooden_table.jpg",
    "no_readings/bank_card.jpg",
    "demo_box/photos/cargo.jpg",
    "demo_box/photos/charts.jpg",
    "demo_box/photos/crew.jpg",
    "demo_box/photos/omens.jpg",
    "demo_box/photos/tides.jpg",
    "measuring_sheet/white_desk.jpg",
)
"""Photos of rectangles, on tables with a square and on a sheet, below the folder of samples."""
EXIF_IFD, FOCAL_MM, FOCAL_35MM, ORIENTATION = 0x8769, 0x920A, 0xA405, 0x0112


@dataclass(frozen=True, kw_only=True, eq=False)
class Sample:
    """An upright photo (h, w, 3), red first, its EXIF data, its truth, and what is known of its print.

    `readings` : the file of the print's readings; None where nothing was read.
    """

    name: str
    pixels: Bytes
    exif: Image.Exif
    truth: dict[str, Any]
    readings: Path | None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return int(self.pixels.shape[1]), int(self.pixels.shape[0])

    @property
    def on_sheet(self) -> bool:
        """Whether the cards lie on a measuring sheet."""
        return str(self.truth["reference"]["design"]).startswith("sheet")

    @property
    def print_profile(self) -> PrintProfile:
        """What the readings make of the print."""
        return ASSUMED if self.readings is None else read_print_profile(self.readings)

    @property
    def square_px(self) -> Floats:
        """Cut corners (s, 4, 2) of all squares, or of the sheet."""
        return np.array([one["corners_px"] for one in self.truth["reference"]["squares"]], np.float64)

    @property
    def cards_px(self) -> Floats:
        """Corners (c, 4, 2) of all pieces."""
        return np.array([card["corners_px"] for card in self.truth["cards"]], np.float64)

    @property
    def intrinsic(self) -> Floats:
        """The camera's matrix (3, 3)."""
        camera = self.truth["camera"]
        (x, y), focal = camera["principal_px"], camera["focal_px"]
        return np.array([[focal, 0.0, x], [0.0, focal, y], [0.0, 0.0, 1.0]])


def read_sample(folder: Path, name: str) -> Sample:
    """A sample and what stands beside it."""
    if name.endswith(".heic"):
        import pillow_heif

        pillow_heif.register_heif_opener()
    path = folder / name
    with Image.open(path) as stored:
        exif = stored.getexif()
        upright = ImageOps.exif_transpose(stored).convert("RGB")
    exif[ORIENTATION] = 1
    readings = path.parent / "print.toml"
    return Sample(
        name=name,
        pixels=np.asarray(upright, np.uint8),
        exif=exif,
        truth=json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8")),
        readings=readings if readings.exists() else None,
    )
