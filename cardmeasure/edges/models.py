"""Which model explains a whole side best: the step as it stands, its wall's ridge, or a strip of shadow at its foot.

A least-squares step finds the nearest minimum. Where the wall is brighter than both face and table, the outer rim of
the ridge is one minimum and the face's edge another; where a shadow lies at the foot of a hidden wall, its rim is. So
several starts and strips are tried, and the cheapest wins.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges.profiles import Profiles
from cardmeasure.edges.steps import TABLE, StepPriors, Steps, fit_steps

Floats = NDArray[np.floating[Any]]

SHADOW_PX = (1.5, 2.5, 4.0, 6.0)
SHADOW_SHARE, U_SHADOW_SHARE = 0.4, 0.25
"""Light of a shadowed table over that of the free one, and its spread."""
SHADOW_GAIN = 30.0
"""By how much a shadow must lower the cost before it is believed: a strip can mimic sharpening, so it must earn it."""


def best_models(sides: Profiles, light: Floats, *, wall_px: Floats, priors: StepPriors) -> tuple[Steps, Floats]:
    """The cheapest fit of each side, and the width (n,) of its strip, wall or shadow, in pixels."""
    n = len(wall_px)

    def fitted(strip: Floats, start: Floats, p: StepPriors) -> Steps:
        return fit_steps(sides.distance_px, light, sides.weight, wall_px=strip, priors=p, start_px=start)

    best, strip = fitted(wall_px, np.zeros(n), priors), wall_px.copy()
    for share in (-0.5, -1.0):
        best, strip = _cheaper(best, strip, fitted(wall_px, share * wall_px, priors), wall_px)
    hidden = wall_px < 0.3
    table = np.maximum(best.parameters[:, TABLE], 1e-3)
    shade = replace(priors, wall=SHADOW_SHARE * table, u_wall=U_SHADOW_SHARE * table)
    if hidden.any():
        for width in SHADOW_PX:
            trial = fitted(np.full(n, width), np.full(n, -width), shade)
            cost = np.where(hidden, trial.cost + SHADOW_GAIN, np.inf)
            best, strip = _cheaper(best, strip, replace(trial, cost=cost), np.full(n, width))
    return best, strip


def _cheaper(best: Steps, strip: Floats, other: Steps, other_strip: Floats) -> tuple[Steps, Floats]:
    better = other.cost < best.cost
    merged = Steps(
        parameters=np.where(better[:, None], other.parameters, best.parameters),
        covariance=np.where(better[:, None, None], other.covariance, best.covariance),
        noise=np.where(better, other.noise, best.noise),
        by_width=np.where(better, other.by_width, best.by_width),
        cost=np.where(better, other.cost, best.cost),
    )
    return merged, np.where(better, other_strip, strip)
