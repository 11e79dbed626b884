"""Scenes with odd components: thick tiles, rounds, hexagons, deep round corners, sheets up to A4 and Letter.

Four kinds take turns by seed: thick tokens of all shapes among thin cards; thick tiles only; thin pieces with deep
corners, discs and polygons among cards; one big sheet with a few cards. Plain mats, kind light.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.rig.draws import (
    DARK_MATS,
    border_contrast,
    contrasting,
    draw_camera,
    draw_card,
    draw_post,
    draw_print,
    kind_light,
)
from calibration.rig.groups import focused, fullness, gathering, lay_out
from calibration.rig.outlines import rectangle_outline, regular_outline
from calibration.rig.plans import enclosing_mm
from calibration.rig.scene import Card, Face, Mat, Outline, Place, Scene

Rng = np.random.Generator

KINDS = ("tokens", "tiles", "deep", "sheet")
PX_PER_MM = 9.0
SIZE_PX, SHEET_SIZE_PX = (2600, 1950), (3264, 2448)
SHEET_VIEW_MM = 500.0
"""What the long side of a photo with a sheet in it shows at least."""
THICKNESSES_MM = (2.0, 2.2, 2.5, 3.0)
U_THICKNESS_MM = 0.05
SHEETS_MM = ((210.0, 297.0), (215.9, 279.4), (148.0, 210.0), (180.0, 250.0))
CONTRAST = 0.5
TOKEN_FACES = ("full-bleed", "nearly-blank", "nearly-blank")
"""A frame drawn for a rectangle makes no sense on a disc."""


def odd_scene(
    seed: int, *, width: int | None = None, height: int | None = None, px_per_mm: float | None = None,
    kind: str | None = None,
) -> Scene:  # fmt: skip
    """A scene of the group `odd`, the same for the same arguments; `kind` is one of `KINDS`, else the seed's turn."""
    kind = kind or KINDS[seed % len(KINDS)]
    rng = np.random.default_rng([seed, 4711])
    default = SHEET_SIZE_PX if kind == "sheet" else SIZE_PX
    width, height = width or default[0], height or default[1]
    density = px_per_mm or PX_PER_MM * float(rng.uniform(0.95, 1.15))
    if kind == "sheet":
        density = min(density, width / SHEET_VIEW_MM)
    focal = float(rng.uniform(23.6, 27.4))
    camera = draw_camera(rng, width=width, height=height, px_per_mm=density, tilt_deg=float(rng.uniform(0, 15)),
                         focal_35mm=focal)  # fmt: skip
    drawn = _pieces(rng, kind)
    for share in (fullness(camera, drawn, designs=("square-80",)), 0.5, 1.0):
        around = gathering(rng, camera, full=1.0 if kind == "sheet" else share)
        squares, laid = lay_out(rng, camera, drawn, designs=("square-80",), around=around)
        if len(laid) == len(drawn):
            break
    light, cover = kind_light(rng), str(rng.choice(DARK_MATS))
    laid = tuple(_contrasting(card, cover, rng.spawn(1)[0]) for card in laid)
    return focused(
        Scene(
            camera=camera, light=light, mat=Mat(name=cover, seed=int(rng.integers(1 << 30))), squares=squares,
            cards=laid, print=draw_print(rng), post=draw_post(rng, light, focal_35mm=focal, size=0.7),
        )
    )  # fmt: skip


def _contrasting(card: Card, mat: str, rng: Rng) -> Card:
    """The card with a face that stands out; frames drawn for rectangles are for these only."""
    if card.shape == "rectangle":
        return contrasting(card, mat, rng, least=CONTRAST)
    for _ in range(30):
        if border_contrast(card, mat) >= CONTRAST:
            break
        card = replace(card, face=Face(style=str(rng.choice(TOKEN_FACES)), seed=int(rng.integers(1 << 30))))
    return card


def piece(rng: Rng, outline: Outline, *, shape: str, thickness_mm: float, size_class: str | None = None) -> Card:
    """A component of a plan: its size is that of the smallest rectangle around it."""
    width, height = sorted(enclosing_mm(outline))
    styles = TOKEN_FACES if shape != "rectangle" else ("full-bleed", "nearly-blank", "white-border", "black-border")
    core = float(rng.uniform(0.45, 0.75))
    return Card(
        outline=outline, place=Place(x_mm=0.0, y_mm=0.0), width_mm=width, height_mm=height,
        face=Face(style=str(rng.choice(styles)), seed=int(rng.integers(1 << 30))), thickness_mm=thickness_mm,
        rim_mm=float(rng.uniform(0.03, 0.08)), core=(core, core * 0.98, core * 0.95),
        gloss=float(rng.uniform(0.1, 0.4)), roughness=float(rng.uniform(0.35, 0.55)), shape=shape,
        size_class=size_class,
    )  # fmt: skip


