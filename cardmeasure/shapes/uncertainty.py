"""The covariance of a plan's sizes: what the solved photo hands down through its plane, and what its own edges add.

Every derivative is taken by moving one thing - a point, a parameter of the camera, the height - and fitting the plan
again (JCGM 100, 5.1.3, note 2). Names of the lines are those of the adjustment.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import camera as cam
from cardmeasure.adjustment import EDGES_GROUP, Adjustment
from cardmeasure.camera import Camera, to_plane
from cardmeasure.shapes.fitting import fitted
from cardmeasure.shapes.plans import Plan, across_flats_mm, enclosing

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]

STEPS = np.array([1e-5] * 3 + [1e-2] * 3 + [1e-5, 0.05, 0.05, 1e-4, 1e-4, 1e-4, 1e-5, 1e-5])
"""Of the camera's 14 parameters: small beside what matters, large beside rounding."""
STEP_PX, STEP_MM, STEP_TONE = 0.05, 0.01, 0.05
ALIKE_RAD = np.radians(50.0)
"""Arcs of a disc whose directions differ by less are misplaced alike."""
MODEL_GROUP, THICKNESS_GROUP = "edge model", "card thickness"


@dataclass(frozen=True, kw_only=True, eq=False)
class Edges:
    """Edge points (n,) of one plan, with the weights of its fit.

    px, normal (n, 2); side (n,); u_px, tone_px, weight (n,); side_u_px (k,) of shifts of whole sides; azimuth_rad (k,).
    """

    px: Floats
    normal: Floats
    side: Ints
    u_px: Floats
    tone_px: Floats
    weight: Floats
    side_u_px: Floats
    azimuth_rad: Floats

    def moved(self, px: Floats) -> Edges:
        """The points elsewhere."""
        return replace(self, px=px)


def sizes_mm(plan: Plan) -> Floats:
    """Width, height, and third the diameter or width across flats (NaN where there is none)."""
    third = 2 * plan.radius_mm if plan.is_disc else across_flats_mm(plan)
    return np.append(enclosing(plan).sides_mm, np.nan if third is None else third)


def plan_of(edges: Edges, plan: Plan, camera: Camera, *, elevation_mm: float, tone: float) -> Plan:
    """The plan through edge points, seen from a camera."""
    px = edges.px - (tone * edges.tone_px)[:, None] * edges.normal
    return fitted(plan, to_plane(camera, px, z_mm=-elevation_mm), edges.side, edges.weight)


def covariances(
    edges: Edges, plan: Plan, adjustment: Adjustment, *, elevation_mm: float, u_elevation_mm: float,
    u_radius_mm: float,
) -> dict[str, Floats]:  # fmt: skip
    """Covariance (3, 3) of `sizes_mm` that each named group causes; what a strained photo hands down is enlarged."""
    camera, tone = adjustment.state.camera, adjustment.state.tone
    base = sizes_mm(plan_of(edges, plan, camera, elevation_mm=elevation_mm, tone=tone))

    def by(step: float, **changed: Any) -> Floats:
        arguments = {"edges": edges, "plan": plan, "camera": camera, "elevation_mm": elevation_mm, "tone": tone}
        return (sizes_mm(plan_of(**{**arguments, **changed})) - base) / step

    at = adjustment.state.layout
    columns = np.append(np.arange(cam.PARAMETERS), at.tone_at)
    common = [by(step, camera=camera.moved(step * row)) for step, row in zip(STEPS, np.eye(len(STEPS)), strict=True)]
    j = np.nan_to_num(np.array([*common, by(STEP_TONE, tone=tone + STEP_TONE)]))
    enlarged = adjustment.strain.factor**2
    groups = {name: enlarged * j.T @ share[np.ix_(columns, columns)] @ j for name, share in adjustment.shares.items()}
    by_point = np.nan_to_num(_by_points(edges, plan, camera, elevation_mm, tone, base, sizes_mm))
    noise = (by_point * edges.u_px[:, None]).T @ (by_point * edges.u_px[:, None])
    groups[EDGES_GROUP] = groups.get(EDGES_GROUP, 0.0) + noise
    groups[MODEL_GROUP] = groups.get(MODEL_GROUP, 0.0) + _of_sides(edges, plan, by_point)
    if not plan.is_disc and u_radius_mm > 0:
        step = STEP_MM if plan.radius_mm < 1 else -STEP_MM
        rounder = np.nan_to_num(by(step, plan=replace(plan, radius_mm=plan.radius_mm + step))) * u_radius_mm
        groups[MODEL_GROUP] = groups[MODEL_GROUP] + np.outer(rounder, rounder)
    higher = np.nan_to_num(by(STEP_MM, elevation_mm=elevation_mm + STEP_MM)) * u_elevation_mm
    groups[THICKNESS_GROUP] = groups.get(THICKNESS_GROUP, 0.0) + np.outer(higher, higher)
    # of shares that nearly cancel, rounding leaves different halves
    return {name: (share + share.T) / 2 for name, share in groups.items()}


def _of_sides(edges: Edges, plan: Plan, by_point: Floats) -> Floats:
    """What shifts of whole sides cause: each side by itself, neighbouring arcs of a disc together."""
    count = len(edges.side_u_px)
    by_side = np.array([by_point[edges.side == k].sum(axis=0) for k in range(count)]) * edges.side_u_px[:, None]
    together = np.eye(count)
    if plan.is_disc:
        apart = np.angle(np.exp(1j * (edges.azimuth_rad[:, None] - edges.azimuth_rad[None])))
        together = np.exp(-((apart / ALIKE_RAD) ** 2))
    return np.asarray(by_side.T @ together @ by_side)


def _by_points(
    edges: Edges, plan: Plan, camera: Camera, elevation_mm: float, tone: float, base: Floats,
    sizes: Callable[[Plan], Floats],
) -> Floats:  # fmt: skip
    """Derivatives (n, 3) of the sizes after each point's place across the edge, per pixel."""
    px = edges.px - (tone * edges.tone_px)[:, None] * edges.normal
    mm, further = (to_plane(camera, at, z_mm=-elevation_mm) for at in (px, px + STEP_PX * edges.normal))
    out = np.empty((len(px), len(base)))
    for k in range(len(px)):
        here = mm.copy()
        here[k] = further[k]
        out[k] = (sizes(fitted(plan, here, edges.side, edges.weight)) - base) / STEP_PX
    return out
