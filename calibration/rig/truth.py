"""What is true of a shot: where its pieces appear and how large they are."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import focal_px_of, optics, project
from calibration.rig.face_rasters import face_raster
from calibration.rig.outlines import inset, signed_distance
from calibration.rig.packing import bend_radius_mm, bowed, box_of, design_named, paper_outline
from calibration.rig.plans import plan_truth
from calibration.rig.scene import Bow, Card, Curl, Lamp, Outline, Place, Scene, Square
from calibration.rig.warps import on_warp, warp_rise_mm, warp_terms
from cardmeasure.reference.sheet import SHEETS

Floats = NDArray[np.float64]

SHEET_NAMES = frozenset(sheet.name for sheet in SHEETS.values())
"""Cards lie on these, not beside them."""
TOUCHING_MM = 0.1
"""Pieces nearer than this count as touching."""


def on_table(place: Place, local_mm: Floats) -> Floats:
    """World (n, 2) of points (n, 2) in a piece's frame."""
    turn = math.radians(place.turn_deg)
    c, s = math.cos(turn), math.sin(turn)
    return np.asarray(local_mm @ np.array([[c, s], [s, -c]]) + [place.x_mm, place.y_mm])


def on_top(
    place: Place, local_mm: Floats, *, thickness_mm: float, bend_mm: float = 0.0, curl: Curl | None = None
) -> Floats:
    """World (n, 3) of points of the top face, given by (n, 2) lengths along the face, bent where the card is."""
    flat = np.array(local_mm, float)
    z = np.full(len(flat), place.base_mm + thickness_mm)
    if curl is not None and bend_mm != 0:
        big, sign = abs(bend_mm), math.copysign(1.0, bend_mm)
        r = big - sign * thickness_mm / 2
        angle = flat[:, curl.across] / big
        flat[:, curl.across] = r * np.sin(angle)
        foot = place.base_mm + thickness_mm / 2
        z = foot + big - r * np.cos(angle) if sign > 0 else foot + abs(curl.rise_mm) - big + r * np.cos(angle)
    return np.column_stack([on_table(place, flat), z])


def on_bow(world: Floats, bow: Bow | None) -> Floats:
    """World points (n, 3) lifted by the wave that everything stands on."""
    wave = bowed(bow)
    x, y, z = world.T
    return np.column_stack([x, y, z + wave.amplitude * np.cos(wave.kx * x + wave.ky * y + wave.phase)])


def card_top(card: Card, local_mm: Floats, *, bow: Bow | None = None) -> Floats:
    """World (n, 3) of points of a card's top face."""
    sizes = box_of(card.outline)[2:]
    if card.warp is not None:
        flat, high = on_warp(local_mm, *warp_terms(card.warp, *sizes))
        world = np.column_stack([on_table(card.place, flat), card.place.base_mm + card.thickness_mm + high])
        return on_bow(world, bow)
    bend = bend_radius_mm(card.curl, sizes[card.curl.across]) if card.curl else 0.0
    bent = on_top(card.place, local_mm, thickness_mm=card.thickness_mm, bend_mm=bend, curl=card.curl)
    return on_bow(bent, bow)


def rim_points(outline: Outline, *, step_mm: float = 1.0) -> Floats:
    """Points all along the outline, corners rounded, (n, 2) in the piece's frame."""
    core, radius = inset(outline), outline.radius_mm
    if len(core) < 3:
        a = np.linspace(0, 2 * np.pi, max(16, int(6 * radius / step_mm)), endpoint=False)
        return np.asarray(core[0] + radius * np.column_stack([np.cos(a), np.sin(a)]))
    parts = []
    for i, here in enumerate(core):
        after = core[(i + 1) % len(core)]
        way = (after - here) / np.linalg.norm(after - here)
        out = np.array([way[1], -way[0]])
        if signed_distance(core, len(core), 0.0, *((here + after) / 2 + 1e-3 * out)) < 0:
            out = -out
        n = max(2, int(np.linalg.norm(after - here) / step_mm))
        side = here + np.linspace(0, 1, n)[:, None] * (after - here) + radius * out
        parts.append(side)
        if radius > 0:
            following = core[(i + 2) % len(core)] - after
            turn = math.atan2(way[0] * following[1] - way[1] * following[0], float(way @ following))
            angles = np.linspace(0, turn, 8)[1:-1]
            arc = np.column_stack(
                [out[0] * np.cos(angles) - out[1] * np.sin(angles), out[0] * np.sin(angles) + out[1] * np.cos(angles)]
            )
            parts.append(after + radius * arc)
    return np.asarray(np.vstack(parts))


