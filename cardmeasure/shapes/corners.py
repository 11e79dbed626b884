"""How round corners are: the arc between two straight sides, from the light across it in the middle of the corner.

Only the corner's middle is looked at, over `FAN_DEG`, with what its two sides have told of face, wall and table. The
arc's middle moves by only 0.41 of the radius at a right angle, and by less at blunter ones, so the radius is good to
some tenths of a millimetre at best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera
from cardmeasure.edges.channels import plain_channels
from cardmeasure.edges.looks import BLUR, PLACE, WALL, WIDTH, shares
from cardmeasure.edges.shading import open_shading
from cardmeasure.edges.stretches import edge_offsets
from cardmeasure.numerics import median
from cardmeasure.photo import Photo
from cardmeasure.shapes.courses import Course, seen, wall_widths_px
from cardmeasure.shapes.plans import interior_angles_rad
from cardmeasure.shapes.sampling import STEP_PX, distances_px, light_across

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

FAN_DEG, RAYS = 12.0, 5
AROUND_PX = 4.0
LEAST_MM = 1.0
"""The fan of a sharper corner is drawn at this radius."""
SEARCH_MM, LONGER_SEARCH_MM, SEARCH_STEP_PX = (0.45,), (0.45, 0.45, 0.2), 1.25
"""How far from where it is drawn the middle of an arc is sought, in each round, at right and blunter corners; the
longer one for outlines that hold shadows, too."""
RIGHT_GAIN = float(np.sqrt(2) - 1)
LEAST_SEARCH_PX, TO_SHARP = 1.5, 0.9
"""At least so far, and so much of the way from the least arc drawn to a sharp corner."""
COMMON_MM = 2.5
"""Where nothing is known, the search begins at cards' usual radius (common practice, no source)."""
GRID = 60
BLUR_ROUNDS = 2.0
"""A sharp corner looks as if it had a radius of so many blurs, which counts in quadrature (fitted to rendered ones)."""
U_PLACE_PX = 0.25
"""Standard uncertainty of where the middle of an arc is seen."""
MOST_SHARE = 0.45
"""Of the shorter of its two sides, a corner's arc takes at most."""
MOST_SPREAD_MM, MOST_ODD = 0.18, 0.35
"""Corners are alike where the middles of their arcs lie within this; so large a share of them may be mistaken."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Corners:
    """Corners (n, 2) of a polygon, clockwise, on its top face; looks (n, 15) of the sides that begin at them.

    start_mm : their radius, roughly.
    """

    mm: Floats
    elevation_mm: float
    looks: Floats
    start_mm: float


def corner_radii_mm(
    photo: Photo,
    camera: Camera,
    pieces: Sequence[Corners],
    *,
    paper_mm: float,
    search_mm: Sequence[float] = SEARCH_MM,
) -> list[tuple[Floats, Floats]]:
    """Radii and their standard uncertainties (n,) of each piece's corners."""
    if not pieces:
        return []
    polygons = _Polygons.of([piece.mm for piece in pieces])
    half, most = polygons.angles_rad / 2, polygons.largest_mm
    sides = np.concatenate([piece.looks for piece in pieces])
    looks = (sides + sides[polygons.before]) / 2
    radius = np.clip(polygons.each([piece.start_mm for piece in pieces]), 0.0, most)
    elevation = polygons.each([piece.elevation_mm for piece in pieces])
    u = np.full(len(half), np.inf)
    per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
    gain = np.cos(np.radians(FAN_DEG) / 2) / np.sin(half) - 1
    for turn, reach_mm in enumerate(search_mm, start=1):
        wide = max(reach_mm * max(1.0, float(gain.max()) / RIGHT_GAIN), TO_SHARP * LEAST_MM * float(gain.max()))
        search = max(wide * per_mm, LEAST_SEARCH_PX)
        drawn = np.maximum(radius, np.minimum(LEAST_MM, most))
        course = _fans(polygons, drawn, elevation_mm=elevation)
        places = seen(course, camera)
        looks[:, WIDTH] = wall_widths_px(course, places, camera, paper_mm=paper_mm)
        outer = search + AROUND_PX + float(np.maximum(looks[:, WIDTH], 0.0).max())
        distance = distances_px(inner_px=search + AROUND_PX, outer_px=outer)
        light, free = light_across(photo, places.px, places.normal, distance)
        offset, u_px, is_found = _offsets(distance, light, looks, search)
        inside = free.all(axis=1) & (is_found | (turn < len(search_mm)))
        radius = np.where(inside, _radii_seen(offset / places.px_per_mm, half, drawn, most), drawn)
        u = np.where(inside, np.hypot(U_PLACE_PX, u_px) / places.px_per_mm / gain, np.inf)
    blurred = BLUR_ROUNDS * looks[:, BLUR] / per_mm
    radius = np.sqrt(np.maximum(radius**2 - blurred**2, 0.0))
    cuts = np.cumsum(polygons.count)[:-1]
    return list(zip(np.split(radius, cuts), np.split(u, cuts), strict=True))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Polygons:
    """The corners (n, 2) of all pieces, one after the other, so that all are worked on at once.

    count (p,): how many each piece has. before (n,): which corner comes before each. ways (n, 2): unit vectors to the
    next one; lengths (n,): and how far it is away.
    """

    corners: Floats
    count: Ints
    before: Ints
    ways: Floats
    lengths: Floats

    @staticmethod
    def of(each: Sequence[Floats]) -> _Polygons:
        """From the corners of each piece."""
        corners, count = np.concatenate(each), np.array([len(one) for one in each])
        number = np.arange(len(corners))
        last = np.cumsum(count) - 1
        before, after = number - 1, number + 1
        before[last - count + 1], after[last] = last, last - count + 1
        ways = corners[after] - corners
        lengths = np.hypot(*ways.T)
        return _Polygons(corners=corners, count=count, before=before, ways=ways / lengths[:, None], lengths=lengths)

    @property
    def angles_rad(self) -> Floats:
        """Interior angle (n,) at each corner."""
        return np.asarray(np.arccos(np.clip(-(self.ways * self.ways[self.before]).sum(axis=1), -1.0, 1.0)))

    @property
    def largest_mm(self) -> Floats:
        """The largest radius (n,) that each corner has room for."""
        shorter = np.minimum(self.lengths, self.lengths[self.before])
        return np.asarray(MOST_SHARE * shorter * np.tan(self.angles_rad / 2))

    @property
    def inward(self) -> Floats:
        """Unit vectors (n, 2) along the corners' bisectors."""
        middle = self.ways - self.ways[self.before]
        return np.asarray(middle / np.hypot(*middle.T)[:, None])

    def each(self, values: Sequence[float]) -> Floats:
        """A number of each piece (p,) at each of its corners (n,)."""
        return np.repeat(np.array(values, np.float64), self.count)