def _pieces(rng: Rng, kind: str) -> list[Card]:
    cards = [draw_card(rng) for _ in range(int(rng.integers(1, 4)))]
    if kind == "sheet":
        w, h = SHEETS_MM[int(rng.integers(len(SHEETS_MM)))]
        w, h = w + float(rng.normal(0, 0.2)), h + float(rng.normal(0, 0.2))
        outline = rectangle_outline(w, h, radius_mm=float(rng.choice([0.0, 0.0, 3.0, 6.0])))
        sheet = piece(rng, outline, shape="rectangle", thickness_mm=float(rng.uniform(0.2, 0.4)))
        style = str(rng.choice(["white-border", "full-bleed"]))
        return [replace(sheet, face=replace(sheet.face, style=style)), *cards]
    if kind == "deep":
        return [*cards, *(_deep(rng) for _ in range(2)), _token(rng, 0.30), _token(rng, 0.30)]
    thickness = float(rng.choice(THICKNESSES_MM))
    tokens = [_token(rng, thickness) for _ in range(3)]
    if kind == "tokens":
        return cards + tokens
    return tokens + [_tile(rng, thickness) for _ in range(2)]


def _deep(rng: Rng) -> Card:
    w0, h0 = ((63.0, 88.0), (70.0, 70.0), (50.0, 75.0), (90.0, 120.0))[int(rng.integers(4))]
    w, h = sorted((w0 + float(rng.normal(0, 0.1)), h0 + float(rng.normal(0, 0.1))))
    radius = float(rng.choice([6.0, 8.0, 10.0, 12.0]))
    size_class = {63.0: "poker", 70.0: "square-70"}.get(w0)
    made = piece(rng, rectangle_outline(w, h, radius_mm=radius), shape="rectangle", thickness_mm=_about(rng, 0.30),
                 size_class=size_class)  # fmt: skip
    return replace(made, face=replace(made.face, style=str(rng.choice(["full-bleed", "nearly-blank"]))))


def _tile(rng: Rng, thickness: float) -> Card:
    w0, h0 = ((45.0, 45.0), (50.0, 75.0), (40.0, 60.0), (60.0, 60.0))[int(rng.integers(4))]
    w, h = sorted((w0 + float(rng.normal(0, 0.1)), h0 + float(rng.normal(0, 0.1))))
    outline = rectangle_outline(w, h, radius_mm=float(rng.choice([0.5, 1.0, 2.0, 3.0])))
    return piece(rng, outline, shape="rectangle", thickness_mm=_about(rng, thickness))


def _token(rng: Rng, thickness: float) -> Card:
    """A disc, a hexagon, an octagon, a triangle or a long hexagon."""
    size, radius = float(rng.uniform(26.0, 58.0)), float(rng.choice([0.0, 0.5, 1.0, 2.0]))
    drawn = rng.choice(["disc", "disc", "hexagon", "hexagon", "octagon", "triangle", "long"])
    thickness = _about(rng, thickness)
    if drawn == "disc":
        return piece(rng, regular_outline(1, size), shape="circle", thickness_mm=thickness)
    if drawn == "triangle":
        return piece(rng, regular_outline(3, size, radius_mm=max(radius, 0.5)), shape="polygon", thickness_mm=thickness)
    if drawn == "long":
        a, b = size / 2, size * 0.36
        corners = ((-0.55 * a, -b), (0.55 * a, -b), (a, 0.0), (0.55 * a, b), (-0.55 * a, b), (-a, 0.0))
        return piece(rng, Outline(corners_mm=corners, radius_mm=radius), shape="polygon", thickness_mm=thickness)
    sides = 6 if drawn == "hexagon" else 8
    return piece(rng, regular_outline(sides, size, radius_mm=radius), shape="polygon", thickness_mm=thickness)


def _about(rng: Rng, thickness: float) -> float:
    return thickness + float(rng.normal(0, 0.03 if thickness < 1.0 else U_THICKNESS_MM))
