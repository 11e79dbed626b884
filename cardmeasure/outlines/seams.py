"""Cards laid edge to edge, told apart along their seams: thin dark lines from one notch of the outline to another.

Between two cards that touch there is a gap of a few hundredths of a millimetre, into which hardly any light falls; and
where their rounded corners meet, the table shows. A line printed across one card ends in no such notch, and a frame
printed on it turns before it reaches the border's rim.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera
from cardmeasure.numerics import lengths
from cardmeasure.outlines.means import strips
from cardmeasure.outlines.table_light import ROOM_MM, Grid, grid_over, log_light, off_table
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

MOST_PER_MM = 12.0
"""A finer picture tells no more of seams."""
SPAN_PX, REACH_PX = 4, 14
"""A line is darker than what lies so far to either side of it; and the widest gap that is one, over two."""
BANDS, LEAST_BANDS = 14, 0.85
"""A seam is looked at in so many parts, of which this share must show it."""
STEEPEST, SLOPES = 0.02, 33
"""Seams run along the region's sides but for this slope."""
DARKER, OVER_OTHERS, DARKEST = 0.03, 3.0, 0.5
"""Logarithm of light by which a seam is darker than its surroundings, in each part; how much darker than most other
lines that run the same way; and what counts at most."""
TRIES = 40
"""So many of the darkest lines are looked at: frames printed near the borders are darker than seams."""
STEP_SHARE = 0.5
"""A step counts for so much of a line, as pictures are full of steps."""
MUCH_DARKER = 1.6
"""A gap that is wider than it is seen at first is darker by this factor than what lies a little farther off."""
BORDER_SHARE = 0.5
CORNER_MM, NARROWEST_MM = 5.0, 20.0
"""Cards' corners take up so much of a seam; no card is narrower."""
NOTCH_MM, DEEP_MM = 0.7, 0.4
"""The table shows at either end of a seam, so wide where it is so deep."""
LATER_MM = 0.8
"""Regions' contours run up to so far outside the cards."""
NOTCH_REACH_MM, DEEPEST_MM, ASIDE_MM = 2.5, 4.0, 5.0
"""How far beside a seam a notch is looked for, and how deep; faces are seen a little farther to the side."""
AT_LINE_MM, NEAR_LINE_MM, OFF_PX, END_PX = 0.3, 1.2, 2, 3
"""A line nearer to where notches end is their seam's; one that is not much farther may be, where one card lies farther
in than the other; else the seam is looked for between the ends, and is good to so many pixels. A notch ends where it is
no wider than the last."""
OTHER_TABLE = 0.4
"""What lies outside a region and differs so much from the table around is another card."""
NO_FACE, SPECKLE_PX = 0.25, 5
"""What differs from the table by less, in the logarithm of light, is the table; holes in it that are no wider, its
pattern."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Seam:
    """A straight gap between two cards: two points (2, 2) on it, mm on the table, and its width, mm."""

    ends_mm: Floats
    gap_mm: float


@dataclass(frozen=True, kw_only=True, eq=False)
class _Flat:
    """A part of the table seen from above along its own axes: logarithm of light (h, w, 3), that of the bare table
    (3,), pixels per millimetre, and where the pixels lie."""

    log: Floats
    table: Floats
    per_mm: float
    grid: Grid

    def turned(self) -> _Flat:
        """The same with rows for columns."""
        return replace(self, log=np.asarray(cv2.transpose(self.log)), grid=self.grid.turned())


def seam_in(photo: Photo, camera: Camera, part_mm: Floats, *, table: Floats, px_per_mm: float) -> Seam | None:
    """The clearest seam that crosses a region (n, 2) from side to side; None where there is none.

    table : logarithm of the light of the table around it, see `table_around`.
    """
    flat = _flat(photo, camera, part_mm, min(px_per_mm, MOST_PER_MM), table)
    parts = (flat, flat.turned())
    for marks in (_darker, _line_or_step):
        found = [one for one in (_across(part, marks(part.log)) for part in parts) if one is not None]
        if found:
            return max(found, key=lambda one: one[0])[1]
    return None


def _flat(photo: Photo, camera: Camera, contour_mm: Floats, per_mm: float, table: Floats) -> _Flat:
    """The region and its surroundings."""
    grid = grid_over(contour_mm, per_mm)
    log = log_light(photo, camera, grid.all_mm())
    return _Flat(log=log, table=table, per_mm=per_mm, grid=grid)


def _across(flat: _Flat, marks: Floats) -> tuple[float, Seam] | None:
    """The clearest seam that runs down the picture, with how clear it is; marks (h, w): what may be part of one."""
    per_mm = flat.per_mm
    room, corner = round(ROOM_MM * per_mm), round((ROOM_MM + CORNER_MM) * per_mm)
    near = round((ROOM_MM + NARROWEST_MM) * per_mm)
    h, w = flat.log.shape[:2]
    if w < 2 * near + 3 or h < 2 * corner + BANDS:
        return None
    cuts = np.linspace(corner, h - corner, BANDS + 1).astype(int)
    bands = np.stack([marks[a:b].mean(axis=0) for a, b in pairwise(cuts)])
    middle = (cuts[:-1] + cuts[1:]) / 2 - (h - 1) / 2
    found = _lines_in(bands, middle)
    score = found.mean.copy()
    score[:near] = score[w - near :] = 0
    rows, aside = (cuts[:-1] + cuts[1:]) // 2, np.arange(h) - (h - 1) / 2
    rivals: list[tuple[float, float, Floats]] = []
    for _ in range(TRIES):
        x = int(score.argmax())
        if score[x] == 0:
            break
        for off, line in _between_notches(flat, x + found.slope[x] * aside):
            if _darkness(bands, line[rows]) > found.least:
                rivals.append((off, -float(score[x]), line))
        if rivals and rivals[-1][0] == 0:
            break
        score[max(0, x - SPAN_PX) : x + SPAN_PX + 1] = 0
    if not rivals:
        return None
    _, clear, line = min(rivals, key=lambda one: one[:2])
    ends = flat.grid.to_mm(line[[room, h - 1 - room]], np.array([room, h - 1 - room], float))
    return -clear, Seam(ends_mm=ends, gap_mm=_gap_px(flat.log, line, corner) / per_mm)


def _darker(log: Floats) -> Floats:
    """How much darker each pixel (h, w) of a picture (h, w, 3) is than both of what lies beside it, near or farther
    off, logarithm of light."""
    best = np.zeros(log.shape[:2], log.dtype)
    for first, end in strips(len(log)):
        mean, rows = log[first:end] @ np.full(3, 1 / 3, log.dtype), best[first:end]
        for span in (SPAN_PX, 2 * SPAN_PX, REACH_PX):
            darker = np.minimum(mean[:, : -2 * span], mean[:, 2 * span :])
            darker -= mean[:, span:-span]
            np.maximum(rows[:, span:-span], darker, out=rows[:, span:-span])
    return best


def _line_or_step(log: Floats) -> Floats:
    """The same, or how much brighter it is than both, as the table may be between dark cards, or by how much these
    differ, as borders of different cards do."""
    best = np.maximum(_darker(log), _darker(-log))
    half = SPAN_PX // 2
    for first, end in strips(len(log)):
        part, rows = log[first:end], best[first:end, half:-half]
        change = np.abs(part[:, 2 * half :] - part[:, : -2 * half])
        step = np.maximum(np.maximum(change[..., 0], change[..., 1]), change[..., 2])
        np.maximum(rows, STEP_SHARE * step, out=rows)
    return best


@dataclass(frozen=True, kw_only=True, eq=False)
class _Lines:
    """For each column (w,) how dark the best line through it is on average, 0 where it is not dark nearly all along,
    and its slope; and how dark lines must be."""

    mean: Floats
    slope: Floats
    least: float


def _lines_in(bands: Floats, middle: Floats) -> _Lines:
    """Dark lines through bands (b, w) of rows, whose middles are (b,) from that of the picture."""
    b, w = bands.shape
    near = np.asarray(cv2.dilate(bands, np.ones((1, 3), np.uint8)))
    columns, slopes = np.arange(w), np.linspace(-STEEPEST, STEEPEST, SLOPES)
    at = np.rint(columns + slopes[:, None, None] * middle[:, None]).astype(np.intp)
    lines = near[np.arange(b)[:, None], np.clip(at, 0, w - 1)]
    weakest = _weakest(lines)
    least = max(DARKER, OVER_OTHERS * float(np.median(weakest.max(axis=0))))
    mean = np.minimum(lines, DARKEST).mean(axis=1) * (weakest > least)
    best = mean.argmax(axis=0)
    return _Lines(mean=mean[best, columns], slope=slopes[best], least=least)


def _weakest(lines: NDArray[Any]) -> Floats:
    """The least (...,) of what lines (..., b, w) show, but for a few bands, (..., w)."""
    rank = round((1 - LEAST_BANDS) * lines.shape[-2])
    return np.asarray(np.partition(lines, rank, axis=-2)[..., rank, :])


def _darkness(bands: Floats, x: Floats) -> float:
    """How dark a line is that crosses bands (b, w) at x (b,), or nearly there."""
    near = np.asarray(cv2.dilate(bands, np.ones((1, 2 * OFF_PX + 1), np.uint8)))
    at = np.clip(np.rint(x).astype(np.intp), 0, bands.shape[1] - 1)
    return float(_weakest(near[np.arange(len(x)), at][:, None])[0])


def _between_notches(flat: _Flat, line: Floats) -> list[tuple[float, Floats]]:
    """The line, x (h,), and the one through where the notches at its ends come to their own, as far as each may be
    their seam, with how unlikely that is: 0, 1 or 2. Nothing where there are not two notches."""
    h, per_mm = len(flat.log), flat.per_mm
    rows = np.arange(round(DEEPEST_MM * per_mm)) + round(ROOM_MM * per_mm)
    ends = [_notch_end(flat, line, inward) for inward in (rows, h - 1 - rows)]
    if ends[0] is None or ends[1] is None:
        return []
    (x0, y0), (x1, y1) = ends[0], ends[1]
    off = max(abs(x0 - line[y0]), abs(x1 - line[y1])) / per_mm
    if off < AT_LINE_MM:
        return [(0.0, line)]
    moved = x0 + (x1 - x0) / (y1 - y0) * (np.arange(h) - y0)
    return ([(1.0, line)] if off < NEAR_LINE_MM else []) + [(2.0, np.asarray(moved))]


def _notch_end(flat: _Flat, line: Floats, inward: NDArray[np.intp]) -> tuple[float, int] | None:
    """Where the table, seen around a line on the first of some rows, which run inward, is last seen: x, y.

    A printed line may begin within a notch, but only the gap itself begins where that ends.
    """
    per_mm = flat.per_mm
    aside = np.arange(round(-ASIDE_MM * per_mm), round(ASIDE_MM * per_mm) + 1)
    outward = -1 if inward[1] > inward[0] else 1
    run, end = np.abs(aside) < NOTCH_REACH_MM * per_mm, None
    limits = np.flatnonzero(run)[[0, -1]]
    outside = cache(lambda middle: _table_outside(flat, middle + aside, outward))
    first = _first_face(flat, line, inward[: max(1, round(LATER_MM * per_mm))], outside)
    for y in inward[first + max(1, round(DEEP_MM * per_mm)) :].tolist():
        middle = round(float(line[y]))
        shown = _shows_table(flat, middle + aside, y, outside(middle))
        narrower = _longest_run(shown & run) if shown is not None else np.zeros_like(run)
        if end is None and np.count_nonzero(narrower) < NOTCH_MM * per_mm:
            return None
        if not narrower.any():
            break
        run, end = narrower, (middle + float(aside[narrower].mean()), y)
        if np.count_nonzero(run) <= END_PX:
            break
    # what ends at the limit of where it is looked for is another line's notch
    return None if run[limits].any() else end


def _first_face(flat: _Flat, line: Floats, inward: NDArray[np.intp], outside: Callable[[int], Floats]) -> int:
    """On which of some rows, which run inward, more than the table is first seen beside a line; the last at most.

    outside : see `_table_outside`, by the column in the middle.
    """
    aside = np.arange(round(-ASIDE_MM * flat.per_mm), round(ASIDE_MM * flat.per_mm) + 1)
    for number, y in enumerate(inward.tolist()):
        middle = round(float(line[y]))
        if _shows_table(flat, middle + aside, y, outside(middle)) is not None:
            return number
    return len(inward) - 1


def _longest_run(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The longest run in a mask (n,) alone."""
    ends = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    out = np.zeros_like(mask)
    if len(ends):
        k = 2 * int(np.argmax(ends[1::2] - ends[::2]))
        out[ends[k] : ends[k + 1]] = True
    return out


