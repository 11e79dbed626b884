"""How clear the sides of rectangles are on a view of the table: where edges bear them out, how they stand out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.outlines.lines import View

Floats = NDArray[np.floating[Any]]
Index = NDArray[np.intp]

SAMPLES, GAP_SAMPLES = 31, 91
"""Places along a side that are looked at: for how clear it is, and for gaps in it."""
CORNER_MM = 5.0
"""Left out at the ends of sides: round corners."""
BEYOND_MM, BEYOND_SAMPLES = (1.0, 4.5), 8
"""Where beyond a side's ends its line is looked at: a piece's edge ends there, grain and stripes run on."""
OUTSIDE_MM = (1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0)
"""Where parallel lines outside a side are looked at: what the table's own texture is like."""
LEAST_SLOPE, ACROSS = 3.0, 0.75
"""A place bears out an edge where a cue rises by so many code values a pixel, most of it across the edge."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SideQuality:
    """How clear the sides (n, 4) of rectangles are: strength, mean rise of the cues across it; over that of parallel
    lines close outside (prominence); share of its line beyond its ends that rises alike (overrun); the longest part of
    it where no edge runs, mm (gap)."""

    strength: Floats
    prominence: Floats
    overrun: Floats
    gap_mm: Floats

    def rows(self, index: Index | NDArray[np.bool_]) -> SideQuality:
        """Those of some rectangles."""
        return SideQuality(
            strength=self.strength[index], prominence=self.prominence[index], overrun=self.overrun[index],
            gap_mm=self.gap_mm[index],
        )  # fmt: skip


def side_quality(view: View, quads: Floats, slopes: Floats) -> SideQuality:
    """The quality of all sides of quadrilaterals (n, 4, 2)."""
    strength, prominence, overrun, gap = (np.zeros((len(quads), 4)) for _ in range(4))
    for side in range(4):
        a, b = quads[:, side], quads[:, (side + 1) % 4]
        length = np.maximum(np.linalg.norm(b - a, axis=1), 1e-9)[:, None]
        way = (b - a) / length
        out = np.column_stack([way[:, 1], -way[:, 0]])
        margin = np.minimum(CORNER_MM, 0.2 * length)
        from_a, to_b = a + margin * way, b - margin * way
        rises = best_rises(view, from_a, to_b, slopes, SAMPLES, out)
        strength[:, side] = np.linalg.norm(rises, axis=2).mean(axis=1)
        around = [
            np.linalg.norm(rises_along(view, from_a + s * out, to_b + s * out, slopes, SAMPLES, out), axis=2).mean(
                axis=1
            )
            for s in OUTSIDE_MM
        ]
        prominence[:, side] = strength[:, side] / np.maximum(np.median(around, axis=0), 0.3)
        gap[:, side] = _longest_gap(_support_between(view, from_a, to_b, slopes, GAP_SAMPLES)) * (
            length[:, 0] - 2 * margin[:, 0]) / (GAP_SAMPLES - 1)  # fmt: skip
        mean = rises.mean(axis=1)
        size = np.maximum(np.linalg.norm(mean, axis=1), 0.5 * strength[:, side])
        ends = (b + BEYOND_MM[0] * way, b + BEYOND_MM[1] * way), (a - BEYOND_MM[1] * way, a - BEYOND_MM[0] * way)
        shares = []
        for start, end in ends:
            beyond = best_rises(view, start, end, slopes, BEYOND_SAMPLES, out)
            shares.append((np.einsum("nsk,nk->ns", beyond, mean) > 0.5 * (size**2)[:, None]).mean(axis=1))
        overrun[:, side] = np.mean(shares, axis=0)
    return SideQuality(strength=strength, prominence=prominence, overrun=overrun, gap_mm=gap)


def side_support(view: View, quads: Floats, slopes: Floats, *, samples: int = SAMPLES) -> Floats:
    """Share (n, 4) of places along each side of quadrilaterals (n, 4, 2) where an edge runs."""
    out = np.zeros((len(quads), 4))
    for start in range(0, len(quads), 4096):
        part = quads[start : start + 4096]
        for side in range(4):
            out[start : start + 4096, side] = _support(view, part[:, side], part[:, (side + 1) % 4], slopes, samples)
    return out


def _support(view: View, a: Floats, b: Floats, slopes: Floats, samples: int) -> Floats:
    length = np.linalg.norm(b - a, axis=1)
    margin = (np.minimum(CORNER_MM, 0.2 * length) / np.maximum(length, 1e-9))[:, None]
    return np.asarray(_support_between(view, a + margin * (b - a), b - margin * (b - a), slopes, samples).mean(axis=1))


def _support_between(view: View, a: Floats, b: Floats, slopes: Floats, samples: int) -> NDArray[np.bool_]:
    """Whether an edge runs along the line from a to b (n, 2) at each of so many places, (n, samples)."""
    length = np.linalg.norm(b - a, axis=1)
    way = (b - a) / np.maximum(length, 1e-9)[:, None]
    t = np.linspace(0, 1, samples) * length[:, None]
    normal = np.column_stack([way[:, 1], -way[:, 0]])
    places = view.to_view(a[:, None] + t[..., None] * way[:, None])
    best = np.zeros(t.shape, bool)
    for shift in (-1.0, 0.0, 1.0):
        slope = slopes_at(slopes, places + shift * normal[:, None])
        across = np.abs(slope[..., 0] * normal[:, None, None, 0] + slope[..., 1] * normal[:, None, None, 1])
        steep = (across > LEAST_SLOPE) & (across > ACROSS * np.hypot(slope[..., 0], slope[..., 1]))
        best |= steep.any(axis=2)
    return best


def _longest_gap(supported: NDArray[np.bool_]) -> Floats:
    """The longest run (n,) of places without an edge in rows (n, m)."""
    run = np.zeros(len(supported))
    longest = np.zeros(len(supported))
    for k in range(supported.shape[1]):
        run = np.where(supported[:, k], 0.0, run + 1)
        longest = np.maximum(longest, run)
    return longest


def best_rises(view: View, a: Floats, b: Floats, slopes: Floats, samples: int, out: Floats) -> Floats:
    """Rises as `rises_along` has them, on the line itself or a pixel beside it, wherever they are greatest in all."""
    tried = [rises_along(view, a + s / view.per_mm * out, b + s / view.per_mm * out, slopes, samples, out)
             for s in (-1.0, 0.0, 1.0)]  # fmt: skip
    size = np.array([np.linalg.norm(t, axis=2).mean(axis=1) for t in tried])
    return np.asarray(np.array(tried)[size.argmax(axis=0), np.arange(len(a))])


def rises_along(view: View, a: Floats, b: Floats, slopes: Floats, samples: int, out: Floats) -> Floats:
    """How the cues rise outwards at places along lines from a to b (n, 2): (n, samples, cues)."""
    places = view.to_view(a[:, None] + np.linspace(0, 1, samples)[:, None] * (b - a)[:, None])
    slope = slopes_at(slopes, places)
    return np.asarray(slope[..., 0] * out[:, None, None, 0] + slope[..., 1] * out[:, None, None, 1])


def slopes_at(slopes: Floats, places: Floats) -> Floats:
    """Slopes (..., cues, 2) of the pixels of the view (h, w, cues, 2) that are nearest to places (..., 2)."""
    h, w = slopes.shape[:2]
    at = np.rint(places).astype(np.intp)
    number = np.clip(at[..., 1], 0, h - 1) * w + np.clip(at[..., 0], 0, w - 1)
    return np.asarray(slopes.reshape(h * w, *slopes.shape[2:]).take(number, axis=0))
