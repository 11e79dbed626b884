"""Where the edge lies on each short stretch of a side, given how the whole side looks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges import compiled
from cardmeasure.edges.channels import Channels
from cardmeasure.edges.fitting import ROBUST_AT, scatter_of_bins
from cardmeasure.edges.looks import PLACE, WALL, shares_with_slope
from cardmeasure.edges.shading import Shading

Floats = NDArray[np.floating[Any]]

ROUNDS = 2
FREEDOM = 2.5
"""Unknowns of a stretch for each of two channels: face and table in each, and one place."""
LONGEST_PX = 1.0
LEAST_SCATTER = 1e-4


@dataclass(frozen=True, kw_only=True, eq=False)
class Offsets:
    """Place (n,) of the edge, px outward of where it is predicted, and its standard uncertainty (n,)."""

    place_px: Floats
    u_px: Floats


def edge_offsets(
    distance_px: Floats, light: Floats, weight: Floats, *, looks: Floats, channels: Channels, shading: Shading,
    rounds: int = ROUNDS,
) -> Offsets:  # fmt: skip
    """Fit place and levels of n stretches: distances, weights (n, b), BGR light (n, b, 3), their sides' looks (n, 15).

    Blur, wall and shadow are those of the whole side; levels are eliminated, as they are linear.
    """
    kind = np.float32
    light = channels.of(light)
    scatter = np.maximum(scatter_of_bins(light, weight, channels), LEAST_SCATTER)
    if compiled.has_room(distance_px.shape[1]):
        place, u = compiled.offsets(
            distance_px, light.transpose(0, 2, 1), weight, scatter,
            looks=looks, channels=channels, shading=shading, rules=(ROBUST_AT, FREEDOM, LONGEST_PX, rounds),
        )  # fmt: skip
        return Offsets(place_px=place, u_px=u)
    x, y = distance_px.astype(kind), np.ascontiguousarray(light.transpose(0, 2, 1), kind)
    scatter = scatter.astype(kind)
    looks = looks.copy()
    robust = (weight / (1 + weight)).astype(kind)
    u = np.full(len(x), np.inf)
    wall_level = (channels.mix @ looks[:, WALL, None]).astype(kind)
    for _ in range(rounds):
        (face, wall, table), slopes = shares_with_slope(x, looks, channels, shading)
        rest = y - wall_level * wall
        levels = _levels(rest, face, table, robust)
        of_face, of_table = levels[:, 0, :, None], levels[:, 1, :, None]
        r = rest - of_face * face - of_table * table
        by = of_face * slopes[0] + wall_level * slopes[1] + of_table * slopes[2]
        z = np.sqrt(np.mean((r / scatter[..., None]) ** 2, axis=1))
        robust = ((weight / (1 + weight)) * np.minimum(1, ROBUST_AT / np.maximum(z, 1e-6))).astype(kind)
        free = by - _part_of(_levels(by, face, table, robust), face, table)
        w = robust[:, None] / scatter[..., None] ** 2
        by_channel = np.maximum((w * free * by).sum(axis=2, dtype=np.float64), 0.0)
        information = np.maximum(by_channel.sum(axis=1), 1e-12)
        step = np.clip((w * free * r).sum(axis=(1, 2), dtype=np.float64) / information, -LONGEST_PX, LONGEST_PX)
        looks[:, PLACE] += step
        left = (w * (r - step[:, None, None].astype(kind) * free) ** 2).sum(axis=2, dtype=np.float64)
        # channels need not scatter in proportion to what was assumed
        excess = np.maximum(left / np.maximum((weight > 0).sum(axis=1) - FREEDOM, 1)[:, None], 0.1)
        u = np.sqrt((by_channel * excess).sum(axis=1)) / information
    return Offsets(place_px=looks[:, PLACE], u_px=u)


def _levels(y: Floats, face: Floats, table: Floats, weight: Floats) -> Floats:
    """Least-squares levels (n, 2, c) of face and table shares (n, c, b) in light (n, c, b)."""
    wf, wt = weight[:, None] * face, weight[:, None] * table
    pairs = ((wf, face), (wf, table), (wt, table), (wf, y), (wt, y))
    ff, ft, tt, fy, ty = (np.einsum("ncb,ncb->nc", *pair) for pair in pairs)
    determinant = np.maximum(ff * tt - ft**2, 1e-6)
    return np.stack([(tt * fy - ft * ty) / determinant, (ff * ty - ft * fy) / determinant], axis=1)


def _part_of(levels: Floats, face: Floats, table: Floats) -> Floats:
    """Light (n, c, b) with levels (n, 2, c) of face and table."""
    return np.asarray(levels[:, 0, :, None] * face + levels[:, 1, :, None] * table)
