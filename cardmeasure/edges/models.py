"""Which model explains a whole side best: the step as it stands, its wall's ridge, or a strip of shadow at its foot.

A least-squares step finds the nearest minimum. Where the wall is brighter than both face and table, the outer rim of
the ridge is one minimum and the face's edge another; where a shadow lies at the foot of a hidden wall, its rim is. So
several starts and strips are tried, and the cheapest wins.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges.profiles import Profiles
from cardmeasure.edges.steps import FACE, TABLE, WALL, StepPriors, Steps, fit_steps

Floats = NDArray[np.floating[Any]]

SHADOW_PX = (1.5, 2.5, 4.0, 6.0)
SHADOW_BELOW = 0.75
"""A strip is a shadow only if it is darker than this share of both face and table."""
TEMPER = 3.0
"""Neighbouring bins err together, so costs differ by less than they seem to."""
SHOWS_PX = 0.3
"""A narrower wall is as good as hidden."""
OUTER_BINS = 6
SHADOW_SHARE, U_SHADOW_SHARE = 0.4, 0.25
"""Light of a shadowed table over that of the free one, and its spread."""
SHADOW_GAIN = 30.0
"""By how much a shadow must lower the cost before it is believed: a strip can mimic sharpening, so it must earn it."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Trials:
    """Fits to try: row (m,) of the side, width (m,) of its strip, start (m,) of its place, whether it is a shadow."""

    row: NDArray[np.intp]
    strip: Floats
    start: Floats
    shadow: NDArray[np.bool_]


def best_models(
    sides: Profiles, light: Floats, *, wall_px: Floats, priors: StepPriors, shadows: bool
) -> tuple[Steps, Floats, Floats]:
    """The cheapest fit of each side, the width (n,) of its strip, and how far the models disagree (n,), pixels.

    All trials are fitted in one batch. `shadows`: whether strips of shadow are tried at hidden walls.
    """
    trials = _trials(wall_px, shadows=shadows)
    row = trials.row
    table = _table_level(light, sides.weight)[row]
    fitted = fit_steps(
        sides.distance_px, light[row], sides.weight[row], wall_px=trials.strip, start_px=trials.start,
        priors=StepPriors(
            wall=np.where(trials.shadow, SHADOW_SHARE * table, priors.wall[row]),
            u_wall=np.where(trials.shadow, U_SHADOW_SHARE * table, priors.u_wall[row]),
            blur_px=priors.blur_px[row], u_blur_px=priors.u_blur_px[row],
            place_px=priors.place_px[row], u_place_px=priors.u_place_px[row],
        ),
    )  # fmt: skip
    level = fitted.parameters
    no_shadow = level[:, WALL] > SHADOW_BELOW * np.minimum(level[:, FACE], level[:, TABLE])
    cost = fitted.cost + np.where(trials.shadow, np.where(no_shadow, np.inf, SHADOW_GAIN), 0.0)
    # the cheapest trial of each side: sorted by side, then by cost, the first of each side
    order = np.lexsort((cost, row))
    best = order[np.searchsorted(row[order], np.arange(len(wall_px)))]
    return fitted.rows(best), trials.strip[best], _disagreement_px(fitted.place_px, cost, row, best)


def _disagreement_px(place_px: Floats, cost: Floats, row: NDArray[np.intp], best: NDArray[np.intp]) -> Floats:
    """How far (n,) a side's other models put its edge from the best one's: root mean square, weighted by likelihood."""
    with np.errstate(over="ignore"):
        likelihood = np.exp(-(cost - cost[best][row]) / (2 * TEMPER))
    total = np.bincount(row, likelihood, minlength=len(best))
    square = np.bincount(row, likelihood * (place_px - place_px[best][row]) ** 2, minlength=len(best))
    return np.asarray(np.sqrt(square / total))


def _trials(wall_px: Floats, *, shadows: bool) -> _Trials:
    every = np.arange(len(wall_px), dtype=np.intp)
    visible = np.flatnonzero(wall_px > SHOWS_PX)
    hidden = np.flatnonzero(wall_px <= SHOWS_PX) if shadows else np.zeros(0, np.intp)
    blocks: list[tuple[NDArray[np.intp], Floats, Floats, bool]] = [(every, wall_px, np.zeros(len(every)), False)]
    blocks += [(visible, wall_px[visible], share * wall_px[visible], False) for share in (-0.5, -1.0)]
    blocks += [(hidden, np.full(len(hidden), w), np.full(len(hidden), -w), True) for w in SHADOW_PX]
    return _Trials(
        row=np.concatenate([b[0] for b in blocks]),
        strip=np.concatenate([b[1] for b in blocks]),
        start=np.concatenate([b[2] for b in blocks]),
        shadow=np.concatenate([np.full(len(b[0]), b[3]) for b in blocks]),
    )


def _table_level(light: Floats, weight: Floats) -> Floats:
    """Light (n,) of the outermost used bins of each profile (n, b)."""
    used = weight > 0
    outer = used & (np.cumsum(used[:, ::-1], axis=1)[:, ::-1] <= OUTER_BINS)
    return np.asarray(np.maximum((light * outer).sum(axis=1) / np.maximum(outer.sum(axis=1), 1), 1e-3))