def _table_outside(flat: _Flat, columns: NDArray[np.intp], outward: int) -> Floats:
    """The light (3,) outside the region at some columns, at its upper end where `outward` is -1, else at its lower."""
    log, per_mm = flat.log, flat.per_mm
    edge = 0 if outward < 0 else len(log) - 1
    rows = edge - outward * np.arange(round(0.5 * per_mm), round(2.5 * per_mm))
    return np.asarray(np.median(log[rows[:, None], _clipped(flat, columns)].reshape(-1, 3), axis=0))


def _clipped(flat: _Flat, columns: NDArray[np.intp]) -> NDArray[np.intp]:
    return np.clip(columns, 0, flat.log.shape[1] - 1)


def _shows_table(flat: _Flat, columns: NDArray[np.intp], y: int, table: Floats) -> NDArray[np.bool_] | None:
    """At which columns row y looks more like the table (3,) outside the region there than like the face beside them.

    None where no face is seen beside them, as the region begins farther in.
    """
    columns = _clipped(flat, columns)
    row = _medians(flat.log[max(0, y - 1) : y + 2, columns])
    if off_table(table[None], flat.table)[0] > OTHER_TABLE:
        return np.zeros(len(columns), bool)  # another card lies there
    end = len(columns) // 4
    faces = sorted((_medians(part) for part in (row[:end], row[-end:])), key=lambda one: _apart(one, table))
    # beside a card that lies farther in, the table is all there is
    faces = [face for face in faces if _apart(face, table) > NO_FACE]
    if not faces:
        return None
    shown = off_table(row, table) < np.min([lengths(row - face) for face in faces], axis=0)
    closed = cv2.morphologyEx(shown.astype(np.uint8)[None], cv2.MORPH_CLOSE, np.ones((1, SPECKLE_PX), np.uint8))
    return np.asarray(closed[0] > 0)


