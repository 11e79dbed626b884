"""What a polished table mirrors: the room's ceiling, windows, lamps, and the phone itself, as soft-edged panes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.rig.compiled import compiled_apart
from calibration.rig.lighting import Lights
from calibration.rig.pieces import Record
from calibration.rig.scene import Mat

Colour = tuple[float, float, float]

PANE = np.dtype(
    [("middle", "f8", (3,)), ("half_x", "f8", (3,)), ("half_y", "f8", (3,)), ("rgb", "f8", (3,)), ("soft", "f8")]
)
"""A rectangle that is mirrored: its middle, two half sides, its radiance; `soft`: share of its half sides over which it
fades. The first of a list is the room, whatever way one looks."""
CEILING_MM = 2300.0


def panes(mat: Mat, lights: Lights) -> NDArray[np.void]:
    """All that the table mirrors, the farthest first; nothing where it has no polish."""
    if mat.polish == 0:
        return np.zeros(0, PANE)
    rng = np.random.default_rng([mat.seed, 74])
    ambient, lamps = np.array(lights.ambience["rgb"]), lights.lamps
    windows, phone = int(rng.integers(2, 7)), int(lights.ambience["has_phone"])
    rows = np.zeros(1 + windows + len(lamps) + phone, PANE)
    rows[0]["rgb"] = 0.5 * ambient
    for row in rows[1 : 1 + windows]:
        row["middle"] = (*rng.uniform(-1500, 1500, 2), CEILING_MM)
        row["half_x"], row["half_y"] = (float(rng.uniform(80, 420)), 0, 0), (0, float(rng.uniform(80, 420)), 0)
        row["rgb"], row["soft"] = rng.uniform(0.1, 2.2) * ambient, rng.uniform(0.05, 0.3)
    for row, lamp in zip(rows[1 + windows :], lamps, strict=False):
        for name, source in (("middle", "centre"), ("half_x", "half_x"), ("half_y", "half_y")):
            row[name] = lamp[source]
        area = 4 * float(np.linalg.norm(np.cross(lamp["half_x"], lamp["half_y"])))
        # a broad lamp mirrored by varnish that scatters a little is dimmer than the lamp itself
        row["rgb"], row["soft"] = 0.25 * math.pi * lamp["power"] / area * lamp["rgb"], 0.4
    if phone:
        row = rows[-1]
        row["middle"], row["half_x"], row["half_y"] = lights.ambience["phone"]
        row["rgb"], row["soft"] = 0.05 * ambient, 0.12
    rows["rgb"] *= mat.polish
    return rows


@compiled_apart
def mirrored(rows: Record, x: float, y: float, dx: float, dy: float, dz: float) -> Colour:
    """Radiance that a level mirror of varnish at (x, y) adds for a ray (dx, dy, dz) that comes down on it."""
    r, g, b = rows[0].rgb[0], rows[0].rgb[1], rows[0].rgb[2]
    up = -dz
    for k in range(1, rows.shape[0]):
        p = rows[k]
        ax, ay, az = p.half_x[0], p.half_x[1], p.half_x[2]
        bx, by, bz = p.half_y[0], p.half_y[1], p.half_y[2]
        nx, ny, nz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        along = nx * dx + ny * dy + nz * up
        if along == 0:
            continue
        t = (nx * (p.middle[0] - x) + ny * (p.middle[1] - y) + nz * p.middle[2]) / along
        if t <= 0:
            continue
        qx, qy, qz = x + t * dx - p.middle[0], y + t * dy - p.middle[1], t * up - p.middle[2]
        fa = abs(qx * ax + qy * ay + qz * az) / (ax * ax + ay * ay + az * az)
        fb = abs(qx * bx + qy * by + qz * bz) / (bx * bx + by * by + bz * bz)
        share = min(max((1 + p.soft / 2 - fa) / p.soft, 0.0), 1.0) * min(max((1 + p.soft / 2 - fb) / p.soft, 0.0), 1.0)
        r, g, b = r + share * (p.rgb[0] - r), g + share * (p.rgb[1] - g), b + share * (p.rgb[2] - b)
    fresnel = 0.04 + 0.96 * (1 - up) ** 5
    return fresnel * r, fresnel * g, fresnel * b
