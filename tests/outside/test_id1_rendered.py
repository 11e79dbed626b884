"""An ID-1 card (ISO/IEC 7810: 85.60 x 53.98 mm, 0.76 mm thick, corners of 3.18 mm) in the rig: rendered, not real.

The rig's square is not drawn from the printed page but computed where a ray meets it. The first test closes that gap:
the rig's artwork and the page's own raster are the same picture. The second then measures the card.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.rig import Scene, truth, write_shot
from calibration.rig.camera import focal_px_of, pose_above
from calibration.rig.compiled import compiled_apart
from calibration.rig.outlines import rectangle_outline
from calibration.rig.printed import design_names, ink_distance, printed_designs
from calibration.rig.scene import Camera, Card, Face, Lamp, Light, Mat, Place, Post, Print, Square
from cardmeasure.pipeline import measure_photo
from cardmeasure.reference.design import DESIGNS, SquareDesign
from cardmeasure.reference.print_profile import PrintProfile
from cardmeasure.settings import Settings
from tests.rasters import square_png

Floats = NDArray[np.float64]

WIDTH_MM, HEIGHT_MM, THICKNESS_MM, RADIUS_MM = 53.98, 85.60, 0.76, 3.18
"""Nominal values of ISO/IEC 7810; its tolerance of the thickness is 0.08 mm."""
U_THICKNESS_MM = 0.08 / np.sqrt(3)
SCALE = (1.0021, 0.9986)
U_SCALE = 4e-4
PX_PER_MM = 8.5
WIDTH_PX, HEIGHT_PX = 1632, 1224
DPI = 233
"""Chosen so that edges do not fall on pixel borders."""
SUBPIXELS = 9


@compiled_apart
def cover_with_ink(design: Any, out: Floats, step_mm: float, parts: int) -> None:
    """Fills `out` with the share of each pixel that is ink; its middle is the design's origin."""
    rows, columns = out.shape
    for i in range(rows):
        for j in range(columns):
            black = 0
            for a in range(parts):
                for b in range(parts):
                    x = (j + (a + 0.5) / parts - columns / 2) * step_mm
                    y = (i + (b + 0.5) / parts - rows / 2) * step_mm
                    if ink_distance(design, x, y) < 0:
                        black += 1
            out[i, j] = black / (parts * parts)


@pytest.mark.parametrize("design", DESIGNS.values(), ids=lambda design: design.name)
def test_the_artwork_of_the_rig_is_the_raster_of_the_printed_page(design: SquareDesign, tmp_path: Path) -> None:
    png = cv2.imread(str(square_png(design, dpi=DPI, tmp=tmp_path)), cv2.IMREAD_GRAYSCALE)
    assert png is not None
    page = 1 - np.asarray(png, float) / 255
    rig = np.zeros(page.shape)
    perfect = Print(scale_x=1.0, scale_y=1.0, spread_mm=0.0)
    record = printed_designs(perfect)[design_names().index(design.name)]
    cover_with_ink(record, rig, design.side_mm / page.shape[1], SUBPIXELS)
    # fine lines are drawn in other widths and shades of the pen; all else must agree but for antialiasing
    difference = np.abs(page - rig)
    inner = round((design.side_mm - design.check_mm) / 2 * DPI / 25.4) - 2
    check = difference[inner:-inner, inner:-inner]
    assert 0.2 < rig.mean() < 0.5
    assert check.mean() < 0.004
    assert check.max() < 0.15
    assert difference.mean() < 0.01


def rendered_scene() -> Scene:
    """A phone photo of 2 MP: the 80 mm square and the card on a dark mat, from 8 degrees off the vertical."""
    focal = focal_px_of(26.0, width=WIDTH_PX, height=HEIGHT_PX)
    rotation, centre = pose_above(
        target_mm=(2.0, -1.0), distance_mm=focal / PX_PER_MM, tilt_deg=8, azimuth_deg=200, roll_deg=3
    )
    middle = ((WIDTH_PX - 1) / 2 + 3.0, (HEIGHT_PX - 1) / 2 - 2.0)
    return Scene(
        camera=Camera(
            width=WIDTH_PX, height=HEIGHT_PX, focal_px=focal, principal_px=middle, rotation=rotation, centre_mm=centre,
            k1=0.03, k2=-0.02,
        ),
        light=Light(lamps=(Lamp(centre_mm=(-500.0, 700.0, 1300.0), size_mm=(400.0, 400.0), strength=0.6),)),
        mat=Mat(name="dark-felt", seed=5),
        squares=(Square(design="square-80", place=Place(x_mm=-38.0, y_mm=3.0, turn_deg=6.0)),),
        cards=(
            Card(
                outline=rectangle_outline(WIDTH_MM, HEIGHT_MM, radius_mm=RADIUS_MM),
                place=Place(x_mm=44.0, y_mm=-4.0, turn_deg=-7.0), width_mm=WIDTH_MM, height_mm=HEIGHT_MM,
                face=Face(style="bank", seed=3), thickness_mm=THICKNESS_MM, size_class="id-1",
            ),
        ),
        print=Print(scale_x=SCALE[0], scale_y=SCALE[1]),
        post=Post(exposure=0.9),
    )  # fmt: skip


def test_a_rendered_id1_card_is_measured_within_three_standard_uncertainties(tmp_path: Path) -> None:
    """Rendered, not real: size within 3 u, class id-1, corners within half a pixel of the truth."""
    scene, path = rendered_scene(), tmp_path / "id1.jpg"
    known = truth(scene)["cards"][0]
    assert known["expect"] == "measured"
    write_shot(scene, path, seed=11)
    profile = PrintProfile(
        scale_x=SCALE[0], scale_y=SCALE[1], u_scale_x=U_SCALE, u_scale_y=U_SCALE, correlation=0.0, source="entered"
    )
    settings = Settings(thickness_mm=THICKNESS_MM, u_thickness_mm=float(U_THICKNESS_MM), print_profile=profile)
    result = measure_photo(path, settings=settings)
    assert result.trouble is None and len(result.cards) == 1
    card = result.cards[0]
    assert card.width_mm and card.height_mm and card.u_width_mm and card.u_height_mm
    assert max(card.u_width_mm, card.u_height_mm) < 0.1
    assert abs(card.width_mm - WIDTH_MM) < 3 * card.u_width_mm
    assert abs(card.height_mm - HEIGHT_MM) < 3 * card.u_height_mm
    assert card.match is not None and card.match.size_class == "id-1"
    assert np.abs(np.array(card.corners_px) - np.array(known["corners_px"])).max() < 0.5
