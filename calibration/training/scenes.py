"""Views of tables from above, with what lies on them, and for each pixel what it shows.

A view is drawn twice as fine as it is learned from, so that edges are as soft as a photo's.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.training import layouts
from calibration.training.faces import face
from calibration.training.layouts import Piece
from calibration.training.noise import Rng, ink, pale
from calibration.training.pictures import Pictures
from calibration.training.tables import table
from calibration.training.things import box_points, thing

Bytes = NDArray[np.uint8]

TABLE, FACE, BOUNDARY, OTHER, SEAM = range(5)
"""Labels of pixels. A seam is a boundary near which two pieces lie: it is learned as a boundary, but counts more."""
SIDE_PX, FINER = 512, 2
"""Of a view, and how much finer it is drawn."""
HALF_BAND_PX = 1.4
"""Half the width of a boundary, in the view's pixels."""
SEAM_MM = 3.0
"""So near to two pieces a boundary is a seam."""


@dataclass(kw_only=True, eq=False)
class _Canvas:
    """What is being drawn: a picture, the number of what each pixel shows, and which numbers are flat faces."""

    picture: Bytes
    number: NDArray[np.int32]
    per_mm: float
    is_face: list[bool] = field(default_factory=lambda: [False])

    def next_number(self, *, is_face: bool) -> int:
        self.is_face.append(is_face)
        return len(self.is_face) - 1


@dataclass(frozen=True, kw_only=True)
class _Lamp:
    """What shadows are like: direction and length (2,) per height, softness, and how dark."""

    slope: NDArray[np.float64]
    softness: float
    depth: float


def view(seed: int, pictures: Pictures) -> tuple[Bytes, Bytes]:
    """A view (side, side, 3), blue first, and its labels (side, side), of such a seed."""
    rng = np.random.default_rng([2012, seed])
    n = SIDE_PX * FINER
    per_mm = float(rng.choice([rng.uniform(0.8, 1.4), rng.uniform(1.4, 2.3)], p=[0.3, 0.7])) * FINER
    ground = table(rng, SIDE_PX, per_mm=per_mm / FINER, pictures=pictures)
    coded = (np.clip(ground, 0, 1) * 255 + rng.random((1, SIDE_PX, 1))).clip(0, 255).astype(np.uint8)
    picture = np.ascontiguousarray(cv2.resize(coded, (n, n), interpolation=cv2.INTER_NEAREST), np.uint8)
    canvas = _Canvas(picture=picture, number=np.zeros((n, n), np.int32), per_mm=per_mm)
    lamp = _Lamp(
        slope=rng.normal(0, 1, 2) * rng.uniform(0.2, 1.5), softness=rng.uniform(0.15, 1.5),
        depth=rng.uniform(0.15, 0.85),
    )  # fmt: skip
    ground_colour = picture.reshape(-1, 3)[:: n * 37].mean(axis=0) / 255
    for _ in range(rng.choice(4, p=[0.5, 0.25, 0.15, 0.1])):
        _lay_thing(rng, canvas, pictures)
    if rng.random() < 0.4:
        _lay_square(rng, canvas, lamp)
    for piece in layouts.pieces(rng, n / per_mm, ground_colour):
        _lay(rng, canvas, piece, lamp, pictures)
    for _ in range(rng.choice(4, p=[0.62, 0.22, 0.1, 0.06])):
        _lay_thing(rng, canvas, pictures)
    small = cv2.resize(canvas.picture, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8), _labels(canvas)


def _lay(rng: Rng, canvas: _Canvas, piece: Piece, lamp: _Lamp, pictures: Pictures) -> None:
    """Shadow, wall and face of a piece."""
    k = canvas.per_mm
    outline = piece.outline_mm * k
    low = np.floor(outline.min(axis=0) - 14 * k).astype(int).clip(0, len(canvas.picture))
    high = np.ceil(outline.max(axis=0) + 14 * k).astype(int).clip(0, len(canvas.picture))
    w, h = high - low
    if w < 4 or h < 4:
        return
    part = canvas.picture[low[1] : high[1], low[0] : high[0]]
    number = canvas.number[low[1] : high[1], low[0] : high[0]]
    here = outline - low
    _shade(part, here, lamp, k, piece.height_mm + rng.uniform(0, piece.curl_mm), rng)
    mask = _mask((h, w), here)
    if piece.height_mm > 1.0:
        lean = (outline.mean(axis=0) - len(canvas.picture) / 2) / len(canvas.picture) * piece.height_mm * k * piece.lean
        base = np.concatenate([here, here - lean]).astype(np.float32)
        wall = _mask((h, w), cv2.convexHull(base)[:, 0])
        part[wall > 0] = np.clip(piece.wall * 255, 0, 255).astype(np.uint8)
        if piece.height_mm > 2.5:  # edges of single cards in a stack
            part[wall > 0] = (part[wall > 0] * rng.uniform(0.7, 1.1, (int((wall > 0).sum()), 1))).clip(0, 255)
        number[wall > 0] = canvas.next_number(is_face=False)
    drawn = _face_of(rng, piece, k, pictures)
    share = np.asarray(cv2.warpAffine(drawn, _place(piece, k, low, drawn.shape), (int(w), int(h)),
                                      borderMode=cv2.BORDER_REPLICATE), np.float32)  # fmt: skip
    _bend(rng, share, piece)
    inside = mask > 0
    part[inside] = share.clip(0, 255).astype(np.uint8)[inside]
    number[inside] = canvas.next_number(is_face=True)
    _rim(rng, part, here, k)


