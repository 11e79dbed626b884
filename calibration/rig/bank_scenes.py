"""Tables with a bank card among the cards, photographed with a print that is off by more than usual."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.rig.draws import (
    DARK_MATS,
    bank_card,
    border_contrast,
    contrasting,
    draw_camera,
    draw_card,
    draw_post,
    draw_print,
    kind_light,
)
from calibration.rig.groups import focused, fullness, gathering, lay_out
from calibration.rig.outlines import rectangle_outline
from calibration.rig.scene import Camera, Card, Face, Mat, Scene, Square

Rng = np.random.Generator

WIDTH_PX, HEIGHT_PX, PX_PER_MM = 2600, 1950, 9.0
MOST_CARDS = 6
"""Besides the bank card."""
TYPICAL_ERROR, U_TYPICAL, U_AXES = 0.007, 0.0015, 0.0015
"""How far a print of this group is off, up or down, how much that scatters, and each axis on top of it."""
LEAST_CONTRAST = 0.5
LIMITS_MM = ((53.92, 54.03), (85.47, 85.72))
"""Of an unused card of size ID-1: ISO/IEC 7810; thickness 0.76 +- 0.08 mm, radius of corners 3.18 +- 0.30 mm."""


def bank_scene(
    seed: int, *, width: int | None = None, height: int | None = None, px_per_mm: float | None = None,
    cards: int | None = None, mat: str | None = None,
) -> Scene:  # fmt: skip
    """A scene with one bank card and 1 to 6 other cards in kind light; the print is off by some 0.7 %."""
    rng = np.random.default_rng([seed, 81])
    width, height, focal = width or WIDTH_PX, height or HEIGHT_PX, float(rng.uniform(23.6, 27.4))
    density, tilt = px_per_mm or PX_PER_MM, float(rng.uniform(0, 15))
    camera = draw_camera(rng, width=width, height=height, px_per_mm=density, tilt_deg=tilt, focal_35mm=focal)
    cover, light = mat or str(rng.choice(DARK_MATS)), kind_light(rng)
    drawn = [_within_limits(rng)] + [draw_card(rng) for _ in range(cards or int(rng.integers(1, MOST_CARDS + 1)))]
    squares, laid = _laid_out(rng, camera, drawn)
    scene = Scene(
        camera=camera,
        light=light,
        mat=Mat(name=cover, seed=int(rng.integers(1 << 30))),
        squares=squares,
        cards=tuple(_seen_on(card, cover, rng.spawn(1)[0]) for card in laid),
        print=draw_print(rng),
        post=draw_post(rng, light, focal_35mm=focal, size=width / 4032),
    )
    x, y = _scales(rng)
    return focused(replace(scene, print=replace(scene.print, scale_x=x, scale_y=y)))


def _within_limits(rng: Rng) -> Card:
    """A bank card anywhere within the limits of the standard, in size and thickness."""
    card, (w, h) = bank_card(rng), (float(rng.uniform(*limits)) for limits in LIMITS_MM)
    outline = rectangle_outline(w, h, radius_mm=float(rng.uniform(2.88, 3.48)))
    thickness = float(rng.uniform(0.68, 0.84))
    return replace(card, outline=outline, width_mm=w, height_mm=h, thickness_mm=thickness)


def _laid_out(rng: Rng, camera: Camera, drawn: list[Card]) -> tuple[tuple[Square, ...], tuple[Card, ...]]:
    """Squares and cards in their places, closer together until all have room; the last drawn stay away before others,
    for the bank card is the first."""
    designs = ("square-80",)
    full = fullness(camera, drawn, designs=designs)
    for share in (full, max(full, 0.5), 1.0):
        squares, laid = lay_out(rng, camera, drawn, designs=designs, around=gathering(rng, camera, full=share))
        if len(laid) == len(drawn):
            return squares, laid
    return _laid_out(rng, camera, drawn[:-1])


def _scales(rng: Rng) -> tuple[float, float]:
    both = 1 + float(rng.choice([-1.0, 1.0]) * rng.normal(TYPICAL_ERROR, U_TYPICAL))
    x, y = both + rng.normal(0, U_AXES, 2)
    return float(x), float(y)


def _seen_on(card: Card, mat: str, rng: Rng) -> Card:
    """The card with a face whose border differs from the mat; a bank card keeps its kind of face."""
    if card.size_class != "id-1":
        return contrasting(card, mat, rng, least=LEAST_CONTRAST)
    for _ in range(30):
        if border_contrast(card, mat) >= LEAST_CONTRAST:
            break
        card = replace(card, face=Face(style="bank", seed=int(rng.integers(1 << 30))))
    return card
