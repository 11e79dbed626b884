"""Blurred steps fitted to brightness profiles, many at once: face, perhaps side wall, table.

Linear light across a side is the face's level, then the wall's over its width in the picture, then the table's, all
blurred by one Gaussian. The wall's width is known from the pose; without a visible wall it is zero and two levels are
left. Gauss-Newton with priors on the wall's level, the blur and the place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cardmeasure.numerics import normal_cdf, normal_pdf

Floats = NDArray[np.float64]

ROUNDS = 8
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
    pixel of wall width. by_wall (n,): change of the place per unit of the wall's level.
    """

    parameters: Floats
    covariance: Floats
    noise: Floats
    by_width: Floats
    by_wall: Floats

    @property
    def place_px(self) -> Floats:
        """Where the face ends, (n,), from the predicted side outward."""
        return np.asarray(self.parameters[:, PLACE])


def fit_steps(distance_px: Floats, light: Floats, weight: Floats, *, wall_px: Floats, priors: StepPriors) -> Steps:
    """Fit n profiles (n, b) over distances (b,) with weights (n, b); wall_px (n,) >= 0."""
    x = np.broadcast_to(distance_px, light.shape)
    p = _start(distance_px, light, weight, priors)
    spread = np.maximum(np.ptp(light, axis=1), 1e-3)
    noise = 0.05 * spread
    for turn in range(ROUNDS):
        model, j = _model(x, p, wall_px)
        r = light - model
        # a face's picture or a table's fibre must not steer the step: bins that fit badly lose weight
        robust = weight * np.minimum(1.0, 2.5 * noise[:, None] / np.maximum(np.abs(r), 1e-9))
        normal, right, _ = _normal(j, r, robust, noise, p, priors)
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        step[:, PLACE] = np.clip(step[:, PLACE], -1.5, 1.5)
        step[:, BLUR] = np.clip(step[:, BLUR], -0.3, 0.3)
        p = p + step
        p[:, BLUR] = np.clip(p[:, BLUR], 0.3, 6.0)
        if turn < ROUNDS - 1:
            freedom = np.maximum((weight > 0).sum(axis=1) - 4, 2)
            noise = np.sqrt(np.sum(robust * r**2, axis=1) / freedom) + 1e-4
    model, j = _model(x, p, wall_px)
    normal, _, _ = _normal(j, light - model, robust, noise, p, priors)
    covariance = np.linalg.inv(normal)
    return Steps(
        parameters=p, covariance=covariance, noise=noise,
        by_width=_by_width(x, p, wall_px, robust, noise, covariance),
        by_wall=covariance[:, PLACE, WALL] / np.maximum(covariance[:, WALL, WALL], 1e-12),
    )  # fmt: skip


def _model(x: Floats, p: Floats, wall_px: Floats) -> tuple[Floats, Floats]:
    """Model (n, b) and its derivatives (n, b, 5)."""
    face, wall, table, place, blur = (p[:, k, None] for k in range(5))
    z1 = (x - place) / blur
    z2 = (x - place - wall_px[:, None]) / blur
    c1, c2 = normal_cdf(z1), normal_cdf(z2)
    g1, g2 = normal_pdf(z1) / blur, normal_pdf(z2) / blur
    rise1, rise2 = wall - face, table - wall
    j = np.stack(
        [1 - c1, c1 - c2, c2, -(rise1 * g1 + rise2 * g2), -(rise1 * g1 * z1 + rise2 * g2 * z2)], axis=-1
    )
    return face + rise1 * c1 + rise2 * c2, j


def _normal(
    j: Floats, r: Floats, weight: Floats, noise: Floats, p: Floats, priors: StepPriors
) -> tuple[Floats, Floats, Floats]:
    w = weight / noise[:, None] ** 2
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
    return normal, right, w


def _by_width(
    x: Floats, p: Floats, wall_px: Floats, weight: Floats, noise: Floats, covariance: Floats
) -> Floats:
    """How the fitted place answers to a wrong wall width, by first order of the normal equations."""
    face, wall, table, place, blur = (p[:, k, None] for k in range(5))
    z2 = (x - place - wall_px[:, None]) / blur
    by = -(table - wall) * normal_pdf(z2) / blur
    _, j = _model(x, p, wall_px)
    right = (j * (weight / noise[:, None] ** 2 * by)[..., None]).sum(axis=1)
    return np.asarray(-(covariance[:, PLACE] * right).sum(axis=1))


def _start(x: Floats, light: Floats, weight: Floats, priors: StepPriors) -> Floats:
    far = 0.6 * x[-1]
    inner = np.where((x < -far) & (weight > 0), 1.0, 0.0) + 1e-9
    outer = np.where((x > far) & (weight > 0), 1.0, 0.0) + 1e-9
    face = (light * inner).sum(axis=1) / inner.sum(axis=1)
    table = (light * outer).sum(axis=1) / outer.sum(axis=1)
    return np.column_stack([face, priors.wall, table, priors.place_px, priors.blur_px])
