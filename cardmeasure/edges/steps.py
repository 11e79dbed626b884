"""Blurred steps fitted to brightness profiles, many at once: face, perhaps side wall, table.

Linear light across a side is the face's level, then the wall's over its width in the picture, then the table's, all
blurred by one Gaussian. The wall's width is known from the pose; without a visible wall it is zero and two levels are
left. Gauss-Newton with priors on the wall's level, the blur and the place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.numerics import normal_cdf_and_pdf, normal_pdf

Floats = NDArray[np.floating[Any]]

ROUNDS = 8
SETTLED_PX, SETTLED_SHARE = 2e-4, 2e-4
"""A profile is done when a step changes place and blur, and the levels as a share of its range, by less."""
MISFIT = 0.012
"""Scatter of a bin that no number of pixels averages out, as a share of the profile's range: the model's own limits."""
FACE, WALL, TABLE, PLACE, BLUR = range(5)


@dataclass(frozen=True, kw_only=True, eq=False)
class StepPriors:
    """Means and standard uncertainties, each (n,): the wall's level, the blur (px), the place (px)."""

    wall: Floats
    u_wall: Floats
    blur_px: Floats
    u_blur_px: Floats
    place_px: Floats
    u_place_px: Floats

    def rows(self, index: NDArray[np.intp]) -> StepPriors:
        """The priors of some profiles."""
        return StepPriors(
            wall=self.wall[index],
            u_wall=self.u_wall[index],
            blur_px=self.blur_px[index],
            u_blur_px=self.u_blur_px[index],
            place_px=self.place_px[index],
            u_place_px=self.u_place_px[index],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Steps:
    """Fitted steps: parameters (n, 5) face, wall, table level, place (px, outward), blur (px); covariance (n, 5, 5).

    noise (n,): scatter of the profile about the model, per unit-weight bin. by_width (n,): change of the place per
    pixel of wall width. cost (n,): misfit with the priors, comparable between models of the same profile.
    """

    parameters: Floats
    covariance: Floats
    noise: Floats
    by_width: Floats
    cost: Floats

    def rows(self, index: NDArray[np.intp]) -> Steps:
        """The steps of some profiles."""
        return Steps(
            parameters=self.parameters[index],
            covariance=self.covariance[index],
            noise=self.noise[index],
            by_width=self.by_width[index],
            cost=self.cost[index],
        )

    @property
    def place_px(self) -> Floats:
        """Where the face ends, (n,), from the predicted side outward."""
        return np.asarray(self.parameters[:, PLACE])


@dataclass(frozen=True, kw_only=True, eq=False)
class _Task:
    """Profiles to fit: x (b,) px, light, weight (n, b), spread (n,) of the light, freedom, wall_px (n,), priors."""

    x: Floats
    light: Floats
    weight: Floats
    spread: Floats
    freedom: Floats
    wall_px: Floats
    priors: StepPriors

    def rows(self, index: NDArray[np.intp]) -> _Task:
        return _Task(
            x=self.x, light=self.light[index], weight=self.weight[index], spread=self.spread[index],
            freedom=self.freedom[index], wall_px=self.wall_px[index], priors=self.priors.rows(index),
        )  # fmt: skip


def fit_steps(
    distance_px: Floats, light: Floats, weight: Floats, *, wall_px: Floats, priors: StepPriors, start_px: Floats
) -> Steps:
    """Fit n profiles (n, b) over distances (b,) with weights (n, b); wall_px (n,) >= 0; start_px (n,): of the place."""
    task = _task(distance_px, light, weight, wall_px, priors)
    p = _start(task, start_px)
    noise = 0.05 * task.spread
    robust = task.weight.copy()
    live = np.arange(len(p))
    for turn in range(ROUNDS):
        part = task if len(live) == len(p) else task.rows(live)
        moved, robust[live], scatter = _improved(part, p[live], noise[live])
        change = np.abs(moved - p[live])
        p[live] = moved
        if turn < ROUNDS - 1:
            noise[live] = scatter
        done = (change[:, PLACE:] < SETTLED_PX).all(axis=1)
        done &= (change[:, :PLACE] < SETTLED_SHARE * part.spread[:, None]).all(axis=1)
        live = live[~done]
        if len(live) == 0:
            break
    return _finished(task, p, robust, noise)


def _task(distance_px: Floats, light: Floats, weight: Floats, wall_px: Floats, priors: StepPriors) -> _Task:
    """The profiles without the bins that none of them uses."""
    used = weight > 0
    columns = np.flatnonzero(used.any(axis=0))
    cut = slice(columns[0], columns[-1] + 1) if len(columns) else slice(None)
    light, weight, used = light[:, cut], weight[:, cut], used[:, cut]
    spread = np.where(used, light, -np.inf).max(axis=1) - np.where(used, light, np.inf).min(axis=1)
    spread = np.maximum(np.nan_to_num(spread, nan=1e-3, posinf=1e-3, neginf=1e-3), 1e-3)
    freedom = np.maximum(used.sum(axis=1) - 4.0, 2.0)
    return _Task(
        x=distance_px[cut], light=light, weight=weight, spread=spread, freedom=freedom, wall_px=wall_px, priors=priors
    )


def _improved(task: _Task, p: Floats, noise: Floats) -> tuple[Floats, Floats, Floats]:
    """Parameters after one step, the robust weights it was taken with, and the noise they leave."""
    model, j = _model(task.x, p, task.wall_px)
    r = task.light - model
    # a face's picture or a table's fibre must not steer the step: bins that fit badly lose weight
    size = np.maximum(np.abs(r) * np.sqrt(task.weight), 1e-9)
    robust = task.weight * np.minimum(1.0, 2.5 * noise[:, None] / size)
    normal, right = _normal(j, r, _bin_weights(robust, noise, task.spread), p, task.priors)
    step = np.linalg.solve(normal, right[..., None])[..., 0]
    step[:, PLACE] = np.clip(step[:, PLACE], -1.5, 1.5)
    step[:, BLUR] = np.clip(step[:, BLUR], -0.3, 0.3)
    p = p + step
    p[:, BLUR] = np.clip(p[:, BLUR], 0.3, 6.0)
    p[:, WALL] = np.maximum(p[:, WALL], 0.0)
    return p, robust, np.sqrt(np.sum(robust * r**2, axis=1) / task.freedom) + 1e-4


def _finished(task: _Task, p: Floats, robust: Floats, noise: Floats) -> Steps:
    model, j = _model(task.x, p, task.wall_px)
    r = task.light - model
    bins = _bin_weights(robust, noise, task.spread)
    covariance = np.linalg.inv(_normal(j, r, bins, p, task.priors)[0])
    return Steps(
        parameters=p, covariance=covariance, noise=noise, by_width=_by_width(task, p, j, bins, covariance),
        cost=_cost(r, task, p),
    )  # fmt: skip


def _model(x: Floats, p: Floats, wall_px: Floats) -> tuple[Floats, Floats]:
    """Model (n, b) and its derivatives (n, 5, b) over distances (b,)."""
    face, wall, table, place, blur = (p[:, k, None] for k in range(5))
    z1 = (x - place) / blur
    z2 = z1 - wall_px[:, None] / blur
    (c1, g1), (c2, g2) = normal_cdf_and_pdf(z1), normal_cdf_and_pdf(z2)
    g1 *= (face - wall) / blur
    g2 *= (wall - table) / blur
    j = np.empty((len(p), 5, len(x)))
    np.subtract(1.0, c1, out=j[:, FACE])
    np.subtract(c1, c2, out=j[:, WALL])
    j[:, TABLE] = c2
    np.add(g1, g2, out=j[:, PLACE])
    np.add(g1 * z1, g2 * z2, out=j[:, BLUR])
    return (p[:, None, :PLACE] @ j[:, :PLACE])[:, 0], j


def _bin_weights(weight: Floats, noise: Floats, spread: Floats) -> Floats:
    """Inverse variance (n, b) of each bin: noise that averages out over its pixels, and the model's misfit."""
    floor = (MISFIT * spread[:, None]) ** 2
    return np.where(weight > 0, 1.0 / (noise[:, None] ** 2 / np.maximum(weight, 1e-3) + floor), 0.0)


def _normal(j: Floats, r: Floats, w: Floats, p: Floats, priors: StepPriors) -> tuple[Floats, Floats]:
    jw = j * w[:, None]
    normal = jw @ j.transpose(0, 2, 1)
    right = (jw @ r[..., None])[..., 0]
    for column, mean, u in (
        (WALL, priors.wall, priors.u_wall),
        (BLUR, priors.blur_px, priors.u_blur_px),
        (PLACE, priors.place_px, priors.u_place_px),
    ):
        normal[:, column, column] += 1 / u**2
        right[:, column] += (mean - p[:, column]) / u**2
    normal[:, [FACE, TABLE], [FACE, TABLE]] += 1e-4
    return normal, right


def _by_width(task: _Task, p: Floats, j: Floats, bins: Floats, covariance: Floats) -> Floats:
    """How the fitted place answers to a wrong wall width, by first order of the normal equations."""
    _, wall, table, place, blur = (p[:, k, None] for k in range(5))
    by = (wall - table) * normal_pdf((task.x - place - task.wall_px[:, None]) / blur) / blur
    right = (j @ (bins * by)[..., None])[..., 0]
    return np.asarray(-(covariance[:, PLACE] * right).sum(axis=1))


def _cost(r: Floats, task: _Task, p: Floats) -> Floats:
    """Bounded misfit in units of twice the model's own limits, and how far the priors are strained."""
    z = np.where(task.weight > 0, r / (2 * MISFIT * task.spread[:, None]), 0.0)
    priors = task.priors
    return np.asarray(
        np.minimum(z**2, 25.0).sum(axis=1)
        + ((p[:, WALL] - priors.wall) / priors.u_wall) ** 2
        + ((p[:, BLUR] - priors.blur_px) / priors.u_blur_px) ** 2
        + ((p[:, PLACE] - priors.place_px) / priors.u_place_px) ** 2
    )


def _start(task: _Task, start_px: Floats) -> Floats:
    """Levels from the means well inside, between and well outside the two places."""
    d = task.x - start_px[:, None]
    used = task.weight > 0

    def mean(part: NDArray[np.bool_], otherwise: Floats) -> Floats:
        w = part & used
        total = w.sum(axis=1)
        return np.where(total > 0, (task.light * w).sum(axis=1) / np.maximum(total, 1), otherwise)

    margin = 1.5 * task.priors.blur_px[:, None]
    wall_px = task.wall_px[:, None]
    face = mean(d < -margin, task.light[:, 0])
    table = mean(d > wall_px + margin, task.light[:, -1])
    wall = mean((d >= 0) & (d <= wall_px), task.priors.wall)
    return np.column_stack([face, wall, table, start_px, task.priors.blur_px])
