"""Shots on tables that are not plain: wood, printed cloth, a white desk, a polished dark top, a printed game board."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.rig.draws import Rng, draw_camera, draw_card, draw_post, draw_print, kind_light, lamp_at
from calibration.rig.groups import focused, fullness, gathering, lay_out
from calibration.rig.scene import Card, Face, Lamp, Light, Mat, Phone, Scene
from calibration.rig.table_covers import TABLES

WIDTH_PX, HEIGHT_PX, PX_PER_MM = 2600, 1950, 9.0
"""What shots of these groups are taken with, unless told otherwise."""
POLISH = {"polished-dark": 1.0, "white-desk": 0.35, "wood-grain": 0.25}
"""How much the tables mirror."""
PALE_BORDERS = ("white-border", "nearly-blank", "frame-line", "white-border", "coloured-border", "full-bleed")
"""What lies on the white desk."""


def uneven_light(rng: Rng) -> Light:
    """A desk lamp near by: the table's far side gets a fraction of what its near side gets."""
    lamp = lamp_at(
        azimuth_deg=float(rng.uniform(0, 360)), elevation_deg=float(rng.uniform(38, 60)),
        distance_mm=float(rng.uniform(430, 620)), size_mm=float(rng.uniform(80, 180)),
        strength=float(rng.uniform(0.6, 0.9)), rgb=(1.10, 1.0, 0.84),
    )  # fmt: skip
    dome = float(rng.uniform(0.18, 0.32))
    return Light(lamps=(lamp,), ambient=(dome * 0.97, dome, dome * 1.05), side=0.5, phone=Phone())


def phone_shadow_light(rng: Rng) -> Light:
    """A ceiling lamp behind the phone, whose shadow falls across the table, and a window's light from all around."""
    lamp: Lamp = lamp_at(
        azimuth_deg=float(rng.uniform(0, 360)), elevation_deg=float(rng.uniform(66, 82)),
        distance_mm=float(rng.uniform(1300, 1900)), size_mm=float(rng.uniform(60, 220)),
        strength=float(rng.uniform(0.45, 0.7)), rgb=(1.05, 1.0, 0.90),
    )  # fmt: skip
    dome = float(rng.uniform(0.30, 0.45))
    return Light(lamps=(lamp,), ambient=(dome * 0.97, dome, dome * 1.05), side=0.4, side_deg=float(rng.uniform(0, 360)),
                 phone=Phone())  # fmt: skip


LIGHTS = (kind_light, kind_light, uneven_light, phone_shadow_light)


def table_scene(
    seed: int, *, width: int | None = None, height: int | None = None, px_per_mm: float | None = None,
    cards: int | None = None, table: str | None = None,
) -> Scene:  # fmt: skip
    """Cards on a hard table, the five in turn; as in other groups for the rest, but smaller pictures."""
    rng = np.random.default_rng([seed, 7301])
    table = table or tuple(TABLES)[seed % len(TABLES)]
    drawn = [_card_for(table, rng) for _ in range(cards or int(rng.integers(2, 6)))]
    scene = laid_scene(
        rng, drawn, LIGHTS[int(rng.integers(len(LIGHTS)))](rng), width=width, height=height, px_per_mm=px_per_mm
    )
    mat = Mat(name=table, seed=int(rng.integers(1 << 30)), polish=POLISH.get(table, 0.0))
    return focused(replace(scene, mat=mat))


def laid_scene(
    rng: Rng, drawn: list[Card], light: Light, *, width: int | None, height: int | None, px_per_mm: float | None,
    least_full: float = 0.0,
) -> Scene:  # fmt: skip
    """A scene with these cards laid apart on a plain mat, as the group `kind` lays them.

    least_full: what is to be laid still fills so much of the photo that room must be left.
    """
    width, height, density = width or WIDTH_PX, height or HEIGHT_PX, px_per_mm or PX_PER_MM
    focal = float(rng.uniform(23.6, 27.4))
    camera = draw_camera(
        rng, width=width, height=height, px_per_mm=density, tilt_deg=float(rng.uniform(0, 14)), focal_35mm=focal
    )
    designs = ("square-80",)
    full = max(least_full, fullness(camera, drawn, designs=designs))
    for share in (full, max(full, 0.5), 1.0):
        squares, laid = lay_out(rng, camera, drawn, designs=designs, around=gathering(rng, camera, full=share))
        if len(laid) == len(drawn):
            break
    size = min(1.0, (width * height / 12.2e6) ** 0.5 * 1.25)
    return Scene(
        camera=camera, light=light, mat=Mat(name="grey-neoprene"), squares=squares, cards=laid, print=draw_print(rng),
        post=draw_post(rng, light, focal_35mm=focal, size=size),
    )  # fmt: skip


def _card_for(table: str, rng: Rng) -> Card:
    card = draw_card(rng)
    if table == "white-desk":
        style = PALE_BORDERS[int(rng.integers(len(PALE_BORDERS)))]
        card = replace(card, face=Face(style=style, seed=card.face.seed))
    return card
