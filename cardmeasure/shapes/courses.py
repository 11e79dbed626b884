"""Where the edges of plans run, cut into sides (that look alike all along) and short stretches of them.

A disc's edge is cut into arcs, which look alike as they face nearly one way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, project
from cardmeasure.shapes.plans import Plan, interior_angles_rad

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

POINTS = 40
"""Points at which a stretch's edge is crossed: more than one a pixel says nothing new."""
ARCS, ARC_STRETCHES = 16, 2
STRETCH_MM, FEWEST, MOST = 5.0, 2, 12
ROOM_MM = 1.0
"""Left out beside a rounded corner: what lies so near it is blurred together with it."""
MOST_LEFT_OUT = 0.35
"""Of a side at either end."""
TANGENT_MM = 0.05


@dataclass(frozen=True, kw_only=True, eq=False)
class Course:
    """The edges of several plans. mm, way (s, m, 2): places and clockwise unit directions, on the top face's plane.

    piece, side (s,): whose plan, and which side of all plans' in turn. elevation_mm (s,): of the top face.
    """

    piece: Ints
    side: Ints
    mm: Floats
    way: Floats
    elevation_mm: Floats

    @property
    def first(self) -> Ints:
        """First stretch of each side, (k,)."""
        return np.searchsorted(self.side, np.arange(int(self.side[-1]) + 1))

    @property
    def out(self) -> Floats:
        """Outward unit normals (s, m, 2) on the plane."""
        return np.stack([self.way[..., 1], -self.way[..., 0]], axis=2)


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """A course in the photo: px, normal (s, m, 2), outward of unit length, and px_per_mm (s,) across the edge."""

    px: Floats
    normal: Floats
    px_per_mm: Floats


def course_of(plans: list[Plan], elevation_mm: Floats) -> Course:
    """The edges of plans with such elevations (n,)."""
    pieces, sides, places, ways, count = [], [], [], [], 0
    for k, plan in enumerate(plans):
        side, mm, way = _arcs(plan) if plan.is_disc else _straight(plan)
        pieces.append(np.full(len(side), k))
        sides.append(side + count)
        places.append(mm)
        ways.append(way)
        count += int(side[-1]) + 1
    piece = np.concatenate(pieces).astype(np.intp)
    return Course(
        piece=piece, side=np.concatenate(sides).astype(np.intp), mm=np.concatenate(places), way=np.concatenate(ways),
        elevation_mm=elevation_mm[piece],
    )  # fmt: skip


def seen(course: Course, camera: Camera) -> Seen:
    """Where a camera sees the course."""
    flat, way = course.mm.reshape(-1, 2), course.way.reshape(-1, 2)
    out = course.out.reshape(-1, 2)
    z = -np.repeat(course.elevation_mm, course.mm.shape[1])[:, None]

    def at(mm: Floats) -> Floats:
        return project(camera, np.hstack([mm, z]))

    ahead = at(flat + TANGENT_MM * way) - at(flat - TANGENT_MM * way)
    ahead /= np.linalg.norm(ahead, axis=1)[:, None]
    normal = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    px = at(flat)
    across = ((at(flat + TANGENT_MM * out) - px) * normal).sum(axis=1) / TANGENT_MM
    shape = course.mm.shape
    return Seen(px=px.reshape(shape), normal=normal.reshape(shape), px_per_mm=across.reshape(shape[:2]).mean(axis=1))


def wall_widths_px(course: Course, places: Seen, camera: Camera, *, paper_mm: float) -> Floats:
    """Signed width (s,) of the wall outside the edge; negative where the face hides it. The table is at z = paper.

    places : where the camera sees the course.
    """
    at = course.mm.shape[1] // 2
    foot = np.column_stack([course.mm[:, at], np.full(len(course.mm), paper_mm)])
    return np.asarray(((project(camera, foot) - places.px[:, at]) * places.normal[:, at]).sum(axis=1))


def _arcs(plan: Plan) -> tuple[Ints, Floats, Floats]:
    stretches = ARCS * ARC_STRETCHES
    angle = (np.arange(stretches)[:, None] + (np.arange(POINTS) + 0.5) / POINTS) * (2 * np.pi / stretches)
    spoke = np.stack([np.cos(angle), np.sin(angle)], axis=2)
    way = np.stack([-spoke[..., 1], spoke[..., 0]], axis=2)
    return np.repeat(np.arange(ARCS), ARC_STRETCHES), plan.centre_mm + plan.radius_mm * spoke, way


def _straight(plan: Plan) -> tuple[Ints, Floats, Floats]:
    corners = plan.corners_mm
    tangent = plan.radius_mm / np.tan(interior_angles_rad(corners) / 2) + ROOM_MM
    sides, places, ways = [], [], []
    for k, (a, b) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
        length = float(np.linalg.norm(b - a))
        low = min(float(tangent[k]), MOST_LEFT_OUT * length)
        high = length - min(float(tangent[(k + 1) % len(corners)]), MOST_LEFT_OUT * length)
        count = int(np.clip(round((high - low) / STRETCH_MM), FEWEST, MOST))
        along = low + (high - low) * (np.arange(count)[:, None] + (np.arange(POINTS) + 0.5) / POINTS) / count
        way = (b - a) / length
        sides.append(np.full(count, k))
        places.append(a + along[..., None] * way)
        ways.append(np.broadcast_to(way, (count, POINTS, 2)))
    return np.concatenate(sides), np.concatenate(places), np.concatenate(ways)