def _medians(values: Floats) -> Floats:
    """Medians (...,) of a few rows (n, ...), in a fourth of numpy's time."""
    ordered, half = np.sort(values, axis=0), len(values) // 2
    return np.asarray(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def _apart(one: Floats, other: Floats) -> float:
    return float(np.linalg.norm(one - other))


def _gap_px(log: Floats, line: Floats, corner: int) -> float:
    """Width of the dark line, px: the light that it lacks over that beside it."""
    rows = np.arange(corner, len(log) - corner)
    aside = np.arange(-REACH_PX, REACH_PX + 1)
    columns = np.clip(np.rint(line[rows])[:, None].astype(int) + aside, 0, log.shape[1] - 1)
    light = np.exp(np.median(log[rows[:, None], columns].mean(axis=2), axis=0))
    # what lies farther off may be printed, so only a wide gap is held against that
    beside = [float(min(light[REACH_PX - span], light[REACH_PX + span])) for span in (SPAN_PX, REACH_PX)]
    thin, wide = (1 - light / level for level in beside)
    thin[np.abs(aside) > SPAN_PX] = 0
    if max(wide[0], wide[-1]) > BORDER_SHARE * wide[REACH_PX]:  # it goes on, so it is a dark border
        wide = thin
    return float(np.clip(wide if wide[REACH_PX] > MUCH_DARKER * thin[REACH_PX] else thin, 0, 1).sum())
