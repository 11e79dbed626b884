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

from cardmeasure.numerics import normal_cdf, normal_pdf

Floats = NDArray[np.floating[Any]]

ROUNDS = 8
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


def fit_steps(
    distance_px: Floats, light: Floats, weight: Floats, *, wall_px: Floats, priors: StepPriors, start_px: Floats
) -> Steps:
    """Fit n profiles (n, b) over distances (b,) with weights (n, b); wall_px (n,) >= 0; start_px (n,): of the place."""
    x = np.broadcast_to(distance_px, light.shape)
    p = _start(x, light, weight, wall_px, start_px, priors)
    used = weight > 0
    spread = np.where(used, light, -np.inf).max(axis=1) - np.where(used, light, np.inf).min(axis=1)
    spread = np.maximum(np.nan_to_num(spread, nan=1e-3, posinf=1e-3, neginf=1e-3), 1e-3)
    noise = 0.05 * spread
    for turn in range(ROUNDS):
        model, j = _model(x, p, wall_px)
        r = light - model
        # a face's picture or a table's fibre must not steer the step: bins that fit badly lose weight
        robust = weight * np.minimum(1.0, 2.5 * noise[:, None] / np.maximum(np.abs(r) * np.sqrt(weight), 1e-9))
        normal, right = _normal(j, r, _bin_weights(robust, noise, spread), p, priors)
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        step[:, PLACE] = np.clip(step[:, PLACE], -1.5, 1.5)
        step[:, BLUR] = np.clip(step[:, BLUR], -0.3, 0.3)
        p = p + step
        p[:, BLUR] = np.clip(p[:, BLUR], 0.3, 6.0)
        p[:, WALL] = np.maximum(p[:, WALL], 0.0)
        if turn < ROUNDS - 1:
            freedom = np.maximum((weight > 0).sum(axis=1) - 4, 2)
            noise = np.sqrt(np.sum(robust * r**2, axis=1) / freedom) + 1e-4
    model, j = _model(x, p, wall_px)
    bins = _bin_weights(robust, noise, spread)
    normal, _ = _normal(j, light - model, bins, p, priors)
    covariance = np.linalg.inv(normal)
    return Steps(
        parameters=p, covariance=covariance, noise=noise,
        by_width=_by_width(x, p, wall_px, bins, covariance),
        cost=_cost(light - model, weight, spread, p, priors),
    )  # fmt: skip


def _model(x: Floats, p: Floats, wall_px: Floats) -> tuple[Floats, Floats]:
    """Model (n, b) and its derivatives (n, b, 5)."""
    face, wall, table, place, blur = (p[:, k, None] for k in range(5))
    z1 = (x - place) / blur
    z2 = (x - place - wall_px[:, None]) / blur
    c1, c2 = normal_cdf(z1), normal_cdf(z2)
    g1, g2 = normal_pdf(z1) / blur, normal_pdf(z2) / blur
    rise1, rise2 = wall - face, table - wall
    j = np.stack([1 - c1, c1 - c2, c2, -(rise1 * g1 + rise2 * g2), -(rise1 * g1 * z1 + rise2 * g2 * z2)], axis=-1)
    return face + rise1 * c1 + rise2 * c2, j


def _bin_weights(weight: Floats, noise: Floats, spread: Floats) -> Floats:
    """Inverse variance (n, b) of each bin: noise that averages out over its pixels, and the model's misfit."""
    floor = (MISFIT * spread[:, None]) ** 2
    return np.where(weight > 0, 1.0 / (noise[:, None] ** 2 / np.maximum(weight, 1e-3) + floor), 0.0)


def _normal(j: Floats, r: Floats, w: Floats, p: Floats, priors: StepPriors) -> tuple[Floats, Floats]:
    jw = j * w[..., None]
    normal = jw.transpose(0, 2, 1) @ j
    right = (jw * r[..., None]).sum(axis=1)
    for column, mean, u in (
        (WALL, priors.wall, priors.u_wall),
        (BLUR, priors.blur_px, priors.u_blur_px),
        (PLACE, priors.place_px, priors.u_place_px),
    ):
        normal[:, column, column] += 1 / u**2
        right[:, column] += (mean - p[:, column]) / u**2
    normal[:, [FACE, TABLE], [FACE, TABLE]] += 1e-4
    return normal, right


def _by_width(x: Floats, p: Floats, wall_px: Floats, bins: Floats, covariance: Floats) -> Floats:
    """How the fitted place answers to a wrong wall width, by first order of the normal equations."""
    wall, table, place, blur = (p[:, k, None] for k in (WALL, TABLE, PLACE, BLUR))
    z2 = (x - place - wall_px[:, None]) / blur
    by = -(table - wall) * normal_pdf(z2) / blur
    _, j = _model(x, p, wall_px)
    right = (j * (bins * by)[..., None]).sum(axis=1)
    return np.asarray(-(covariance[:, PLACE] * right).sum(axis=1))


def _cost(r: Floats, weight: Floats, spread: Floats, p: Floats, priors: StepPriors) -> Floats:
    """Bounded misfit in units of twice the model's own limits, and how far the priors are strained."""
    z = np.where(weight > 0, r / (2 * MISFIT * spread[:, None]), 0.0)
    return np.asarray(
        np.minimum(z**2, 25.0).sum(axis=1)
        + ((p[:, WALL] - priors.wall) / priors.u_wall) ** 2
        + ((p[:, BLUR] - priors.blur_px) / priors.u_blur_px) ** 2
        + ((p[:, PLACE] - priors.place_px) / priors.u_place_px) ** 2
    )


def _start(x: Floats, light: Floats, weight: Floats, wall_px: Floats, start_px: Floats, priors: StepPriors) -> Floats:
    """Levels from the means well inside, between and well outside the two places."""
    d = x - start_px[:, None]

    def mean(part: NDArray[np.bool_], otherwise: Floats) -> Floats:
        w = np.where(part & (weight > 0), 1.0, 0.0)
        total = w.sum(axis=1)
        return np.where(total > 0, (light * w).sum(axis=1) / np.maximum(total, 1), otherwise)

    margin = 1.5 * priors.blur_px[:, None]
    face = mean(d < -margin, light[:, 0])
    table = mean(d > wall_px[:, None] + margin, light[:, -1])
    wall = mean((d >= 0) & (d <= wall_px[:, None]), priors.wall)
    return np.column_stack([face, wall, table, start_px, priors.blur_px])
