"""Whole scenes drawn at random, by group: what is hard about a group, and nothing else, differs from `kind`."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import project
from calibration.rig.draws import (
    DARK_MATS,
    draw_camera,
    draw_card,
    draw_post,
    draw_print,
    hard_light,
    kind_light,
)
from calibration.rig.packing import design_named
from calibration.rig.scene import Camera, Card, Curl, Mat, Place, Scene, Square
from calibration.rig.truth import on_table

Floats = NDArray[np.float64]
Rng = np.random.Generator

GAP_MM = 5.0
"""Pieces are laid at least so far apart."""


def separation_mm(a: Floats, b: Floats) -> float:
    """Largest gap between two convex polygons along any of their sides' normals; negative where they overlap."""
    gap = -math.inf
    for polygon in (a, b):
        sides = np.roll(polygon, -1, 0) - polygon
        for side in sides:
            normal = np.array([side[1], -side[0]]) / np.linalg.norm(side)
            pa, pb = a @ normal, b @ normal
            gap = max(gap, float(pb.min() - pa.max()), float(pa.min() - pb.max()))
    return gap


def _half(corners: Floats) -> Floats:
    return np.asarray(np.abs(corners).max(0))


def find_place(
    rng: Rng, camera: Camera, corners: Floats, taken: list[Floats], *, steep: bool, margin_px: float, tries: int = 400
) -> Place | None:
    """A free place for a piece, whole inside the frame; None where none is found. `steep`: any turn, not near 0."""
    reach = 0.75 * max(camera.width, camera.height) * camera.centre_mm[2] / camera.focal_px
    for _ in range(tries):
        turn = float(rng.uniform(0, 360)) if steep else float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 6))
        place = Place(x_mm=float(rng.uniform(-reach, reach)), y_mm=float(rng.uniform(-reach, reach)), turn_deg=turn)
        world = on_table(place, corners)
        px = project(camera, np.column_stack([world, np.full(len(world), 0.3)]))
        if (px < margin_px).any() or (px > [camera.width - margin_px, camera.height - margin_px]).any():
            continue
        if all(separation_mm(world, other) >= GAP_MM for other in taken):
            return place
    return None


def lay_out(
    rng: Rng, camera: Camera, cards: list[Card], *, designs: tuple[str, ...], steep: bool = True
) -> tuple[tuple[Square, ...], tuple[Card, ...]]:
    """Squares first, then cards, the large ones first; a card for which no place is found stays away."""
    taken: list[Floats] = []
    squares, laid = [], []
    margin = 0.012 * max(camera.width, camera.height)
    for design in designs:
        corners = design_named(design).cut_corners_mm
        place = find_place(rng, camera, corners, taken, steep=steep, margin_px=4 * margin, tries=4000)
        if place is None:
            raise ValueError(f"no room for {design} in a photo of {camera.width} x {camera.height}")
        trim = tuple((float(x), float(y)) for x, y in rng.normal(0, 0.15, (4, 2)))
        squares.append(Square(design=design, place=place, trim_mm=trim))
        taken.append(on_table(place, corners))
    for card in sorted(cards, key=lambda c: -c.width_mm * c.height_mm):
        corners = np.array(card.outline.corners_mm)
        place = find_place(rng, camera, corners, taken, steep=steep, margin_px=margin)
        place = place or find_place(rng, camera, corners, taken, steep=False, margin_px=margin, tries=1500)
        if place is not None:
            laid.append(replace(card, place=place))
            taken.append(on_table(place, corners))
    return tuple(squares), tuple(laid)


def _kind(scene: Scene, rng: Rng) -> Scene:
    return scene


def _hard(scene: Scene, rng: Rng) -> Scene:
    light = hard_light(rng)
    post = draw_post(rng, light, focal_35mm=float(scene.post.focal_35mm_tag or 26))
    return replace(scene, light=light, post=replace(post, exposure=0.9 * post.exposure))


def _curl(scene: Scene, rng: Rng) -> Scene:
    def bent(card: Card) -> Card:
        rise = float(rng.uniform(0.2, 1.0) * rng.choice([1, 1, -1]))
        return replace(card, curl=Curl(rise_mm=rise, across=int(rng.integers(2))))

    return replace(scene, cards=tuple(bent(card) for card in scene.cards))


