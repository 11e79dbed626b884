"""A closer look at many rectangles that may be cards: their sides at full resolution, and how round their corners are.

Each is looked at by itself, as if it were alone on the table: most are no cards, and many overlap. The lens is known no
better than the reference tells, so that sides are good to some tenths of a millimetre.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project, project_table, to_plane
from cardmeasure.edges.beside import light_beside
from cardmeasure.edges.locating import WINDOW_PX, located_quads
from cardmeasure.edges.lost import moved_outward
from cardmeasure.edges.measuring import Conditions, measure_edges
from cardmeasure.edges.relief import darkness_px
from cardmeasure.outlines.trials import Trials
from cardmeasure.photo import Photo
from cardmeasure.shapes.corners import COMMON_MM, LONGER_SEARCH_MM, Corners, corner_radii_mm

Floats = NDArray[np.floating[Any]]

SEARCH_MM = 0.6
"""How far from its rough place a side is sought."""
U_PLACE_MM, LEAST_U_PLACE_PX = 0.25, 2.5
"""How far a side may be from the step that was found."""
NEAR_MM, FAR_MM = (1.2, 2.0), (5.0, 6.0, 7.0)
"""Where the table is looked at: outside shadows, but within the narrowest borders; and beyond the widest, nearly."""
SPOTS = np.linspace(-0.84, 0.84, 25)
FLOOR = 0.012
"""Added to linear light before the logarithm."""


def tried(
    photo: Photo, camera: Camera, corners_mm: Floats, *, elevation_mm: float, conditions: Conditions, px_per_mm: float
) -> Trials:
    """A closer look at rectangles (n, 4, 2), clockwise, mm on the table; their faces lie `elevation_mm` above it."""
    n = len(corners_mm)
    found, rough = np.zeros(n, bool), np.array(corners_mm, float)
    clarity, misfit, used, radii, shadow, unlike = (np.zeros((n, qd.SIDES)) for _ in range(6))
    u_radii = np.full((n, qd.SIDES), np.inf)
    if n:
        quads = _on_face(camera, rough, elevation_mm)
        reach = max(WINDOW_PX, SEARCH_MM * px_per_mm) + WINDOW_PX
        located = located_quads(photo, camera, quads, reach_px=reach, clearest=np.ones(n, bool))
        found = np.asarray(located.found.all(axis=1))
    if found.any():
        rows = np.flatnonzero(found)
        quads = located.quads[rows]
        edges = measure_edges(
            photo, camera, quads, conditions=conditions, coarse=True, alone=True,
            u_place_px=max(LEAST_U_PLACE_PX, U_PLACE_MM * px_per_mm),
        )  # fmt: skip
        looks = edges.known.sides.looks
        quads = moved_outward(camera, quads, looks.place_px.reshape(-1, qd.SIDES))
        clarity[rows], misfit[rows], used[rows] = edges.clarity, edges.misfit, edges.used
        shadow[rows] = darkness_px(looks).reshape(-1, qd.SIDES)
        pieces = [
            Corners(mm=corners, elevation_mm=elevation_mm, looks=own, start_mm=COMMON_MM)
            for corners, own in zip(
                qd.corners_mm(quads)[..., :2], looks.parameters.reshape(len(rows), qd.SIDES, -1), strict=True
            )
        ]
        seen = corner_radii_mm(photo, camera, pieces, paper_mm=conditions.paper_mm, search_mm=LONGER_SEARCH_MM)
        radii[rows], u_radii[rows] = np.array([r for r, _ in seen]), np.array([u for _, u in seen])
        unlike[rows] = _unlike(photo, camera, quads)
        rough[rows] = _on_table(camera, quads)
    return Trials(corners_mm=rough, found=found, clarity=clarity, misfit=misfit, used=used, radii_mm=radii,
                  u_radii_mm=u_radii, shadow_px=shadow, unlike=unlike)  # fmt: skip


def _unlike(photo: Photo, camera: Camera, quads: Floats) -> Floats:
    """How much, (n, 4), what lies close outside the sides differs from what lies farther out: as a border does."""
    near, far = (
        np.median([np.log(light_beside(photo, camera, quads, along=SPOTS, outward_mm=mm) + FLOOR) for mm in places],
                  axis=(0, 2))
        for places in (NEAR_MM, FAR_MM)
    )  # fmt: skip
    return np.asarray(np.abs(near - far).max(axis=1).reshape(-1, qd.SIDES))


def _on_face(camera: Camera, corners: Floats, elevation_mm: float) -> Floats:
    """Quadrilaterals (n, 14) so high above the table that are seen where corners (n, 4, 2) on it are."""
    on_table = corners.reshape(-1, 2)
    px = project_table(camera, on_table)
    faces = to_plane(camera, px, z_mm=-elevation_mm).reshape(-1, qd.SIDES, 2)
    return qd.quads_from_corners(faces, elevation_mm=elevation_mm)


def _on_table(camera: Camera, quads: Floats) -> Floats:
    """Where corners (n, 4, 2) of quadrilaterals are seen on the table."""
    return np.asarray(to_plane(camera, project(camera, qd.corners_mm(quads).reshape(-1, 3)))).reshape(-1, qd.SIDES, 2)
