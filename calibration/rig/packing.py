"""A scene as the flat arrays that kernels take."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import optics, rays
from calibration.rig.faces import face_raster
from calibration.rig.lighting import Lights, Maps, light_faces, light_ground
from calibration.rig.mats import cover_of
from calibration.rig.outlines import inset, signed_distance
from calibration.rig.pieces import Pieces
from calibration.rig.printed import design_names, prints_of
from calibration.rig.scene import Camera, Card, Curl, Outline, Place, Scene, Square
from calibration.rig.shading import World
from cardmeasure.reference.design import DESIGNS, SquareDesign

Floats = NDArray[np.float64]

NEAR_STEP_MM = 1.0
"""Side of a cell of the table that says which pieces matter there."""
LONGEST_REACH_MM = 12.0
"""Shadows are followed no further than this from a piece."""


def design_named(name: str) -> SquareDesign:
    """The reference square of that name."""
    return next(design for design in DESIGNS.values() if design.name == name)


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


def pack_pieces(scene: Scene, *, texel_per_mm: float) -> tuple[Pieces, NDArray[np.uint16]]:
    """All pieces (squares first), and the texels of all faces."""
    outlines = [paper_outline(s, scene) for s in scene.squares] + [c.outline for c in scene.cards]
    places = [s.place for s in scene.squares] + [c.place for c in scene.cards]
    n, most = len(outlines), max([1, *(len(o.corners_mm) for o in outlines)])
    vertices = np.zeros((n, most, 2))
    for row, outline in zip(vertices, outlines, strict=True):
        row[: len(outline.corners_mm)] = inset(outline)
    boxes = np.array([box_of(o) for o in outlines]).reshape(n, 4)
    names, squares = design_names(), len(scene.squares)
    texture, texels = _textures(scene, boxes[squares:], texel_per_mm)
    cards = scene.cards
    return Pieces(
        pose=np.array([_pose(place) for place in places]).reshape(n, 4),
        slab=np.array(
            [(s.place.base_mm, scene.print.paper_mm, 0.0, 0.0) for s in scene.squares] + [_slab(c) for c in cards], float
        ).reshape(n, 4),
        across=np.array([0] * squares + [c.curl.across if c.curl else 0 for c in cards], np.int64),
        vertices=vertices,
        count=np.array([len(o.corners_mm) for o in outlines], np.int64),
        radius=np.array([o.radius_mm for o in outlines], float),
        box=boxes,
        rim=np.array([0.0] * squares + [c.rim_mm for c in cards], float),
        core=np.array([scene.print.paper] * squares + [c.core for c in cards], float).reshape(n, 3),
        coat=np.array([(0.0, 0.5)] * squares + [(c.gloss, c.roughness) for c in cards], float).reshape(n, 2),
        printed=np.array([names.index(s.design) for s in scene.squares] + [-1] * len(cards), np.int64),
        texture=np.vstack([np.zeros((squares, 3), np.int64), texture]),
    ), texels


def _pose(place: Place) -> tuple[float, float, float, float]:
    turn = math.radians(place.turn_deg)
    return place.x_mm, place.y_mm, math.cos(turn), math.sin(turn)


def _slab(card: Card) -> tuple[float, float, float, float]:
    low_x, low_y, w, h = box_of(card.outline)
    length = (w, h)[card.curl.across] if card.curl else w
    rise = abs(card.curl.rise_mm) if card.curl else 0.0
    return card.place.base_mm, card.thickness_mm, bend_radius_mm(card.curl, length), rise


def _textures(scene: Scene, boxes: Floats, texel_per_mm: float) -> tuple[NDArray[np.int64], NDArray[np.uint16]]:
    rows, parts, first = [], [], 0
    for card, box in zip(scene.cards, boxes, strict=True):
        raster = face_raster(card.face, width_mm=box[2], height_mm=box[3], px_per_mm=texel_per_mm)
        rows.append((first, raster.shape[0], raster.shape[1]))
        parts.append(np.rint(np.clip(raster, 0, 1) * 65535).astype(np.uint16).reshape(-1, 3))
        first += len(parts[-1])
    texels = np.concatenate(parts) if parts else np.zeros((4, 3), np.uint16)
    return np.array(rows, np.int64).reshape(-1, 3), texels


def pack_lights(scene: Scene) -> Lights:
    """Lamps, dome and phone."""
    light, lamps = scene.light, scene.light.lamps
    middles = np.array([lamp.centre_mm for lamp in lamps], float).reshape(-1, 3)
    aims = np.array([lamp.aim_mm for lamp in lamps], float).reshape(-1, 3)
    reach = np.linalg.norm(aims - middles, axis=1)
    normal = (aims - middles) / reach[:, None]
    across = np.cross(normal, [0.0, 1.0, 0.0])
    across /= np.linalg.norm(across, axis=1)[:, None]
    sizes = np.array([lamp.size_mm for lamp in lamps], float).reshape(-1, 2)
    o, phone = optics(scene.camera), np.zeros((3, 3))
    if light.phone is not None:
        right, down = o.rotation[0], o.rotation[1]
        shift, size = light.phone.shift_mm, light.phone.size_mm
        phone = np.array([o.centre + shift[0] * right + shift[1] * down, size[0] / 2 * right, size[1] / 2 * down])
    azimuth = math.radians(light.side_deg)
    return Lights(
        centre=middles,
        half_x=across * sizes[:, :1] / 2,
        half_y=np.cross(across, normal) * sizes[:, 1:] / 2,
        normal=normal,
        power=np.array([lamp.strength for lamp in lamps]) * reach**2,
        rgb=np.array([lamp.rgb for lamp in lamps], float).reshape(-1, 3),
        ambient=np.array(light.ambient, float),
        side=np.array([light.side, math.cos(azimuth), math.sin(azimuth)]),
        phone=phone,
        has_phone=light.phone is not None,
    )


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


def _light_maps(pieces: Pieces, lights: Lights, scene: Scene) -> Maps:
    x0, y0, x1, y1 = ground_box(scene.camera)
    step = max(x1 - x0, y1 - y0) / 128
    origin = np.array([x0, y0])
    ground, sky = light_ground(lights, origin, step, math.ceil((y1 - y0) / step) + 2, math.ceil((x1 - x0) / step) + 2)
    face, shine = light_faces(pieces, lights, np.array(scene.camera.centre_mm, float))
    return Maps(origin=origin, step=step, ground=ground, sky=sky, face=face, shine=shine)


def _near(pieces: Pieces, lights: Lights, camera: Camera) -> tuple[NDArray[np.uint64], Floats]:
    """Which pieces matter in which cell: those a ray or a shadow could meet there."""
    if not len(pieces.pose):
        return np.zeros((1, 1), np.uint64), np.zeros(2)
    margin = pieces.box[:, 2:].max(1) * 1.5 + LONGEST_REACH_MM
    low = np.floor((pieces.pose[:, :2] - margin[:, None]).min(0))
    high = np.ceil((pieces.pose[:, :2] + margin[:, None]).max(0))
    columns, rows = (int(v) for v in (high - low) / NEAR_STEP_MM)
    x, y = np.meshgrid(low[0] + (np.arange(columns) + 0.5) * NEAR_STEP_MM, low[1] + (np.arange(rows) + 0.5) * NEAR_STEP_MM)
    eye = np.array(camera.centre_mm)
    near = np.zeros((rows, columns), np.uint64)
    for k, pose in enumerate(pieces.pose):
        high_mm = float(pieces.slab[k, 0] + pieces.slab[k, 1] + pieces.slab[k, 3])
        slant = np.linalg.norm(pose[:2] - eye[:2]) / eye[2] + 0.5
        for lamp in lights.centre:
            slant = max(slant, 1.3 * float(np.linalg.norm(lamp[:2] - pose[:2]) / max(lamp[2], 1.0)))
        reach = min(max(high_mm * slant, 8 * high_mm), LONGEST_REACH_MM) + NEAR_STEP_MM
        dx, dy = x - pose[0], y - pose[1]
        inside = np.maximum(abs(dx), abs(dy)) < margin[k]
        u, v = pose[2] * dx[inside] + pose[3] * dy[inside], pose[3] * dx[inside] - pose[2] * dy[inside]
        away = [signed_distance(pieces.vertices[k], pieces.count[k], pieces.radius[k], a, b) for a, b in zip(u, v, strict=True)]
        near[inside] |= (np.array(away) < reach).astype(np.uint64) << np.uint64(k)
    return near, low


def pack(scene: Scene) -> World:
    """The whole scene, lit."""
    if len(scene.cards) + len(scene.squares) > 64:
        raise ValueError("a scene holds at most 64 pieces")
    texel_per_mm = min(max(1.4 * scene.camera.focal_px / scene.camera.centre_mm[2], 6.0), 20.0)
    pieces, texels = pack_pieces(scene, texel_per_mm=texel_per_mm)
    lights = pack_lights(scene)
    near, origin = _near(pieces, lights, scene.camera)
    return World(
        pieces=pieces,
        lights=lights,
        maps=_light_maps(pieces, lights, scene),
        prints=prints_of(scene.print),
        cover=cover_of(scene.mat, px_per_mm=texel_per_mm),
        texels=texels,
        near=near,
        near_origin=origin,
        near_step=NEAR_STEP_MM,
    )