def _misprint(scene: Scene, rng: Rng) -> Scene:
    scale = float(rng.uniform(0.94, 0.985))
    made = replace(scene.print, scale_x=scale, scale_y=scale * (1 + float(rng.normal(0, 0.002))))
    return replace(scene, print=made)


def _noise(scene: Scene, rng: Rng) -> Scene:
    shot, read = float(rng.uniform(1e-3, 4e-3)), float(rng.uniform(5e-3, 1.5e-2))
    return replace(scene, post=replace(scene.post, shot=shot, read=read, grain_px=float(rng.uniform(0.4, 1.0))))


def _gloss(scene: Scene, rng: Rng) -> Scene:
    def shiny(card: Card) -> Card:
        return replace(card, gloss=float(rng.uniform(0.8, 1.5)), roughness=float(rng.uniform(0.2, 0.35)))

    return replace(scene, cards=tuple(shiny(card) for card in scene.cards))


def _tone(scene: Scene, rng: Rng) -> Scene:
    tone = str(rng.choice(["s-mild", "s-strong", "flat", "lifted"]))
    return replace(scene, post=replace(scene.post, tone=tone))


CHANGES: dict[str, Callable[[Scene, Rng], Scene]] = {
    "kind": _kind,
    "hard": _hard,
    "3mp": _kind,
    "tilt": _kind,
    "wide": _kind,
    "curl": _curl,
    "print-entered": _kind,
    "print-assumed": _kind,
    "misprint": _misprint,
    "noise": _noise,
    "gloss": _gloss,
    "tone": _tone,
}
"""All groups, and what each changes in a drawn scene."""


def random_scene(
    group: str,
    seed: int,
    *,
    width: int | None = None,
    height: int | None = None,
    px_per_mm: float | None = None,
    cards: int | None = None,
    focal_35mm: float | None = None,
    mat: str | None = None,
) -> Scene:
    """A scene of a group, the same for the same arguments. Raises KeyError for a group that is not in `CHANGES`.

    Priors: 1-12 cards, 9-13 px/mm at 4032 x 3024 (half of that at 3 MP), tilt 0-15 degrees (15-35 in `tilt`), true
    focal length 24-27 mm equivalent within 0.5 mm of its tag, print scale 1 +- 0.3 % an axis, card thickness
    0.30 +- 0.03 mm, k1 -0.08...0.06 (-0.2...0.1 and 14-18 mm in `wide`). Where there is no room, fewer cards lie.
    """
    change = CHANGES[group]
    rng = np.random.default_rng([seed, sum(ord(c) << (i % 16) for i, c in enumerate(group))])
    small = group == "3mp"
    width, height = width or (2016 if small else 4032), height or (1512 if small else 3024)
    focal = focal_35mm or float(rng.uniform(13.6, 18.4) if group == "wide" else rng.uniform(23.6, 27.4))
    density = px_per_mm or float(rng.uniform(9.3, 12.5)) * (0.5 if small else 1.0)
    tilt = float(rng.uniform(15, 35) if group == "tilt" else rng.uniform(0, 15))
    lens = (-0.2, 0.1) if group == "wide" else (-0.08, 0.06)
    camera = draw_camera(rng, width=width, height=height, px_per_mm=density, tilt_deg=tilt, focal_35mm=focal, k1=lens)
    drawn = [draw_card(rng) for _ in range(cards or int(rng.integers(1, 13)))]
    squares, laid = lay_out(rng, camera, drawn, designs=("square-80",), steep=len(drawn) <= 5)
    light = kind_light(rng)
    scene = Scene(
        camera=camera,
        light=light,
        mat=Mat(name=mat or str(rng.choice(DARK_MATS)), seed=int(rng.integers(1 << 30))),
        squares=squares,
        cards=laid,
        print=draw_print(rng),
        post=draw_post(rng, light, focal_35mm=focal, size=0.5 if small else 1.0),
    )
    return change(scene, rng)