def clockwise_from_top_left(corners_px: Floats) -> Floats:
    """The corners of a convex polygon, clockwise as seen, from the one nearest the photo's top left."""
    x, y = corners_px.T
    if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) < 0:
        corners_px = corners_px[::-1]
    return np.asarray(np.roll(corners_px, -int(np.argmin(np.hypot(*corners_px.T))), 0))


def _clearance_mm(own: Floats, outline: Outline, place: Place) -> float:
    core = inset(outline)
    turn = math.radians(place.turn_deg)
    d = own - [place.x_mm, place.y_mm]
    local = d @ np.array([[math.cos(turn), math.sin(turn)], [math.sin(turn), -math.cos(turn)]])
    return min(signed_distance(core, len(core), outline.radius_mm, u, v) for u, v in local)


def trouble_of(scene: Scene, number: int) -> str | None:
    """Why a card cannot be expected to be measured: `cut-by-frame`, `overlapped`, `touching`; None if it can."""
    card, camera = scene.cards[number], scene.camera
    rim = rim_points(card.outline)
    px = project(camera, card_top(card, rim, bow=scene.bow))
    if (px < 2).any() or (px > [camera.width - 3, camera.height - 3]).any():
        return "cut-by-frame"
    own = on_table(card.place, rim)
    others = [(s.place, paper_outline(s, scene)) for s in scene.squares if s.design not in SHEET_NAMES]
    # what lies below a card covers nothing of it
    high = card.place.base_mm + card.thickness_mm / 2
    others += [(c.place, c.outline) for i, c in enumerate(scene.cards)
               if i != number and (c.place.base_mm == card.place.base_mm or c.place.base_mm > high)]  # fmt: skip
    for place, outline in others:
        if math.hypot(place.x_mm - card.place.x_mm, place.y_mm - card.place.y_mm) > 400:
            continue
        gap = min(
            _clearance_mm(own, outline, place),
            _clearance_mm(on_table(place, rim_points(outline)), card.outline, card.place),
        )
        if gap < -TOUCHING_MM:
            return "overlapped"
        if gap < TOUCHING_MM:
            return "touching"
    return None


def border_brightness(card: Card) -> list[float]:
    """Mean reflectance (Rec. 709 luminance) of the outermost half millimetre: top, right, bottom and left side."""
    w, h = box_of(card.outline)[2:]
    face = face_raster(card.face, width_mm=w, height_mm=h, px_per_mm=4.0) @ np.array([0.2126, 0.7152, 0.0722])
    return [float(part.mean()) for part in (face[:2], face[:, -2:], face[-2:], face[:, :2])]


def _unfolded(card: Card) -> Card:
    """The card without its dog ear: its straight sides, extended, meet where the corner would lie."""
    return card if card.warp is None else replace(card, warp=replace(card.warp, ear_mm=0.0))


def _rise_mm(card: Card) -> float:
    """How far a card's rim stands above its middle, or the highest point of a warped one above its lowest."""
    if card.warp is not None:
        return round(warp_rise_mm(card.warp, *box_of(card.outline)[2:]), 4)
    return card.curl.rise_mm if card.curl else 0.0


def card_truth(scene: Scene, number: int) -> dict[str, Any]:
    """The truth of one card. `corners_px` are those of the box of a piece that is no rectangle.

    `border`: how bright the border is along the sides that go from each corner of `corners_px` to the next.
    """
    card = scene.cards[number]
    corners = np.array(card.outline.corners_mm)
    if card.shape != "rectangle":
        x, y, w, h = box_of(card.outline)
        corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
    trouble = trouble_of(scene, number)
    seen = project(scene.camera, card_top(_unfolded(card), corners, bow=scene.bow))
    ordered, first = clockwise_from_top_left(seen), int(np.argmin(np.hypot(*seen.T)))
    return {
        "shape": card.shape,
        "corners_px": ordered.round(4).tolist(),
        "width_mm": round(card.width_mm, 5),
        "height_mm": round(card.height_mm, 5),
        "thickness_mm": round(card.thickness_mm, 5),
        "size_class": card.size_class,
        "expect": "measured" if trouble is None and scene.flaw is None else "flagged",
        "trouble": trouble,
        "face": card.face.style,
        "border": np.roll(border_brightness(card), -first).round(4).tolist(),
        "core": card.core[1],
        "gloss": card.gloss,
        "radius_mm": round(card.outline.radius_mm, 4),
        "rise_mm": _rise_mm(card),
        **plan_truth(card),
    }


