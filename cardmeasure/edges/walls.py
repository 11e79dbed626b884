"""The side walls of cards: how wide they look, and how bright they are, learned across the photo.

On sides that face the camera the cut board shows between face and table. Its width in the picture follows from pose
and thickness; its brightness is common to all sides that face the same way, so sides where it stands out (dark
borders) teach what to expect where it does not (white borders on white board).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project
from cardmeasure.edges.profiles import Profiles
from cardmeasure.edges.steps import WALL, Steps

Floats = NDArray[np.floating[Any]]

SURE_WIDTH_PX = 0.4
TEACHERS = 4
"""So many sure sides are needed before anything is learned."""


def wall_widths_px(camera: Camera, quads: Floats, profiles: Profiles, *, paper_mm: float) -> Floats:
    """Signed width (n,) of the wall outside the face's edge; negative where the face hides it.

    The table lies `paper_mm` below the print, that is at positive z.
    """
    top = qd.world_points(quads[profiles.card], qd.side_places(profiles.side, profiles.along))
    foot = top.copy()
    foot[:, 2] = paper_mm
    shift = project(camera, foot) - project(camera, top)
    return np.asarray(np.einsum("ni,ni->n", shift, profiles.normal))


def outward_azimuth_rad(quads: Floats, profiles: Profiles) -> Floats:
    """Direction (n,) on the table in which each stretch's wall looks."""
    return np.asarray(quads[profiles.card, qd.TURN] + (profiles.side - 1) * (np.pi / 2))


def learned_walls(
    steps: Steps, widths_px: Floats, azimuth_rad: Floats, *, default: float, u_default: float
) -> tuple[Floats, Floats]:
    """Expected level of each wall (n,) and its standard uncertainty (n,), from all sides of the photo.

    A level plus one wave round the compass is fitted to the sides where the wall is wide enough and stands out; where
    too few do, `default` and `u_default` stay.
    """
    u_own = np.sqrt(steps.covariance[:, WALL, WALL])
    sure = (widths_px > SURE_WIDTH_PX) & (u_own < 0.5 * u_default)
    n = len(widths_px)
    basis = np.column_stack([np.ones(n), np.cos(azimuth_rad), np.sin(azimuth_rad)])
    prior = np.diag(1 / np.array([u_default, 0.5 * u_default, 0.5 * u_default]) ** 2)
    if sure.sum() < TEACHERS:
        return np.full(n, default), np.full(n, u_default)
    own = steps.parameters[sure, WALL]
    scatter = 0.25 * default
    coefficients = np.array([default, 0.0, 0.0])
    covariance = np.linalg.inv(prior)
    for _ in range(6):
        r = own - basis[sure] @ coefficients
        w = 1.0 / (u_own[sure] ** 2 + scatter**2)
        w *= np.minimum(1.0, 2.0 * scatter / np.maximum(np.abs(r), 1e-9))
        normal = (basis[sure] * w[:, None]).T @ basis[sure] + prior
        right = (basis[sure] * w[:, None]).T @ own + prior @ np.array([default, 0.0, 0.0])
        coefficients = np.linalg.solve(normal, right)
        covariance = np.linalg.inv(normal)
        scatter = float(np.clip(1.48 * np.median(np.abs(own - basis[sure] @ coefficients)), 0.08 * default, u_default))
    level = np.maximum(basis @ coefficients, 0.0)
    u = np.sqrt(np.einsum("ni,ij,nj->n", basis, covariance, basis) + scatter**2)
    return level, np.minimum(u, u_default)
