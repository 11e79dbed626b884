"""What lies about beside cards on real tables: things wholly in the picture, and things that its edge cuts."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from calibration.rig.camera import project
from calibration.rig.decoy_scenes import THINGS, placed_parts, thing
from calibration.rig.draws import Rng
from calibration.rig.groups import Floats, is_free
from calibration.rig.outlines import rectangle_outline, regular_outline
from calibration.rig.packing import design_named
from calibration.rig.scene import Card, Outline, Scene, Shade
from calibration.rig.spoiling import on_plane
from calibration.rig.truth import on_table

MOST_PIECES = 60
"""Fewer than the 64 that a scene holds."""


def with_clutter(scene: Scene, rng: Rng) -> Scene:
    """The scene with three to seven things, of which some lie across the picture's edge."""
    taken = [on_table(c.place, np.array(c.outline.corners_mm)) for c in scene.cards]
    taken += [on_table(s.place, np.asarray(design_named(s.design).cut_corners_mm, np.float64)) for s in scene.squares]
    decoys: list[Card] = []
    for _ in range(int(rng.integers(3, 8))):
        across_edge = rng.uniform() < 0.45
        things = AT_THE_EDGE if across_edge else INSIDE
        parts = things[str(rng.choice(sorted(things)))](rng)
        if len(decoys) + len(parts) + len(scene.cards) + len(scene.squares) > MOST_PIECES:
            break
        placed = _over_the_edge(rng, scene, parts, taken) if across_edge else placed_parts(rng, scene, parts, taken)
        decoys += placed
        if placed:
            taken.append(_hull(placed))
    if rng.uniform() < 0.25:  # a glass beyond the picture's edge
        shade = Shade(kind="glass", depth=float(rng.uniform(0.3, 0.7)), seed=_seed(rng))
        scene = replace(scene, light=replace(scene.light, shades=(*scene.light.shades, shade)))
    return replace(scene, decoys=tuple(decoys))


def _hull(parts: list[Card]) -> Floats:
    """A box around all parts, (4, 2)."""
    corners = np.vstack([on_table(part.place, _plan(part)) for part in parts])
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _plan(part: Card) -> Floats:
    plan, r = np.array(part.outline.corners_mm), part.outline.radius_mm
    return plan if len(plan) >= 3 else plan[0] + r * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])


def _over_the_edge(rng: Rng, scene: Scene, parts: list[Card], taken: list[Floats]) -> list[Card]:
    """The parts, turned as one, laid so that the picture's edge runs through them; none where there is no room."""
    w, h = scene.camera.width, scene.camera.height
    for _ in range(40):
        s, side = float(rng.uniform(0.05, 0.95)), int(rng.integers(4))
        pixel = [(s * w, 0.0), (s * w, h - 1.0), (0.0, s * h), (w - 1.0, s * h)][side]
        x, y = on_plane(scene, np.array([pixel]))[0]
        turn = float(rng.uniform(0, 360))
        c, sn = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        moved = [
            replace(part, place=replace(part.place, x_mm=x + c * part.place.x_mm - sn * part.place.y_mm,
                                        y_mm=y + sn * part.place.x_mm + c * part.place.y_mm,
                                        turn_deg=part.place.turn_deg + turn))
            for part in parts
        ]  # fmt: skip
        if all(is_free(on_table(part.place, _plan(part)), taken) for part in moved) and _is_cut(scene, moved):
            return moved
    return []


def _is_cut(scene: Scene, parts: list[Card]) -> bool:
    """Whether some corner of the parts lies well outside the picture."""
    corners = np.vstack([on_table(part.place, _plan(part)) for part in parts])
    px = project(scene.camera, np.column_stack([corners, np.zeros(len(corners))]))
    outside = (px < -10) | (px > [scene.camera.width + 9, scene.camera.height + 9])
    return bool(outside.any())


def _seed(rng: Rng) -> int:
    return int(rng.integers(1 << 30))


def _ruler(rng: Rng) -> list[Card]:
    wide, core = float(rng.uniform(22, 38)), (0.6, 0.55, 0.4)
    return [thing(rectangle_outline(wide, float(rng.uniform(160, 310)), radius_mm=1.0), "ruler", high=1.6, core=core,
                  gloss=0.8, seed=_seed(rng))]  # fmt: skip


