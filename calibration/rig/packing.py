"""A scene as the flat arrays that kernels take."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import optics, rays
from calibration.rig.compiled import compiled, over_rows
from calibration.rig.covers import cover_of
from calibration.rig.face_rasters import face_raster
from calibration.rig.lighting import AMBIENCE, FACE_NODES, LAMP, Lights, Maps, light_faces, light_ground
from calibration.rig.mirror import panes
from calibration.rig.outlines import inset
from calibration.rig.pieces import MOST_CORNERS, PIECE, Record, distance, to_piece
from calibration.rig.printed import design_names, printed_designs
from calibration.rig.scene import Bow, Camera, Curl, Outline, Place, Scene, Square
from calibration.rig.shading import Bowed, World
from calibration.rig.warps import warp_rise_mm, warp_terms
from cardmeasure.reference.design import DESIGNS, SquareDesign
from cardmeasure.reference.sheet import SHEETS, SheetDesign

Floats = NDArray[np.float64]

NEAR_STEP_MM = 1.0
"""Side of a cell of the table that says which pieces matter there."""
LONGEST_REACH_MM = 12.0
"""Shadows are followed no further than this from a piece."""


def design_named(name: str) -> SquareDesign | SheetDesign:
    """The reference square or measuring sheet of that name."""
    return next(design for design in (*DESIGNS.values(), *SHEETS.values()) if design.name == name)


def bowed(bow: Bow | None) -> Bowed:
    """The wave that everything stands on, flat where there is none."""
    if bow is None:
        return Bowed(amplitude=0.0, kx=0.0, ky=0.0, phase=0.0)
    way, k = math.radians(bow.azimuth_deg), 2 * math.pi / bow.length_mm
    return Bowed(
        amplitude=bow.height_mm / 2, kx=k * math.cos(way), ky=k * math.sin(way), phase=math.radians(bow.phase_deg)
    )


def bend_radius_mm(curl: Curl | None, length_mm: float) -> float:
    """Signed radius of the neutral surface of a card of arc length `length_mm` across the bend; 0 is flat."""
    if curl is None or curl.rise_mm == 0:
        return 0.0
    target = abs(curl.rise_mm) / (length_mm / 2)
    half = 2 * target
    for _ in range(30):  # Newton on (1 - cos a) / a = target, a: half the angle of the arc
        value = (1 - math.cos(half)) / half
        half -= (value - target) / ((half * math.sin(half) - 1 + math.cos(half)) / half**2)
    return math.copysign(length_mm / 2 / half, curl.rise_mm)


def paper_outline(square: Square, scene: Scene) -> Outline:
    """Plan of a cut-out square: the printed cut line, moved by how it was trimmed."""
    corners = design_named(square.design).cut_corners_mm * [scene.print.scale_x, scene.print.scale_y]
    return Outline(corners_mm=tuple((float(x), float(y)) for x, y in corners + np.array(square.trim_mm)))


def box_of(outline: Outline) -> tuple[float, float, float, float]:
    """Low corner and sizes of the plan's box."""
    core = inset(outline)
    low = core.min(0) - outline.radius_mm if len(core) < 3 else np.array(outline.corners_mm).min(0)
    high = core.max(0) + outline.radius_mm if len(core) < 3 else np.array(outline.corners_mm).max(0)
    return float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])


