"""The upright photo, reduced, with what was found drawn in: outlines, sizes, the reference; nothing of its EXIF.

One outline for all, light between dark, so that it shows on any ground; dashed where the size is missing or doubtful.
The inside of bank cards is covered (see `cardmeasure.reports.privacy`).
"""

from __future__ import annotations

import io
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from cardmeasure.photo.colour import Pixels
from cardmeasure.reports.labels import (
    TEXT_SHARE,
    Box,
    Label,
    card_label,
    font,
    is_drawn,
    place,
    reference_label,
)
from cardmeasure.reports.picture_files import MARK
from cardmeasure.reports.privacy import is_covered
from cardmeasure.results import Corners, ShotResult
from cardmeasure.text import printable

Canvas = NDArray[np.uint8]
Points = NDArray[np.float64]

LONG_SIDE_PX = 1600
JPEG_QUALITY = 85
SMALL_SIDE_PX, SMALL_QUALITY = 560, 70
RIM_MM = 2.5
"""What stays visible of a covered card: enough to see where its edges were found."""
FARTHEST_PX = 20_000.0
DARK, LIGHT, COVER = 24, 250, 128

_SUBPIXEL_BITS = 4
_MAX_RIM = 0.2
"""Part of a side: of a sliver, too, the inside is covered."""


def small_jpeg(pixels_bgr: Pixels, shot: ShotResult) -> bytes:
    """The same as `picture_jpeg`, small enough to have hundreds of them in one report."""
    return picture_jpeg(pixels_bgr, shot, long_side_px=SMALL_SIDE_PX, quality=SMALL_QUALITY)


def picture_jpeg(
    pixels_bgr: Pixels, shot: ShotResult, *, long_side_px: int = LONG_SIDE_PX, quality: int = JPEG_QUALITY
) -> bytes:
    """The picture of a measured shot as JPEG without metadata; `pixels_bgr` (h, w, 3) is the upright photo."""
    scale = min(1.0, long_side_px / max(pixels_bgr.shape[:2]))
    canvas = _canvas(pixels_bgr, scale=scale)
    rim_px = 0.0 if shot.reference is None else RIM_MM * shot.reference.px_per_mm * scale
    for card in filter(is_covered, shot.cards):
        _cover(canvas, _reduced(card.corners_px, scale), rim_px=rim_px)
    for card in shot.cards:
        outline = _reduced(card.outline_px or card.corners_px, scale)
        _draw_outline(canvas, outline, dashed=any(map(is_drawn, card.flags)))
    for square in () if shot.reference is None else shot.reference.corners_px:
        # the axes of a sheet would run across the cards
        axes = shot.reference is None or not shot.reference.design.startswith("sheet")
        _draw_reference(canvas, _reduced(square, scale), axes=axes)
    image = Image.fromarray(canvas[:, :, ::-1])
    for label in _labels(shot, scale=scale, frame=image.size):
        _draw_label(image, label)
    data = io.BytesIO()
    image.save(data, "JPEG", quality=quality, comment=MARK)
    return data.getvalue()


