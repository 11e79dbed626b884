"""Which of many closed rectangles are worth a closer look: those with rounded corners, of nominal size, or clear.

Edges of patterns, of pictures and of several cards close to rectangles, too, by the hundred; but at their corners
nothing turns from one side into the next, as a card's edge does in an arc.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.geometry import side_lengths
from cardmeasure.outlines.choosing import LEAST_PROMINENCE
from cardmeasure.outlines.lines import View
from cardmeasure.outlines.sides import LEAST_SLOPE, side_quality, slopes_at

Floats = NDArray[np.floating[Any]]

MOST_LOOKED_AT = 300
"""So many take a third of a second."""
LEAST_ARCS, NEARLY_NOMINAL_MM = 0.6, 1.2
"""Share of each corner's arc that must be seen for corners to count as round; rectangles are rough, so that nominal
sizes are met no better."""
LARGE_MM = 300.0
RADII_MM = np.arange(1.5, 5.01, 0.25)
"""Cards have corners of 2 to 4 mm (common practice, no source)."""
PLACES_DEG = np.linspace(35.0, 55.0, 5)
"""Where along each quarter of a circle an edge is looked for, across it."""
ACROSS = 0.92
OFF_MM = np.array([-0.4, -0.2, 0.0, 0.2, 0.4])
"""Rectangles are rough, and each corner may lie so far off."""


def likeliest(view: View, quads: Floats, slopes: Floats, *, nominal_mm: Floats) -> NDArray[np.intp]:
    """The numbers of the rectangles (n, 4, 2), clockwise, that may be cards, the likeliest first.

    nominal_mm (k, 2): short and long sides of nominal sizes.
    """
    if len(quads) == 0:
        return np.zeros(0, np.intp)
    sides = np.sort([side_lengths(quad).reshape(2, 2).mean(axis=0) for quad in quads], axis=1)
    off = np.abs(sides[:, None] - nominal_mm).max(axis=2).min(axis=1, initial=np.inf)
    clear = side_quality(view, quads, slopes).prominence.min(axis=1) >= LEAST_PROMINENCE
    rounded = arc_support(view, quads, slopes).min(axis=1) >= LEAST_ARCS
    size = np.sqrt(sides.prod(axis=1)) / LARGE_MM
    score = 2.0 * rounded + 1.0 * (off < NEARLY_NOMINAL_MM) + 1.0 * clear + size
    return np.asarray(np.argsort(-score, kind="stable")[:MOST_LOOKED_AT])


def arc_support(view: View, quads: Floats, slopes: Floats) -> Floats:
    """Shares (n, 4) of the arcs at corners of rectangles (n, 4, 2), clockwise, along which an edge runs, for the radius
    that suits all of a rectangle's corners best."""
    side = np.roll(quads, -1, axis=1) - quads
    ahead = side / np.maximum(np.linalg.norm(side, axis=2), 1e-9)[..., None]
    back = -np.roll(ahead, 1, axis=1)
    inward = ahead + back
    angle = np.radians(PLACES_DEG)
    best = np.zeros(quads.shape[:2])
    # from the centre of an arc outwards: a quarter of a circle between the two sides' outward normals
    out = -(np.cos(angle)[:, None] * ahead[:, :, None] + np.sin(angle)[:, None] * back[:, :, None])
    for r in RADII_MM:
        shown = np.zeros((*quads.shape[:2], len(OFF_MM)))
        for k, off in enumerate(OFF_MM):
            places = (quads + (r + off) * inward)[:, :, None] + r * out
            shown[..., k] = _edge_across(view, places, out, slopes).mean(axis=2)
        support = shown.max(axis=2)
        better = support.min(axis=1) > best.min(axis=1)
        best[better] = support[better]
    return best


def _edge_across(view: View, places: Floats, out: Floats, slopes: Floats) -> NDArray[np.bool_]:
    """Whether at places (..., 2) an edge runs across the direction (..., 2)."""
    slope = slopes_at(slopes, view.to_view(places))
    across = np.abs(slope[..., 0] * out[..., None, 0] + slope[..., 1] * out[..., None, 1])
    steep = (across > LEAST_SLOPE) & (across > ACROSS * np.hypot(slope[..., 0], slope[..., 1]))
    return np.asarray(steep.any(axis=-1))
