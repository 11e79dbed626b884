"""Cards with what lies about on any table: a pen, a die, coins, a cable, keys, a finger, a receipt."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from calibration.rig.draws import DARK_MATS, Rng, contrasting, draw_card, kind_light
from calibration.rig.groups import Floats, find_place, focused
from calibration.rig.outlines import rectangle_outline, regular_outline
from calibration.rig.packing import design_named
from calibration.rig.scene import Card, Face, Mat, Outline, Place, Rgb, Scene
from calibration.rig.table_scenes import LIGHTS, POLISH, laid_scene
from calibration.rig.truth import on_table

LEAST_ROOM_MM = 5.0


def decoy_scene(
    seed: int, *, width: int | None = None, height: int | None = None, px_per_mm: float | None = None
) -> Scene:
    """One to three cards and three to five things that are none, on a plain mat; every fourth scene on wood."""
    rng = np.random.default_rng([seed, 7303])
    table = "wood-grain" if seed % 4 == 3 else str(rng.choice(DARK_MATS))
    drawn = [draw_card(rng) for _ in range(int(rng.integers(1, 4)))]
    if table in DARK_MATS:
        drawn = [contrasting(card, table, rng, least=0.5) for card in drawn]
    light = LIGHTS[int(rng.integers(len(LIGHTS)))](rng) if table == "wood-grain" else kind_light(rng)
    scene = laid_scene(rng, drawn, light, width=width, height=height, px_per_mm=px_per_mm)
    names = rng.permutation(list(THINGS))[: int(rng.integers(3, 6))]
    taken = [on_table(c.place, np.array(c.outline.corners_mm)) for c in scene.cards]
    taken += [on_table(s.place, np.asarray(design_named(s.design).cut_corners_mm, np.float64)) for s in scene.squares]
    decoys: list[Card] = []
    for name in names:
        parts = THINGS[str(name)](rng)
        placed = placed_parts(rng, scene, parts, taken)
        if placed:
            decoys += placed
            taken.append(_box(placed))
    mat = Mat(name=table, seed=int(rng.integers(1 << 30)), polish=POLISH.get(table, 0.0))
    return focused(replace(scene, decoys=tuple(decoys), mat=mat))


def thing(
    outline: Outline, style: str, *, at: tuple[float, float] = (0.0, 0.0), turn: float = 0.0, high: float,
    base: float = 0.0, core: Rgb = (0.3, 0.3, 0.3), gloss: float = 0.6, seed: int = 0,
) -> Card:  # fmt: skip
    """A slab that is no card."""
    return Card(
        outline=outline, place=Place(x_mm=at[0], y_mm=at[1], turn_deg=turn, base_mm=base), width_mm=1.0, height_mm=1.0,
        face=Face(style=style, seed=seed), thickness_mm=high, rim_mm=min(0.6, high / 4), core=core, gloss=gloss,
        shape="decoy",
    )  # fmt: skip


def _bar(length: float, width: float) -> Outline:
    return rectangle_outline(width, length, radius_mm=0.49 * width)


def _seed(rng: Rng) -> int:
    return int(rng.integers(1 << 30))


def _pen(rng: Rng) -> list[Card]:
    wide = float(rng.uniform(8, 11))
    core: Rgb = tuple(float(v) for v in rng.uniform(0.02, 0.5, 3))  # type: ignore[assignment]
    return [
        thing(_bar(float(rng.uniform(120, 142)), wide), "barrel", high=wide, core=core, seed=_seed(rng)),
        thing(_bar(38.0, 2.0), "metal", at=(0.0, 44.0), high=1.5, base=wide, core=(0.5, 0.5, 0.5), seed=_seed(rng)),
    ]


def _die(rng: Rng) -> list[Card]:
    side = float(rng.uniform(12, 18))
    return [
        thing(rectangle_outline(side, side, radius_mm=1.5), "pips", high=side, core=(0.7, 0.68, 0.62), seed=_seed(rng))
    ]


def _coins(rng: Rng) -> list[Card]:
    wide, base, out = float(rng.uniform(19, 26)), 0.0, []
    for _ in range(int(rng.integers(1, 6))):
        high = float(rng.uniform(1.6, 2.3))
        at = (float(rng.normal(0, 0.8)), float(rng.normal(0, 0.8)))
        out.append(thing(regular_outline(1, wide), "metal", at=at, high=high, base=base, core=(0.35, 0.28, 0.15),
                          gloss=1.0, seed=_seed(rng)))  # fmt: skip
        base += high
    return out


def _cable(rng: Rng) -> list[Card]:
    x, y, turn, out, seed = 0.0, 0.0, 0.0, [], _seed(rng)
    for _ in range(int(rng.integers(7, 11))):
        out.append(thing(_bar(16.0, 3.6), "black-rubber", at=(x, y), turn=math.degrees(turn) - 90, high=3.4,
                          core=(0.05, 0.05, 0.05), seed=seed))  # fmt: skip
        turn += float(rng.normal(0.25, 0.25))
        x, y = x + 12.0 * math.cos(turn), y + 12.0 * math.sin(turn)
    return out


def _keys(rng: Rng) -> list[Card]:
    seed, out = _seed(rng), []
    for k in range(2):
        turn = float(rng.uniform(20, 60)) * (k + 1)
        c, s = math.sin(math.radians(turn)), math.cos(math.radians(turn))
        out.append(thing(_bar(30.0, 7.5), "metal", at=(26 * -c, 26 * s), turn=turn, high=2.0, base=2.0 * k,
                          core=(0.4, 0.4, 0.38), gloss=1.0, seed=seed))  # fmt: skip
        out.append(thing(regular_outline(1, 23.0), "metal", at=(0.0, 3.0 * k), high=2.0, base=2.0 * k,
                          core=(0.4, 0.4, 0.38), gloss=1.0, seed=seed))  # fmt: skip
    return out


def _finger(rng: Rng) -> list[Card]:
    wide = float(rng.uniform(14, 18))
    return [thing(_bar(float(rng.uniform(65, 95)), wide), "skin", high=0.7 * wide, core=(0.5, 0.3, 0.22), gloss=0.2,
                   seed=_seed(rng))]  # fmt: skip


def _receipt(rng: Rng) -> list[Card]:
    """Thin paper with words; its ends are torn, so they are not square."""
    w, h, tear = float(rng.uniform(56, 80)), float(rng.uniform(80, 130)), rng.uniform(-5, 5, 4)
    corners = (
        (-w / 2, -h / 2 + tear[0]),
        (w / 2, -h / 2 + tear[1]),
        (w / 2, h / 2 + tear[2]),
        (-w / 2, h / 2 + tear[3]),
    )
    outline = Outline(corners_mm=tuple((float(x), float(y)) for x, y in corners))
    return [thing(outline, "receipt", high=0.07, core=(0.8, 0.8, 0.8), gloss=0.1, seed=_seed(rng))]


THINGS: dict[str, Callable[[Rng], list[Card]]] = {
    "pen": _pen, "die": _die, "coins": _coins, "cable": _cable, "keys": _keys, "finger": _finger, "receipt": _receipt,
}  # fmt: skip
"""All things that are no cards, and what draws them."""


def _box(parts: list[Card]) -> Floats:
    corners = np.vstack([_corners(part) for part in parts])
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _corners(part: Card) -> Floats:
    r, plan = part.outline.radius_mm, np.array(part.outline.corners_mm)
    if len(plan) < 3:
        plan = plan[0] + r * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return on_table(part.place, plan)


def placed_parts(rng: Rng, scene: Scene, parts: list[Card], taken: list[Floats]) -> list[Card]:
    """The parts of a thing, turned and moved as one to where there is room; none where there is not."""
    box = _box(parts)
    middle = box.mean(axis=0)
    place = find_place(rng, scene.camera, box - middle, taken, steep=True, margin_px=10.0, around=None)
    if place is None:
        return []
    turn = math.radians(place.turn_deg)
    c, s = math.cos(turn), math.sin(turn)
    out = []
    for part in parts:
        dx, dy = part.place.x_mm - middle[0], part.place.y_mm - middle[1]
        moved = replace(part.place, x_mm=place.x_mm + c * dx - s * dy, y_mm=place.y_mm + s * dx + c * dy,
                        turn_deg=part.place.turn_deg + place.turn_deg)  # fmt: skip
        out.append(replace(part, place=moved))
    return out