def _canvas(pixels_bgr: Pixels, *, scale: float) -> Canvas:
    """A reduced copy with 8 bits a channel, to draw on."""
    reduced = cv2.resize(pixels_bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(reduced // 256 if reduced.dtype == np.uint16 else reduced, np.uint8)


def _reduced(corners: Corners, scale: float) -> Points:
    """Corners (n, 2) in pixels of the reduced picture; pixel centres are whole numbers in both.

    A corner may lie beyond all bounds, near the horizon of a slanted plane: it is drawn nearer, in the same direction.
    """
    reduced = (np.array(corners, np.float64).reshape(-1, 2) + 0.5) * scale - 0.5
    far = np.linalg.norm(reduced, axis=1, keepdims=True)
    return np.asarray(reduced * np.minimum(1.0, FARTHEST_PX / np.maximum(far, 1.0)))


def _cover(canvas: Canvas, corners: Points, *, rim_px: float) -> None:
    """Fill the inside of a piece, all but its rim."""
    if len(corners) == 4:
        along_px = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
        sides_px = np.maximum(1.0, [along_px[[0, 2]].mean(), along_px[[1, 3]].mean()])
        u, v = np.minimum(_MAX_RIM, rim_px / sides_px).tolist()
        corners = np.array([_between(corners, *at) for at in ((u, v), (1 - u, v), (1 - u, 1 - v), (u, 1 - v))])
    if len(corners) > 2:
        cv2.fillPoly(canvas, [np.round(corners).astype(np.int32)], (COVER,) * 3)


def _between(corners: Points, u: float, v: float) -> Points:
    """The point a part u along the first side and v along the second of a quadrilateral."""
    top = corners[0] * (1 - u) + corners[1] * u
    bottom = corners[3] * (1 - u) + corners[2] * u
    point: Points = top * (1 - v) + bottom * v
    return point


def _draw_outline(canvas: Canvas, corners: Points, *, dashed: bool) -> None:
    unit = _unit(canvas)
    sides = [(a, b) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    strokes = [dash for a, b in sides for dash in _dashes(a, b, length=8 * unit)] if dashed else sides
    _draw_strokes(canvas, strokes)


def _draw_reference(canvas: Canvas, corners: Points, *, axes: bool) -> None:
    """The paper's edge and, from the middle, the design's axes: x with one bar across its end, y with two."""
    _draw_outline(canvas, corners, dashed=False)
    if not axes:
        return
    middle = corners.mean(axis=0)
    ends = (corners[[1, 2]].mean(axis=0), corners[[2, 3]].mean(axis=0))
    strokes = [(middle, end) for end in ends]
    for bars, end in enumerate(ends, start=1):
        along = (end - middle) * 0.12
        across = np.array([-along[1], along[0]])
        strokes += [(end - (i + 1) * along - across, end - (i + 1) * along + across) for i in range(bars)]
    _draw_strokes(canvas, strokes)


def _draw_strokes(canvas: Canvas, strokes: Sequence[tuple[Points, Points]]) -> None:
    unit = _unit(canvas)
    factor = 1 << _SUBPIXEL_BITS
    for tone, thickness in ((DARK, 3 * unit), (LIGHT, unit)):
        for stroke in strokes:
            (ax, ay), (bx, by) = np.round(np.array(stroke) * factor).astype(int).tolist()
            cv2.line(canvas, (ax, ay), (bx, by), (tone,) * 3, round(thickness), cv2.LINE_AA, _SUBPIXEL_BITS)


def _unit(canvas: Canvas) -> float:
    """Width of the light line, px."""
    return max(1.0, float(max(canvas.shape[:2])) / 530)


def _dashes(a: Points, b: Points, *, length: float) -> list[tuple[Points, Points]]:
    """The stretch from a to b as dashes with gaps as long, a dash at either end."""
    n = 2 * max(1, round(float(np.linalg.norm(b - a)) / (2 * length))) + 1
    at = [a + (b - a) * i / n for i in range(n + 1)]
    return [(at[i], at[i + 1]) for i in range(0, n, 2)]


def _labels(shot: ShotResult, *, scale: float, frame: tuple[int, int]) -> list[Label]:
    """Labels of all pieces, each in its piece where there is room, and one of the reference, off the pieces."""
    size_px = TEXT_SHARE * frame[0]
    outlines = [_box(_reduced(card.corners_px, scale)) for card in shot.cards if card.corners_px]
    cards = [card for card in shot.cards if card.corners_px]
    labels: list[Label] = []
    for card, outline in zip(cards, outlines, strict=True):
        label = card_label(card, outline=outline, size_px=size_px)
        labels.append(place(label, around=outline, obstacles=[other.box_px for other in labels], frame=frame))
    if shot.reference is not None and shot.reference.corners_px:
        square = _box(_reduced(shot.reference.corners_px[0], scale))
        label = reference_label(shot.reference, outline=square, size_px=size_px)
        obstacles = [square, *outlines, *(other.box_px for other in labels)]
        labels.append(place(label, around=square, obstacles=obstacles, frame=frame))
    return labels


def _box(corners: Points) -> Box:
    (left, top), (right, bottom) = corners.min(axis=0).tolist(), corners.max(axis=0).tolist()
    return (left, top, right, bottom)


def _draw_label(image: Image.Image, label: Label) -> None:
    """A light box with dark text, its heading light on dark."""
    draw = ImageDraw.Draw(image)
    left, top, right, bottom = label.box_px
    letters = font(label.size_px)
    split = top + label.line_px + label.pad_px / 2
    draw.rectangle((left, top, right, bottom), fill=(LIGHT,) * 3, outline=(DARK,) * 3, width=2)
    draw.rectangle((left, top, right, split), fill=(DARK,) * 3)
    middle = (left + right) / 2
    for i, text in enumerate((label.heading, *label.lines)):
        y = top + label.pad_px / 2 + (i + 0.5) * label.line_px + (label.pad_px / 2 if i else 0)
        draw.text((middle, y), printable(text), fill=(DARK if i else LIGHT,) * 3, font=letters, anchor="mm")
