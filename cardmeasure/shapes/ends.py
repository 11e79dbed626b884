"""Whether the sides of cards end where they were found to: light along them, past their corners, and farther out.

A side may have been found on a line of the table, on a printed line, or where a face as bright as the table fades into
it. Its neighbours tell: a step like theirs runs up to the corner and no farther. And where a border is nearly as bright
as the table, the picture within it may have been taken for the card: then a faint step runs round it, on all four sides
at about one distance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project
from cardmeasure.outlines.pieces import Outline
from cardmeasure.photo import Photo
from cardmeasure.solving import Solution

Floats = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]

REACH_MM, STEP_MM, STEP_PX = 8.0, 0.5, 1.5
"""So far past corners and short of them ends are looked for, in steps of at least so much."""
DEPTHS_MM, LEAST_MM, BLURS, FARTHER_MM = np.array([0.0, 0.4, 0.8]), 0.8, 2.0, 2.0
"""Light is read this much deeper inside and outside than the least depth, or than so many blurs; and as far again
outside, to see how the table differs from itself."""
MIDDLE = np.linspace(0.05, 0.95, 40)
"""Where along a side its step is learned from."""
ALIKE, ODD, ODD_SPREAD = 0.06, 0.1, 1.0
"""Steps differ by so much (logarithm of light) from those that they are compared with, or, with this probability, by
anything up to about the last figure."""
TOGETHER = 3.0
"""Places so near to each other tell as much as one place would, over this."""
HERE_MM, ELSEWHERE_MM, ROUND_MM = 1.0, 1.5, 0.3
"""An end seen within the first of a corner is there, one farther than the second is elsewhere; round corners take so
much of the straight side where light is read."""
DARKEST = 0.01
"""Added to linear light before its logarithm is taken, as noise and flare do."""
LEAST_ODDS = 1.0
"""Natural logarithm of the odds, by the light alone, that a side ends where it was found: with less its size is
doubted. On rendered families (seeds 2000 to 2005, 2026-12) three of 180 cards rightly
found had less, down to -3, and the one wrongly found -17."""
OUT_MM, OUT_STEP_MM, PARTS, PER_PART = 10.0, 0.35, 12, 3
"""How far outside steps that run round a card are looked for, and in how many places of how many parts of a side."""
STEP_WIDE_MM, SHADOW_MM, COMMON_MM = 1.2, 1.0, 0.6
"""Light is averaged over so much on both sides of such a step, past a card's own shadow; the four lie at distances
that differ by no more than twice the last."""
LEAST_SCATTER = 0.002
ALL_ROUND = 2.5
"""Steps that stand out on all four sides so many times as much as they scatter run round the card. On rendered families
(seeds 2000 to 2005, 2026-12) pictures within pale borders had 4.5, 2.8 and 2.1, and 180 cards 2.1 at most."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sides:
    """Sides of c cards on their faces: where they begin, unit vectors along them and outward (c, 4, 3), and how long
    they are (c, 4), mm."""

    start: Floats
    way: Floats
    outward: Floats
    length: Floats

    @staticmethod
    def of(quads: Floats) -> _Sides:
        corners = qd.corners_mm(quads)
        way = np.roll(corners, -1, axis=1) - corners
        length = np.linalg.norm(way, axis=2)
        way = way / length[..., None]
        outward = np.stack([way[..., 1], -way[..., 0], np.zeros_like(length)], axis=2)
        inner = ((corners.mean(axis=1, keepdims=True) - corners) * outward).sum(axis=2, keepdims=True) > 0
        return _Sides(start=corners, way=way, outward=np.where(inner, -outward, outward), length=length)

    def light(self, photo: Photo, camera: Camera, along_mm: Floats, outward_mm: Floats) -> Floats:
        """Logarithm of linear light (c, 4, m, d, 3) at places along the sides (c, 4, m), so far outward (d,); NaN
        outside the photo."""
        at = self.start[:, :, None] + along_mm[..., None] * self.way[:, :, None]
        at = at[..., None, :] + outward_mm[:, None] * self.outward[:, :, None, None]
        px = project(camera, at.reshape(-1, 3))
        x, y = np.rint(px).astype(np.intp).T
        beyond = (x < 0) | (y < 0) | (x >= photo.width_px) | (y >= photo.height_px)
        seen = photo.pixels_bgr[np.where(beyond, 0, y), np.where(beyond, 0, x)]
        light = np.log(photo.response + DARKEST).astype(np.float32)[seen]
        light[beyond] = np.nan
        return np.asarray(light.reshape(at.shape))


def with_unclear_ends(
    photo: Photo, outlines: Sequence[Outline], solution: Solution, *, blur_px: float
) -> frozenset[int]:  # fmt: skip
    """Which solved pieces, by index, do not end at all their sides, or are not seen to.

    Those beside others are left out: there sides may go on as the neighbour's, and their sizes are doubted anyway.
    """
    asked = [k for k, one in enumerate(outlines)
             if solution.card_of[k] >= 0 and not (one.flags or any(one.beside) or any(one.joined))]  # fmt: skip
    state = solution.adjustment.state
    unclear = have_unclear_ends(photo, state.camera, state.quads[solution.card_of[asked]], blur_px=blur_px)
    return frozenset(k for k, holds in zip(asked, unclear.tolist(), strict=True) if holds)