def _face_of(rng: Rng, piece: Piece, per_mm: float, pictures: Pictures) -> Bytes:
    w, h = (max(8, int(round(v * per_mm))) for v in piece.size_mm)
    drawn = face(np.random.default_rng(piece.face_seed), h, w, per_mm=per_mm, pictures=pictures, style=piece.style)
    if piece.as_ground is not None and piece.face_seed % 2:  # a border as bright as what lies beside it
        wide = int(2 * (2 + piece.face_seed % 5) * per_mm)
        cv2.rectangle(drawn, (0, 0), (drawn.shape[1] - 1, drawn.shape[0] - 1), ink(piece.as_ground), wide)
    elif piece.as_ground is not None:  # the whole face
        tint = piece.as_ground / max(float(np.median(drawn) / 255), 0.05)
        drawn = (drawn * np.clip(tint, 0, 1.6)).clip(0, 255).astype(np.uint8)
    return drawn


def _place(piece: Piece, per_mm: float, low: NDArray[np.int_], shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Where a face's pixels go in the part that begins at `low`."""
    h, w = shape[:2]
    c, s = np.cos(piece.turn), np.sin(piece.turn)
    x, y = piece.middle_mm * per_mm - low
    return np.array([[c, -s, x - c * w / 2 + s * h / 2], [s, c, y - s * w / 2 - c * h / 2]])


def _mask(shape: tuple[int, int], outline: NDArray[np.floating]) -> Bytes:
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 8).astype(np.int32)], 255, cv2.LINE_8, 3)
    return mask


def _shade(part: Bytes, outline: NDArray[np.floating], lamp: _Lamp, per_mm: float, height_mm: float, rng: Rng) -> None:
    """The shadow that a piece so high throws, and the dark at its foot."""
    fall = lamp.slope * height_mm * per_mm
    soft = max(0.6, min(lamp.softness * height_mm * per_mm, 4 * per_mm))
    shadow = cv2.GaussianBlur(_mask(part.shape[:2], outline + fall), (0, 0), soft)
    foot = cv2.boxFilter(_mask(part.shape[:2], outline), -1, (2 * int(0.5 * per_mm) + 1,) * 2)
    depth, at_foot = lamp.depth, rng.uniform(0, 0.35)
    left = 1 - np.maximum(shadow * np.float32(depth / 255), foot * np.float32(at_foot / 255))
    part[:] = part * left[..., None]


def _bend(rng: Rng, drawn: NDArray[np.float32], piece: Piece) -> None:
    """Light across a face that is not quite flat."""
    h, w = drawn.shape[:2]
    turn, strength = rng.uniform(0, 2 * np.pi), rng.normal(0, 0.02 + 0.04 * piece.curl_mm)
    x = np.linspace(-1, 1, w, dtype=np.float32) * np.float32(np.cos(turn))
    y = np.linspace(-1, 1, h, dtype=np.float32)[:, None] * np.float32(np.sin(turn))
    drawn *= (1 + np.float32(strength) * (x + y))[..., None]


def _rim(rng: Rng, part: Bytes, outline: NDArray[np.floating], per_mm: float) -> None:
    """The cut edge all round, or along some of it: brighter or darker than the face."""
    if rng.random() < 0.3:
        return
    line = np.zeros(part.shape[:2], np.uint8)
    n = len(outline)
    start, count = int(rng.integers(n)), n if rng.random() < 0.5 else int(rng.integers(2, n + 1))
    points = np.roll(outline, -start, axis=0)[: count + 1]
    thick = max(1, int(round(rng.uniform(0.1, 0.5) * per_mm)))
    cv2.polylines(line, [np.round(points * 8).astype(np.int32)], count == n, 255, thick, cv2.LINE_AA, 3)
    at = line > 0
    code = 255 * rng.uniform(0.0, 0.25) if rng.random() < 0.65 else 255 * rng.uniform(0.7, 1)
    strength = line[at][:, None] / 255 * rng.uniform(0.05, 0.6)
    part[at] = part[at] * (1 - strength) + code * strength