def square_truth(scene: Scene, square: Square) -> dict[str, Any]:
    """The truth of one printed square: pose, printed cut corners and saddle points, in the design's order."""
    design, scale = design_named(square.design), [scene.print.scale_x, scene.print.scale_y]

    def seen(points: NDArray[np.floating[Any]]) -> list[Any]:
        world = on_top(square.place, np.asarray(points * scale, np.float64), thickness_mm=scene.print.paper_mm)
        return list(project(scene.camera, on_bow(world, scene.bow)).round(4).tolist())

    place = square.place
    return {
        "design": design.name,
        "x_mm": place.x_mm,
        "y_mm": place.y_mm,
        "turn_deg": place.turn_deg,
        "corners_px": seen(design.cut_corners_mm),
        "points_px": seen(design.saddles_mm),
    }


def px_per_mm(scene: Scene) -> float:
    """Magnification, the root of that of area, at the first square, or in the picture's middle without one."""
    x, y = (scene.squares[0].place.x_mm, scene.squares[0].place.y_mm) if scene.squares else (0.0, 0.0)
    z = scene.print.paper_mm
    o, a, b = project(scene.camera, np.array([[x, y, z], [x + 1, y, z], [x, y + 1, z]]))
    (ax, ay), (bx, by) = a - o, b - o
    return math.sqrt(abs(ax * by - ay * bx))


def camera_truth(scene: Scene) -> dict[str, Any]:
    """All parameters of the camera."""
    c, o = scene.camera, optics(scene.camera)
    diagonal = focal_px_of(1.0, width=c.width, height=c.height)
    return {
        "width_px": c.width,
        "height_px": c.height,
        "focal_px": c.focal_px,
        "focal_35mm": c.focal_px / diagonal,
        "focal_35mm_tag": scene.post.focal_35mm_tag,
        "principal_px": list(c.principal_px),
        "k1": c.k1,
        "k2": c.k2,
        "k3": c.k3,
        "p1": c.p1,
        "p2": c.p2,
        "rotation": o.rotation.tolist(),
        "centre_mm": list(c.centre_mm),
        "height_mm": c.centre_mm[2],
        "tilt_deg": math.degrees(math.acos(min(1.0, -float(o.rotation[2, 2])))),
        "orientation": scene.post.orientation,
    }


def lamp_truth(lamp: Lamp, scene: Scene) -> dict[str, Any]:
    """Where a lamp stands; `towards_px`: unit vector in the photo that points to its foot from the table's middle."""
    x, y, z = lamp.centre_mm
    middle, nearer = project(scene.camera, np.array([[0.0, 0.0, 0.0], [0.01 * x, 0.01 * y, 0.0]]))
    way = nearer - middle
    return {
        "azimuth_deg": math.degrees(math.atan2(y, x)),
        "elevation_deg": math.degrees(math.atan2(z, math.hypot(x, y))),
        "towards_px": (way / max(float(np.linalg.norm(way)), 1e-12)).round(4).tolist(),
        "size_mm": list(lamp.size_mm),
        "strength": lamp.strength,
        "ambient": scene.light.ambient[1],
    }


def truth(scene: Scene, *, photo: str = "") -> dict[str, Any]:
    """All that is true of a shot, ready for JSON.

    Pixels are those of the upright photo, the centre of the first one is (0, 0); lengths are mm. `corners_px`: where
    the straight sides of the top face, extended, meet, clockwise from the corner nearest the photo's top left.
    `reference.points_px`: the saddle points of each square in the order of `SquareDesign.saddles_mm`.
    """
    squares = [square_truth(scene, square) for square in scene.squares]
    return {
        "photo": photo,
        "px_per_mm": px_per_mm(scene),
        "reference": {
            "design": scene.squares[0].design if scene.squares else None,
            "scale_x": scene.print.scale_x,
            "scale_y": scene.print.scale_y,
            "points_px": [square.pop("points_px") for square in squares],
            "squares": squares,
            "paper_mm": scene.print.paper_mm,
            "spread_mm": scene.print.spread_mm,
        },
        "camera": camera_truth(scene),
        "mat": scene.mat.name,
        "lamps": [lamp_truth(lamp, scene) for lamp in scene.light.lamps],
        "processing": asdict(scene.post),
        "cards": [card_truth(scene, number) for number in range(len(scene.cards))],
        **({} if scene.flaw is None else {"flaw": {"kind": scene.flaw.kind, "codes": list(scene.flaw.codes)}}),
    }