def _phone(rng: Rng) -> list[Card]:
    outline = rectangle_outline(float(rng.uniform(66, 78)), float(rng.uniform(140, 165)), radius_mm=9.0)
    return [thing(outline, "dark-glass", high=8.0, core=(0.05, 0.05, 0.055), gloss=1.2, seed=_seed(rng))]


def _box(rng: Rng) -> list[Card]:
    """A lid's corner: thick board with a printed top."""
    outline = rectangle_outline(float(rng.uniform(90, 200)), float(rng.uniform(120, 220)), radius_mm=1.0)
    return [thing(outline, "full-bleed", high=float(rng.uniform(12, 40)), core=(0.3, 0.25, 0.2), seed=_seed(rng))]


def _print_cut_by_the_edge(rng: Rng) -> list[Card]:
    outline = rectangle_outline(float(rng.uniform(90, 210)), float(rng.uniform(130, 297)))
    return [thing(outline, str(rng.choice(["receipt", "rules-only"])), high=0.1, core=(0.8, 0.8, 0.8), gloss=0.1,
                  seed=_seed(rng))]  # fmt: skip


def _mug(rng: Rng) -> list[Card]:
    """A mug's rim, seen from above, with what is in it."""
    wide, core = float(rng.uniform(75, 95)), (0.55, 0.5, 0.48)
    return [
        thing(regular_outline(1, wide), "nearly-blank", high=11.0, core=core, gloss=1.0, seed=_seed(rng)),
        thing(regular_outline(1, wide - 9), "dark-glass", high=0.1, base=11.0, core=(0.05, 0.03, 0.02), gloss=1.2),
    ]


def _hand(rng: Rng) -> list[Card]:
    """Two or three fingers that hold something down beside the picture."""
    out, seed = [], _seed(rng)
    for k in range(int(rng.integers(2, 4))):
        finger = _bar(float(rng.uniform(70, 100)), 16.0)
        out.append(thing(finger, "skin", at=(18.0 * k, float(rng.normal(0, 8))), turn=float(rng.normal(0, 6)),
                         high=11.0, core=(0.5, 0.3, 0.22), gloss=0.2, seed=seed))  # fmt: skip
    return out


def _bar(length: float, width: float) -> Outline:
    return rectangle_outline(width, length, radius_mm=0.49 * width)


def _scrap(rng: Rng) -> list[Card]:
    """A torn corner of paper with writing."""
    turns = np.sort(rng.uniform(0, 2 * np.pi, 5)) + np.array([0, 0.1, 0.2, 0.3, 0.4])
    spokes = rng.uniform(18, 42, 5)
    corners = _convex(np.column_stack([spokes * np.cos(turns), spokes * np.sin(turns)]))
    outline = Outline(corners_mm=tuple((float(x), float(y)) for x, y in corners))
    return [thing(outline, "receipt", high=0.1, core=(0.8, 0.8, 0.78), gloss=0.1, seed=_seed(rng))]


def _convex(points: Floats) -> Floats:
    import cv2

    return np.asarray(cv2.convexHull(points.astype(np.float32), clockwise=True)[:, 0], np.float64)


def _tokens(rng: Rng) -> list[Card]:
    """Wooden cubes, discs and long pieces in a heap's sprinkle."""
    out, colour = [], tuple(float(v) for v in rng.uniform(0.05, 0.6, 3))
    for _ in range(int(rng.integers(3, 8))):
        at, side = (float(rng.normal(0, 22)), float(rng.normal(0, 22))), float(rng.uniform(7, 11))
        plan = regular_outline(1, side * 1.6) if rng.uniform() < 0.4 else rectangle_outline(side, side, radius_mm=0.4)
        out.append(thing(plan, "black-rubber", at=at, turn=float(rng.uniform(0, 90)), high=float(rng.uniform(5, 9)),
                         core=(colour[0], colour[1], colour[2]), gloss=0.5, seed=_seed(rng)))  # fmt: skip
    return out


INSIDE: dict[str, Callable[[Rng], list[Card]]] = {**THINGS, "scrap": _scrap, "tokens": _tokens}
"""Things that lie wholly in the picture; none is a flat rectangle, which would be a piece to be measured."""
AT_THE_EDGE: dict[str, Callable[[Rng], list[Card]]] = {
    "ruler": _ruler, "phone": _phone, "box": _box, "print": _print_cut_by_the_edge, "mug": _mug, "hand": _hand,
    "cable": THINGS["cable"], "pen": THINGS["pen"],
}  # fmt: skip
"""Things that the picture's edge cuts."""