def _lay_thing(rng: Rng, canvas: _Canvas, pictures: Pictures) -> None:
    """One thing that is no flat piece, and its shadow."""
    before = canvas.picture.copy()
    mask = thing(rng, canvas.picture, per_mm=canvas.per_mm, pictures=pictures)
    x, y, w, h = cv2.boundingRect(mask)
    if not w:
        return
    room = int(14 * canvas.per_mm)
    here = np.s_[max(0, y - room) : y + h + room, max(0, x - room) : x + w + room]
    shift, there = rng.normal(0, 2.5, 2) * canvas.per_mm, mask[here]
    dark = cv2.warpAffine(there, np.array([[1, 0, shift[0]], [0, 1, shift[1]]]), there.shape[::-1])
    dark = cv2.blur(dark, (2 * int(rng.uniform(0.3, 4) * canvas.per_mm) + 1,) * 2)
    left = 1 - dark.astype(np.float32) * np.float32(rng.uniform(0.2, 0.8) / 255)
    beside = there == 0
    canvas.picture[here][beside] = (before[here] * left[..., None]).astype(np.uint8)[beside]
    canvas.number[mask > 0] = canvas.next_number(is_face=False)


def _lay_square(rng: Rng, canvas: _Canvas, lamp: _Lamp) -> None:
    """A printed reference: a check about a marker, on white paper. It is no piece to measure."""
    n, k = len(canvas.picture), canvas.per_mm
    side = rng.uniform(30, 110)
    cells = int(rng.integers(8, 14))
    paper = np.full((int(side * k),) * 2 + (3,), ink(pale(rng)), np.float32).astype(np.uint8)
    check = (np.indices((cells, cells)).sum(axis=0) % 2 * 255).astype(np.uint8)
    low = cells // 3
    check[low : cells - low, low : cells - low] = rng.integers(0, 2, (cells - 2 * low,) * 2) * 255
    margin = int(rng.uniform(0.02, 0.1) * len(paper))
    inner = len(paper) - 2 * margin
    large = cv2.resize(check, (inner, inner), interpolation=cv2.INTER_NEAREST)
    paper[margin : margin + inner, margin : margin + inner][large == 0] = int(rng.uniform(5, 50))
    at, turn = rng.uniform(0.05, 0.95, 2) * n, rng.uniform(0, np.pi)
    outline = box_points(at, len(paper), len(paper), turn)
    _shade(canvas.picture, outline, lamp, k, 0.2, rng)
    mask = _mask((n, n), outline)
    c, s = np.cos(turn), np.sin(turn)
    half = len(paper) / 2
    place = np.array([[c, -s, at[0] - c * half + s * half], [s, c, at[1] - s * half - c * half]])
    warped = cv2.warpAffine(paper, place, (n, n), borderMode=cv2.BORDER_REPLICATE)
    canvas.picture[mask > 0] = warped[mask > 0]
    canvas.number[mask > 0] = canvas.next_number(is_face=False)


def _labels(canvas: _Canvas) -> Bytes:
    """What each pixel of the view shows."""
    is_face = np.array(canvas.is_face)
    number = canvas.number
    faces = is_face[number]
    edge = np.zeros(number.shape, np.uint8)
    across = (number[:, 1:] != number[:, :-1]) & (faces[:, 1:] | faces[:, :-1])
    down = (number[1:] != number[:-1]) & (faces[1:] | faces[:-1])
    edge[:, 1:] |= across.view(np.uint8)
    edge[:, :-1] |= across.view(np.uint8)
    edge[1:] |= down.view(np.uint8)
    edge[:-1] |= down.view(np.uint8)
    away = cv2.distanceTransform(1 - edge, cv2.DIST_L2, 5)
    near = cv2.resize(away, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA) <= HALF_BAND_PX * FINER - 0.5
    small = number[::FINER, ::FINER]
    labels = np.where(is_face[small], FACE, np.where(small > 0, OTHER, TABLE)).astype(np.uint8)
    labels[near] = BOUNDARY
    only = np.where(is_face[small], small, 0).astype(np.float32)
    window = np.ones((max(3, 2 * int(SEAM_MM * canvas.per_mm / FINER / 2) + 1),) * 2, np.uint8)
    least = cv2.erode(np.where(only > 0, only, np.float32(1e6)), window)
    labels[near & (cv2.dilate(only, window) > least)] = SEAM
    return labels
