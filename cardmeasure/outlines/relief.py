"""Whether a rectangle stands up from the table: its foot shadows, at full resolution.

What is printed on a table is as dark on one side as on the other. A piece has a shadow at the foot of the sides that
face away from the lamp, and a little less light at all of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera
from cardmeasure.edges.profiles import Profiles, Reach, Stretches, sample_profiles
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

REACH_MM = 1.7
STRETCHES = Stretches(length_mm=3.0, corner_mm=4.5, fewest=6, most=40, every=2, phases=1)
SEARCH_MM = 0.5
"""How far from its rough place the edge is sought."""
NEAR_MM, FAR_MM = (0.12, 0.42), (0.85, 1.35)
"""Where outside the edge a foot shadow lies, and where the table is free of it."""
FLOOR = 0.004


@dataclass(frozen=True, kw_only=True, eq=False)
class Relief:
    """Of n rectangles: darkening (n, 4) of the table close outside each side, in logarithms of light, and its u."""

    dimming: Floats
    u_dimming: Floats

    @property
    def asymmetry(self) -> Floats:
        """The larger difference (n,) between opposite sides, over its u."""
        d = self.dimming[:, :2] - self.dimming[:, 2:]
        return np.asarray(np.abs(d).max(axis=1))


def relief_of(photo: Photo, camera: Camera, quads_mm: Floats, *, px_per_mm: float) -> Relief:
    """Of rectangles (n, 4, 2) on the table."""
    quads = np.array([qd.quad_from_corners(q, elevation_mm=0.0) for q in quads_mm])
    reach = Reach(inner_px=REACH_MM * px_per_mm, outer_px=REACH_MM * px_per_mm)
    profiles = sample_profiles(photo, camera, quads, reach=reach, stretches=STRETCHES)
    bins = np.arange(-REACH_MM, REACH_MM, 0.06) + 0.03
    log = _resampled(profiles, bins, px_per_mm)
    n = len(quads_mm) * qd.SIDES
    key = profiles.card * qd.SIDES + profiles.side
    dimming, u = np.zeros(n), np.full(n, np.inf)
    for side in range(n):
        rows = log[key == side]
        mean = np.median(rows, axis=0)
        steep = np.abs(np.gradient(np.convolve(mean, np.ones(3) / 3, mode="same")))
        steep[np.abs(bins) > SEARCH_MM] = 0
        edge = bins[int(np.argmax(steep))]
        near = (bins > edge + NEAR_MM[0]) & (bins < edge + NEAR_MM[1])
        far = (bins > edge + FAR_MM[0]) & (bins < min(edge + FAR_MM[1], REACH_MM - 0.1))
        each = rows[:, near].mean(axis=1) - rows[:, far].mean(axis=1)
        dimming[side] = float(np.median(each))
        u[side] = 1.25 * 1.48 * float(np.median(np.abs(each - dimming[side]))) / np.sqrt(len(each))
    return Relief(dimming=dimming.reshape(-1, qd.SIDES), u_dimming=u.reshape(-1, qd.SIDES))


def _resampled(profiles: Profiles, bins_mm: Floats, px_per_mm: float) -> Floats:
    """Logarithm of green light (n, b) at distances in mm."""
    out = np.empty((len(profiles.card), len(bins_mm)))
    for k in range(len(out)):
        used = profiles.weight[k] > 0
        d = profiles.distance_px[k][used] / px_per_mm
        out[k] = np.interp(bins_mm, d, np.log(profiles.light[k][used].mean(axis=1) + FLOOR))
    return out
