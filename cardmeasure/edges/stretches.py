"""Where the edge lies on each short stretch of a side, given how the whole side looks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges.fitting import ROBUST_AT, scatter_of_bins
from cardmeasure.edges.looks import FACE, PLACE, SHADE, TABLE, WALL, shares_with_slope

Floats = NDArray[np.floating[Any]]

ROUNDS = 3
FREEDOM = 7
"""Unknowns of a stretch: its place, and face and table in three colours."""
LONGEST_PX = 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Offsets:
    """Place (n,) of the edge, px outward of where it is predicted, and its standard uncertainty (n,)."""

    place_px: Floats
    u_px: Floats


def edge_offsets(distance_px: Floats, light: Floats, weight: Floats, *, looks: Floats, rounds: int = ROUNDS) -> Offsets:
    """Fit place and levels of n stretches: distances, weights (n, b), light (n, b, 3), looks (n, 15) of their sides.

    Blur, wall and shadow are those of the whole side; levels are eliminated, as they are linear.
    """
    kind = np.float32
    x, y = distance_px.astype(kind), np.ascontiguousarray(light.transpose(0, 2, 1), kind)
    scatter = np.maximum(scatter_of_bins(light, weight), 1e-4).astype(kind)
    looks = looks.copy()
    robust = (weight / (1 + weight)).astype(kind)
    u = np.full(len(x), np.inf)
    wall_level, shade = looks[:, WALL].astype(kind)[..., None], looks[:, SHADE].astype(kind)[:, None, None]
    for _ in range(rounds):
        face, wall, table, slope = shares_with_slope(x, looks)
        rest = y - wall_level * wall[:, None]
        levels = _levels(rest, face, table, robust)
        of_face, of_table = levels[:, 0, :, None], levels[:, 1, :, None]
        r = rest - of_face * face[:, None] - of_table * table[:, None]
        change = np.concatenate([wall_level - of_face, shade * of_table - wall_level, (1 - shade) * of_table], axis=2)
        by = change @ slope
        z = np.sqrt(np.mean((r / scatter[..., None]) ** 2, axis=1))
        robust = ((weight / (1 + weight)) * np.minimum(1, ROBUST_AT / np.maximum(z, 1e-6))).astype(kind)
        free = by - _part_of(_levels(by, face, table, robust), face, table)
        w = robust[:, None] / scatter[..., None] ** 2
        information = np.maximum((w * free * by).sum(axis=(1, 2), dtype=np.float64), 1e-12)
        step = np.clip((w * free * r).sum(axis=(1, 2), dtype=np.float64) / information, -LONGEST_PX, LONGEST_PX)
        looks[:, PLACE] += step
        looks[:, FACE], looks[:, TABLE] = levels[:, 0], levels[:, 1]
        left = (w * (r - step[:, None, None].astype(kind) * free) ** 2).sum(axis=(1, 2), dtype=np.float64)
        u = np.sqrt(np.maximum(left / np.maximum(3 * (weight > 0).sum(axis=1) - FREEDOM, 1), 0.1) / information)
    return Offsets(place_px=looks[:, PLACE], u_px=u)


def _levels(y: Floats, face: Floats, table: Floats, weight: Floats) -> Floats:
    """Least-squares levels (n, 2, 3) of face and table shares (n, b) in light (n, 3, b)."""
    wf, wt = weight * face, weight * table
    ff, ft, tt = (wf * face).sum(axis=1), (wf * table).sum(axis=1), (wt * table).sum(axis=1)
    fy, ty = (y @ wf[..., None])[..., 0], (y @ wt[..., None])[..., 0]
    determinant = np.maximum(ff * tt - ft**2, 1e-6)[:, None]
    return np.stack(
        [(tt[:, None] * fy - ft[:, None] * ty) / determinant, (ff[:, None] * ty - ft[:, None] * fy) / determinant],
        axis=1,
    )


def _part_of(levels: Floats, face: Floats, table: Floats) -> Floats:
    """Light (n, 3, b) with levels (n, 2, 3) of face and table."""
    return np.asarray(levels[:, 0, :, None] * face[:, None] + levels[:, 1, :, None] * table[:, None])