def _radii_seen(seen_mm: Floats, half: Floats, drawn_mm: Floats, most_mm: Floats) -> Floats:
    """Radii (n,) at which the middles of arcs are seen so far outside those drawn, from 0 to the largest possible."""
    radii = most_mm[:, None] * np.linspace(0.0, 1.0, GRID)
    away = _mean_distance(radii, half, drawn_mm)
    # as radii grow the arcs' middles come nearer
    above = np.clip((away > seen_mm[:, None]).sum(axis=1), 1, GRID - 1)
    row = np.arange(len(half))
    before, after = away[row, above - 1], away[row, above]
    share = np.clip((before - seen_mm) / np.maximum(before - after, 1e-9), 0.0, 1.0)
    return np.asarray(radii[row, above - 1] + share * (radii[row, above] - radii[row, above - 1]))


def _mean_distance(radii: Floats, half: Floats, drawn: Floats) -> Floats:
    """Mean distance (n, r) of corners rounded by radii (n, r) outside arcs drawn with others (n,), over their fans.

    Rays leave the drawn arc's centre at angles (m,) from the corner's bisector; a ray meets the arc, or the straight
    side where the arc has ended.
    """
    angle = np.radians(FAN_DEG) * np.linspace(-1, 1, RAYS)
    half, drawn, radii = half[:, None, None], drawn[:, None, None], radii[..., None]
    shift = (drawn - radii) / np.sin(half)  # the true centre lies so much nearer to the corner
    along, aside = np.cos(angle) * shift, np.sin(angle) * shift
    arc = along + np.sqrt(np.maximum(radii**2 - aside**2, 0.0))
    side = drawn / np.cos(np.pi / 2 - half - np.abs(angle))
    reached = np.abs(arc * np.sin(angle)) * np.tan(half) <= arc * np.cos(angle) - shift
    return np.asarray(np.where(reached & (aside**2 <= radii**2), arc, side).mean(axis=2) - drawn[..., 0])