def pack_pieces(scene: Scene, *, texel_per_mm: float) -> tuple[NDArray[np.void], NDArray[np.uint16]]:
    """All pieces (squares first), structured (`PIECE`), and the texels of all faces."""
    cards = (*scene.cards, *scene.decoys)
    rows = np.zeros(len(scene.squares) + len(cards), PIECE)
    names, texels, first = design_names(), [np.zeros((4, 3), np.uint16)], 4
    for row, square in zip(rows, scene.squares, strict=False):
        _place(row, square.place, paper_outline(square, scene))
        row["thick"], row["core"], row["roughness"] = scene.print.paper_mm, scene.print.paper, 0.5
        row["printed"] = names.index(square.design)
    for row, card in zip(rows[len(scene.squares) :], cards, strict=True):
        _place(row, card.place, card.outline)
        row["thick"], row["core"], row["rim"], row["printed"] = card.thickness_mm, card.core, card.rim_mm, -1
        row["gloss"], row["roughness"] = card.gloss, card.roughness
        w, h = row["box"][2:]
        if card.curl is not None:
            row["across"], row["rise"] = card.curl.across, abs(card.curl.rise_mm)
            row["bend"] = bend_radius_mm(card.curl, (w, h)[card.curl.across])
        if card.warp is not None:
            row["warped"], row["rise"] = 1, warp_rise_mm(card.warp, w, h)
            row["warp"], row["ear"] = warp_terms(card.warp, w, h)
        row["fray"], row["fray_seed"] = card.fray_mm, card.face.seed % 997
        raster = face_raster(card.face, width_mm=w, height_mm=h, px_per_mm=texel_per_mm)
        row["first"], row["rows"], row["columns"] = first, raster.shape[0], raster.shape[1]
        texels.append(np.rint(np.clip(raster, 0, 1) * 65535).astype(np.uint16).reshape(-1, 3))
        first += len(texels[-1])
    return rows, np.concatenate(texels)


def _place(row: np.void, place: Place, outline: Outline) -> None:
    core, turn = inset(outline), math.radians(place.turn_deg)
    if len(core) > MOST_CORNERS:
        raise ValueError(f"an outline of {len(core)} corners; at most {MOST_CORNERS} are possible")
    row["x"], row["y"], row["base"] = place.x_mm, place.y_mm, place.base_mm
    row["cos"], row["sin"] = math.cos(turn), math.sin(turn)
    row["count"], row["radius"], row["box"] = len(core), outline.radius_mm, box_of(outline)
    row["vertices"][: len(core)] = core


def pack_lights(scene: Scene) -> Lights:
    """Lamps, dome and phone."""
    light = scene.light
    lamps, ambience = np.zeros(len(light.lamps), LAMP), np.zeros(1, AMBIENCE)
    for row, lamp in zip(lamps, light.lamps, strict=True):
        way = np.array(lamp.aim_mm) - lamp.centre_mm
        reach = float(np.linalg.norm(way))
        normal = way / reach
        across = np.cross(normal, [0.0, 1.0, 0.0] if abs(normal[1]) < 0.99 else [1.0, 0.0, 0.0])
        across /= np.linalg.norm(across)
        row["centre"], row["normal"], row["rgb"] = lamp.centre_mm, normal, lamp.rgb
        row["half_x"], row["half_y"] = across * lamp.size_mm[0] / 2, np.cross(across, normal) * lamp.size_mm[1] / 2
        row["power"] = lamp.strength * reach**2
    azimuth = math.radians(light.side_deg)
    ambience["rgb"], ambience["side"] = light.ambient, (light.side, math.cos(azimuth), math.sin(azimuth))
    if light.phone is not None:
        o, shift, size = optics(scene.camera), light.phone.shift_mm, light.phone.size_mm
        right, down = o.rotation[0], o.rotation[1]
        middle = o.centre + shift[0] * right + shift[1] * down
        ambience["phone"], ambience["has_phone"] = (middle, size[0] / 2 * right, size[1] / 2 * down), 1
    return Lights(lamps=lamps, ambience=ambience[0])