def have_unclear_ends(photo: Photo, camera: Camera, quads: Floats, *, blur_px: float) -> Mask:
    """Of which cards (c, 14) one side at least does not end where it was found, or is not seen to."""
    if not len(quads):
        return np.zeros(0, bool)
    sides = _Sides.of(quads)
    per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
    odds = _odds_of_ends(photo, camera, sides, blur_mm=blur_px / per_mm, px_mm=1 / per_mm)
    around = _steps_all_round(photo, camera, sides, blur_mm=blur_px / per_mm, px_mm=1 / per_mm)
    return np.asarray((odds.min(axis=1) < LEAST_ODDS) | (around > ALL_ROUND))


def _odds_of_ends(photo: Photo, camera: Camera, sides: _Sides, *, blur_mm: float, px_mm: float) -> Floats:
    """Logarithms of the odds (c, 4) that sides end those beside them here rather than farther out or in."""
    past = np.arange(-REACH_MM, REACH_MM + 1e-9, max(STEP_MM, STEP_PX * px_mm))
    depths = DEPTHS_MM + max(LEAST_MM, BLURS * blur_mm)

    def steps(along_mm: Floats) -> tuple[Floats, Floats]:
        light = sides.light(photo, camera, along_mm, np.concatenate([-depths, depths, depths + FARTHER_MM]))
        inner, outer, farther = light.reshape(*light.shape[:3], 3, len(depths), 3).mean(axis=4).transpose(3, 0, 1, 2, 4)
        return inner - outer, outer - farther

    side, table = steps(MIDDLE * sides.length[..., None])
    table = np.concatenate([table, -table], axis=2)
    ends = []
    for along in (-past, sides.length[..., None] + past):
        seen, _ = steps(np.broadcast_to(along, (*sides.length.shape, len(past))))
        told = np.nan_to_num(_log_likelihood(seen, side) - _log_likelihood(seen, table)) / TOGETHER
        # an end at each place: all before it belongs to the side, nothing after it
        ends.append((told.cumsum(axis=2) - told) * (past[1] - past[0]) / STEP_MM)
    start, end = ends
    # the side before this one ends at it, the next one begins there
    likelihood = np.roll(end, 1, axis=1) + np.roll(start, -1, axis=1)
    likelihood = np.exp(likelihood - likelihood.max(axis=2, keepdims=True)) + 1e-30
    off = past + ROUND_MM
    here, out, inside = (likelihood[..., part].mean(axis=2) for part in
                         (np.abs(off) < HERE_MM, off > ELSEWHERE_MM, off < -ELSEWHERE_MM))  # fmt: skip
    return np.asarray(np.log(here) - np.log(np.maximum(out, inside)))


def _log_likelihood(seen: Floats, known: Floats) -> Floats:
    """Of steps (c, 4, m, 3), which are like some of those known (c, 4, k, 3), or odd ones; but for a constant."""
    square, usable = np.asarray((seen**2).sum(axis=-1)), np.asarray(np.isfinite(known).all(axis=-1))
    known = np.where(usable[..., None], known, 0.0)
    apart = square[..., None] + (known**2).sum(axis=-1)[..., None, :] - 2 * seen @ known.swapaxes(-1, -2)
    like = np.exp(-apart / (2 * ALIKE**2)) @ usable[..., None].astype(seen.dtype)
    like = like[..., 0] / (np.maximum(usable.sum(axis=-1), 1)[..., None] * ALIKE**3)
    odd = np.exp(-square / (2 * ODD_SPREAD**2)) / ODD_SPREAD**3
    return np.asarray(np.log((1 - ODD) * like + ODD * odd))


def _steps_all_round(photo: Photo, camera: Camera, sides: _Sides, *, blur_mm: float, px_mm: float) -> Floats:
    """How many times their scatter (c,) steps stand out that run round cards outside, the least of four sides; 0 where
    a part of the table there lies outside the photo."""
    step = max(OUT_STEP_MM, px_mm)
    out = np.arange(0.0, OUT_MM + 1e-9, step)
    along = np.linspace(0.04, 0.96, PARTS * PER_PART) * sides.length[..., None]
    light = np.exp(sides.light(photo, camera, along, out) / 2)
    parts = light.reshape(*light.shape[:2], PARTS, PER_PART, len(out), 3).mean(axis=3)
    wide, gap = max(2, round(STEP_WIDE_MM / step)), max(1, round(max(0.3, blur_mm) / step))
    middles = np.arange(gap + wide + round(SHADOW_MM / step), len(out) - gap - wide)
    total = np.concatenate([np.zeros_like(parts[..., :1, :]), parts.cumsum(axis=3)], axis=3)
    before = total[..., middles - gap, :] - total[..., middles - gap - wide, :]
    after = total[..., middles + gap + wide, :] - total[..., middles + gap, :]
    seen = (after - before) / wide
    middle = np.median(seen, axis=2)
    scatter = 1.4826 * np.median(np.abs(seen - middle[:, :, None]), axis=2) * 1.25 / np.sqrt(PARTS)
    stands_out = np.sqrt(((middle / (scatter + LEAST_SCATTER)) ** 2).mean(axis=-1))
    reach = round(COMMON_MM / step)
    padded = np.pad(np.nan_to_num(stands_out), ((0, 0), (0, 0), (reach, reach)))
    near = np.max([padded[..., k : k + len(middles)] for k in range(2 * reach + 1)], axis=0)
    return np.asarray(near.min(axis=1).max(axis=1))