def one_radius_mm(radii: Floats, u: Floats, corners_mm: Floats) -> float | None:
    """The radius of a piece whose corners are alike: their median; None where they differ or could not be seen."""
    sure = np.isfinite(u)
    if sure.sum() < 3:
        return None
    middle = median(radii[sure])
    gap = 1 / np.sin(interior_angles_rad(corners_mm) / 2) - 1
    alike = (np.abs(radii - middle) * gap < MOST_SPREAD_MM) & sure
    return middle if alike.sum() >= (1 - MOST_ODD) * len(radii) else None


def _fans(polygons: _Polygons, radius: Floats, *, elevation_mm: Floats) -> Course:
    """The middles of the arcs at all corners."""
    middle, corners = polygons.inward, polygons.corners
    angle = np.radians(FAN_DEG) * np.linspace(-1, 1, RAYS)
    c, s = np.cos(angle)[None, :, None], np.sin(angle)[None, :, None]
    away, aside = -middle[:, None], np.column_stack([middle[:, 1], -middle[:, 0]])[:, None]
    out = c * away + s * aside
    centres = corners + (radius / np.sin(polygons.angles_rad / 2))[:, None] * middle
    mm = centres[:, None] + radius[:, None, None] * out
    n = len(corners)
    return Course(
        piece=np.zeros(n, np.intp), side=np.arange(n), mm=mm, way=np.stack([-out[..., 1], out[..., 0]], axis=2),
        elevation_mm=elevation_mm,
    )  # fmt: skip


def _offsets(
    distance: Floats, light: NDArray[np.float32], looks: Floats, search: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Where arcs are, px outward of where they are drawn, u of it, and whether it lies within the search, (n,) each."""
    n = len(looks)
    x = np.tile(distance, (n, 1)).astype(np.float32)
    grid = np.arange(-search - SEARCH_STEP_PX, search + SEARCH_STEP_PX + 1e-9, SEARCH_STEP_PX)
    many, places = np.tile(np.arange(n), len(grid)), np.repeat(grid, n)
    misfit = _misfit(x[many], light[many], _placed(looks[many], places)).reshape(len(grid), n)
    least = misfit.argmin(axis=0)
    best = _placed(looks, grid[least])
    weight = np.full(x.shape, RAYS * STEP_PX, np.float32)
    found = edge_offsets(x, light, weight, looks=best, channels=plain_channels(n), shading=open_shading(n))
    return found.place_px, found.u_px, (least > 0) & (least < len(grid) - 1)


def _placed(looks: Floats, at: Floats | float) -> Floats:
    moved = looks.copy()
    moved[:, PLACE] = at
    return moved


def _misfit(x: Floats, light: NDArray[np.float32], looks: Floats) -> Floats:
    """Sum of squares (n,) that looks leave; their walls' levels are known, those of face and table are fitted."""
    face, wall, table = shares(x, looks, open_shading(len(looks)))
    rest = light - wall[..., None] * looks[:, None, WALL].astype(np.float32)
    parts = np.stack([face, table], axis=1)
    normal = (parts @ parts.transpose(0, 2, 1)).astype(np.float64) + 1e-6 * np.eye(2)
    right = parts @ rest
    levels = np.linalg.solve(normal, right.astype(np.float64))
    # what a least-squares fit leaves is what there was less what it explains
    return np.asarray((rest**2).sum(axis=(1, 2), dtype=np.float64) - (levels * right).sum(axis=(1, 2)))
