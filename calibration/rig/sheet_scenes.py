"""Scenes with a measuring sheet: cards with any borders on it, around it a table that contrasts with nothing or all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import project
from calibration.rig.draws import draw_camera, draw_card, draw_post, draw_print, kind_light
from calibration.rig.groups import focused, is_free
from calibration.rig.scene import Bow, Camera, Card, Mat, Place, Scene, Square
from calibration.rig.truth import on_table
from cardmeasure.reference.sheet import HOLE_MM, SHEETS, SheetDesign

Floats = NDArray[np.float64]
Rng = np.random.Generator

SHEET_MATS = ("dark-felt", "grey-neoprene", "brown-linen", "pale-linen", "even")
"""What lies under the sheet: it may look like anything."""
SIZE, PX_PER_MM = (2600, 1950), 9.0
"""A picture of about 5 MP that holds most of the page."""
FRAME_PX = 12
TRIES = 2500
INSIDE_MM = 4.0
"""Cards lie so far inside the check."""


def sheet_scene(
    seed: int, *, width: int | None = None, height: int | None = None, px_per_mm: float | None = None,
    cards: int | None = None, paper: str | None = None,
) -> Scene:  # fmt: skip
    """A sheet on a table, 1-8 cards on it, kind light, the paper bowed by 0.2-2 mm; the same for the same arguments.

    At least one fiducial is whole in the picture.
    """
    rng = np.random.default_rng([seed, 5318])
    design = SHEETS[paper or str(rng.choice(sorted(SHEETS)))]
    width, height = width or SIZE[0], height or SIZE[1]
    focal = float(rng.uniform(23.6, 27.4))
    turn = float(rng.choice([90.0, 270.0]) if width > height else rng.choice([0.0, 180.0])) + float(rng.normal(0, 3))
    camera = _camera(rng, design, turn, width=width, height=height, px_per_mm=px_per_mm or PX_PER_MM, focal_35mm=focal)
    light = kind_light(rng)
    sheet = Square(design=design.name, place=Place(x_mm=0.0, y_mm=0.0, turn_deg=turn))
    made = replace(draw_print(rng), light=float(rng.uniform(0.48, 0.6)), dark=float(rng.uniform(0.2, 0.28)))
    drawn = [draw_card(rng) for _ in range(cards or int(rng.integers(1, 9)))]
    return focused(
        Scene(
            camera=camera,
            light=light,
            mat=Mat(name=str(rng.choice(SHEET_MATS)), seed=int(rng.integers(1 << 30))),
            squares=(sheet,),
            cards=_laid(rng, design, turn, drawn, camera=camera, base_mm=made.paper_mm),
            print=made,
            post=draw_post(rng, light, focal_35mm=focal, size=0.8),
            bow=Bow(
                height_mm=float(np.exp(rng.uniform(np.log(0.2), np.log(2.0)))),
                length_mm=float(rng.uniform(250, 500)),
                azimuth_deg=float(rng.uniform(0, 180)),
                phase_deg=float(rng.uniform(0, 360)),
            ),
        )
    )


def _camera(
    rng: Rng, design: SheetDesign, turn_deg: float, *, width: int, height: int, px_per_mm: float, focal_35mm: float
) -> Camera:
    """A camera above the sheet's middle, or as far to the side as it takes to see one whole fiducial."""
    tilt = float(rng.uniform(0, 15))
    camera = draw_camera(rng, width=width, height=height, px_per_mm=px_per_mm, tilt_deg=tilt, focal_35mm=focal_35mm)
    page, spin = Place(x_mm=0.0, y_mm=0.0, turn_deg=turn_deg), rng.spawn(1)[0]
    holes = [on_table(page, np.asarray(middle + _square(), np.float64)) for middle in design.hole_centres_mm]
    for turn in range(400):
        x, y = spin.uniform(-1, 1, 2) * 0.5 * turn
        cx, cy, cz = camera.centre_mm
        moved = replace(camera, centre_mm=(cx + float(x), cy + float(y), cz))
        if any(_is_seen(moved, hole) for hole in holes):
            return moved
    raise ValueError(f"no fiducial of {design.name} fits into a photo of {width} x {height} at {px_per_mm} px/mm")


def _square() -> Floats:
    half = HOLE_MM / 2
    return np.array([[-half, -half], [half, -half], [half, half], [-half, half]])


def _is_seen(camera: Camera, world: Floats) -> bool:
    px = project(camera, np.column_stack([world, np.zeros(len(world))]))
    return bool(((px > FRAME_PX) & (px < np.array([camera.width, camera.height]) - FRAME_PX)).all())


def _laid(
    rng: Rng, design: SheetDesign, turn_deg: float, cards: list[Card], *, camera: Camera, base_mm: float
) -> tuple[Card, ...]:
    """Cards on the check, whole, off the fiducials, none touching; one that finds no place in sight stays away."""
    x0, y0, x1, y1 = design.area_mm
    sheet = Place(x_mm=0.0, y_mm=0.0, turn_deg=turn_deg)
    taken = [on_table(sheet, np.asarray(middle + _square(), np.float64)) for middle in design.hole_centres_mm]
    laid = []
    steep = len(cards) < 4
    for card in sorted(cards, key=lambda c: -c.width_mm * c.height_mm):
        for _ in range(TRIES):
            spot = rng.uniform([x0, y0], [x1, y1])
            turn = float(rng.uniform(0, 360)) if steep else float(rng.choice([0.0, 90.0]) + rng.normal(0, 4))
            own = on_table(Place(x_mm=0.0, y_mm=0.0, turn_deg=turn), np.array(card.outline.corners_mm, np.float64))
            on_page = own * [1, -1] + spot
            inside = (on_page > np.array([x0, y0]) + INSIDE_MM) & (on_page < np.array([x1, y1]) - INSIDE_MM)
            if not inside.all():
                continue
            middle = on_table(sheet, spot[None])[0]
            place = Place(
                x_mm=float(middle[0]), y_mm=float(middle[1]), turn_deg=(turn + turn_deg) % 360, base_mm=base_mm
            )
            world = on_table(place, np.array(card.outline.corners_mm, np.float64))
            if _is_seen(camera, world) and is_free(world, taken):
                laid.append(replace(card, place=place))
                taken.append(world)
                break
    return tuple(laid)