def ground_box(camera: Camera) -> tuple[float, float, float, float]:
    """Low and high corner of what the photo sees of the mat, at most 1.5 m away."""
    x = np.linspace(0, camera.width - 1, 9)
    y = np.linspace(0, camera.height - 1, 9)
    grid = np.array([(a, b) for a in x for b in y])
    d, centre = rays(camera, grid), np.array(camera.centre_mm)
    t = np.where(d[:, 2] < 0, -centre[2] / np.minimum(d[:, 2], -1e-9), 1e9)
    ground = np.clip(d[:, :2] * t[:, None], -1500, 1500) + centre[:2]
    low, high = ground.min(0) - 10, ground.max(0) + 10
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _light_maps(pieces: NDArray[np.void], lights: Lights, scene: Scene) -> Maps:
    x0, y0, x1, y1 = ground_box(scene.camera)
    step = max(x1 - x0, y1 - y0) / 128
    rows, columns, lamps = math.ceil((y1 - y0) / step) + 2, math.ceil((x1 - x0) / step) + 2, len(lights.lamps)
    ground, sky = np.zeros((lamps, rows, columns)), np.zeros((rows, columns))
    over_rows(rows, lambda first, last: light_ground(lights, ground, sky, x0, y0, step, first, last))
    face, eye = np.zeros((len(pieces), lamps, 2, FACE_NODES, FACE_NODES)), np.array(scene.camera.centre_mm, float)
    over_rows(len(face) * FACE_NODES, lambda first, last: light_faces(pieces, lights, eye, face, first, last))
    return Maps(x0=x0, y0=y0, step=step, ground=ground, sky=sky, face=face)


@compiled
def mark_near(p: Record, k: int, reach: float, near: NDArray[np.uint64], x0: float, y0: float, step: float) -> None:
    """Sets bit `k` of all cells whose middle lies within `reach` of piece `k`."""
    for j in range(near.shape[0]):
        for i in range(near.shape[1]):
            u, v = to_piece(p, x0 + (i + 0.5) * step, y0 + (j + 0.5) * step)
            if distance(p, u, v) < reach:
                near[j, i] |= np.uint64(1) << np.uint64(k)


def _near(pieces: NDArray[np.void], lights: Lights, camera: Camera) -> tuple[NDArray[np.uint64], float, float]:
    """Which pieces matter in which cell: those a ray or a shadow could meet there; and the table's low corner."""
    if not len(pieces):
        return np.zeros((1, 1), np.uint64), 0.0, 0.0
    middles = np.column_stack([pieces["x"], pieces["y"]])
    margin = np.hypot(pieces["box"][:, 2], pieces["box"][:, 3])[:, None] + LONGEST_REACH_MM
    low, high = np.floor((middles - margin).min(0)), np.ceil((middles + margin).max(0))
    columns, rows = (int(v) for v in (high - low) / NEAR_STEP_MM)
    eye, near = np.array(camera.centre_mm), np.zeros((rows, columns), np.uint64)
    for k, (piece, middle) in enumerate(zip(pieces, middles, strict=True)):
        high_mm = float(piece["base"] + piece["thick"] + piece["rise"])
        slant = float(np.linalg.norm(middle - eye[:2]) / eye[2]) + 0.5
        for lamp in lights.lamps["centre"]:
            slant = max(slant, 1.3 * float(np.linalg.norm(lamp[:2] - middle) / max(lamp[2], 1.0)))
        reach = min(max(high_mm * slant, 8 * high_mm), LONGEST_REACH_MM) + NEAR_STEP_MM
        mark_near(piece, k, reach, near, float(low[0]), float(low[1]), NEAR_STEP_MM)
    return near, float(low[0]), float(low[1])


def pack(scene: Scene) -> World:
    """The whole scene, lit."""
    if len(scene.cards) + len(scene.decoys) + len(scene.squares) > 64:
        raise ValueError("a scene holds at most 64 pieces")
    texel_per_mm = min(max(1.4 * scene.camera.focal_px / scene.camera.centre_mm[2], 6.0), 20.0)
    pieces, texels = pack_pieces(scene, texel_per_mm=texel_per_mm)
    lights = pack_lights(scene)
    near, near_x, near_y = _near(pieces, lights, scene.camera)
    return World(
        pieces=pieces,
        lights=lights,
        maps=_light_maps(pieces, lights, scene),
        designs=printed_designs(scene.print),
        cover=cover_of(scene.mat, px_per_mm=texel_per_mm),
        texels=texels,
        near=near,
        near_x=near_x,
        near_y=near_y,
        near_step=NEAR_STEP_MM,
        bow=bowed(scene.bow),
        mirror=panes(scene.mat, lights),
    )
