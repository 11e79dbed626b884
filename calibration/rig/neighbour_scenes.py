"""Cards that lie together: edge to edge, a millimetre apart, in fans and in piles."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from calibration.rig.draws import DARK_MATS, Rng, contrasting, draw_card, kind_light
from calibration.rig.groups import Floats, find_place, focused
from calibration.rig.outlines import rectangle_outline
from calibration.rig.packing import design_named
from calibration.rig.scene import Card, Face, Mat, Place, Scene
from calibration.rig.table_scenes import laid_scene
from calibration.rig.truth import on_table

KINDS = ("row", "apart", "pair", "fan", "pile")
"""How the cards of a group lie."""
SMALL = ((63.0, 88.0, "poker"), (44.0, 68.0, "mini-european"), (57.0, 88.0, "bridge"), (41.0, 63.0, "mini-american"))


def neighbour_scene(
    seed: int, *, width: int | None = None, height: int | None = None, px_per_mm: float | None = None,
    kind: str | None = None,
) -> Scene:  # fmt: skip
    """One group of cards that lie together and one that lies alone, on a plain mat."""
    rng = np.random.default_rng([seed, 7302])
    kind = kind or KINDS[seed % len(KINDS)]
    mat = str(rng.choice(DARK_MATS))
    nominal = SMALL[int(rng.integers(len(SMALL)))]
    deck = _deck(rng, nominal, mat, count={"row": 3, "apart": 2, "pair": 2}.get(kind, int(rng.integers(3, 5))))
    group = _fan(rng, deck) if kind == "fan" else _pile(rng, deck) if kind == "pile" else _row(rng, deck, kind=kind)
    scene = laid_scene(rng, [], kind_light(rng), width=width, height=height, px_per_mm=px_per_mm, least_full=0.9)
    whole = _place_group(rng, scene, group)
    alone = contrasting(draw_card(rng, nominal=SMALL[3]), mat, rng, least=0.5)
    taken = [on_table(c.place, np.array(c.outline.corners_mm)) for c in whole] + _papers(scene)
    corners = np.array(alone.outline.corners_mm)
    place = find_place(rng, scene.camera, corners, taken, steep=True, margin_px=30.0, around=None)
    cards = (*whole, *((replace(alone, place=place),) if place else ()))
    return focused(replace(scene, cards=cards, mat=Mat(name=mat, seed=int(rng.integers(1 << 30)))))


def _deck(rng: Rng, nominal: tuple[float, float, str | None], mat: str, *, count: int) -> list[Card]:
    """Cards of one deck: one size but for the cut, one kind of face, one kind of corner."""
    first = contrasting(draw_card(rng, nominal=nominal), mat, rng, least=0.5)
    radius = float(rng.choice([2.0, 3.0, 3.2, 4.0]))
    cards = []
    for _ in range(count):
        w, h = sorted((nominal[0] + rng.normal(0, 0.1), nominal[1] + rng.normal(0, 0.1)))
        face = Face(style=first.face.style, seed=int(rng.integers(1 << 30)))
        card = replace(first, width_mm=float(w), height_mm=float(h), face=face,
                       outline=rectangle_outline(w, h, radius_mm=radius))  # fmt: skip
        cards.append(contrasting(card, mat, rng, least=0.5))
    return cards


def _row(rng: Rng, deck: list[Card], *, kind: str) -> list[Card]:
    """Side by side along their long sides: touching (cuts and hands leave 0.02 to 0.25 mm) or about 1 mm apart."""
    out, at = [], 0.0
    for card in deck:
        gap = float(rng.uniform(0.7, 1.4)) if kind == "apart" else float(rng.uniform(0.02, 0.25))
        x = at + card.width_mm / 2
        place = Place(x_mm=x, y_mm=float(rng.normal(0, 0.6)), turn_deg=float(rng.normal(0, 0.1)))
        out.append(replace(card, place=place))
        at = x + card.width_mm / 2 + gap
    return out


def _fan(rng: Rng, deck: list[Card]) -> list[Card]:
    """Each card lies on the one before, turned a little further and moved along."""
    step, turn = float(rng.uniform(14, 24)), float(rng.uniform(4, 12))
    base, out = 0.0, []
    for k, card in enumerate(deck):
        place = Place(x_mm=k * step, y_mm=0.15 * k * k * step / 4, turn_deg=-k * turn, base_mm=base)
        out.append(replace(card, place=place))
        base += card.thickness_mm
    return out


def _pile(rng: Rng, deck: list[Card]) -> list[Card]:
    """Cards dropped on one another: all but the top one peep out."""
    base, out = 0.0, []
    for card in deck:
        place = Place(x_mm=float(rng.normal(0, 5)), y_mm=float(rng.normal(0, 5)), turn_deg=float(rng.normal(0, 7)),
                      base_mm=base)  # fmt: skip
        out.append(replace(card, place=place))
        base += card.thickness_mm
    return out


def _place_group(rng: Rng, scene: Scene, group: list[Card]) -> list[Card]:
    """The whole group put where there is room for it."""
    corners = np.vstack([on_table(c.place, np.array(c.outline.corners_mm)) for c in group])
    low, high = corners.min(axis=0), corners.max(axis=0)
    middle, half = (low + high) / 2, (high - low) / 2
    box = np.array([[-half[0], -half[1]], [half[0], -half[1]], [half[0], half[1]], [-half[0], half[1]]])
    place = find_place(rng, scene.camera, box, _papers(scene), steep=True, margin_px=30.0, around=None)
    if place is None:
        return _place_group(rng, scene, group[:-1])
    return [replace(card, place=_moved(card.place, middle, place)) for card in group]


def _moved(inner: Place, middle: Floats, outer: Place) -> Place:
    """A place within the group, whose middle is put at another place and turned."""
    turn = math.radians(outer.turn_deg)
    c, s = math.cos(turn), math.sin(turn)
    dx, dy = inner.x_mm - middle[0], inner.y_mm - middle[1]
    return Place(
        x_mm=outer.x_mm + c * dx - s * dy, y_mm=outer.y_mm + s * dx + c * dy, turn_deg=inner.turn_deg + outer.turn_deg,
        base_mm=inner.base_mm,
    )  # fmt: skip


def _papers(scene: Scene) -> list[Floats]:
    return [on_table(s.place, np.asarray(design_named(s.design).cut_corners_mm, np.float64)) for s in scene.squares]
