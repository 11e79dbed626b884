"""Looks fitted to the profiles of many sides at once: damped least squares, robust, with priors on all parameters."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges import compiled
from cardmeasure.edges.channels import Channels, plain_channels
from cardmeasure.edges.looks import (
    BLUR,
    PARAMETERS,
    PLACE,
    SHADE,
    SHADOW,
    SHARPENING,
    WALL,
    WIDTH,
    expected_light,
    expected_light_with_jacobian,
)
from cardmeasure.edges.shading import Shading, open_shading

Floats = NDArray[np.floating[Any]]

ROUNDS = 12
SETTLED = 0.02
"""A side is done when a step lowers its cost by less than this share of it, or by less than one in all."""
ROBUST_AT = 2.5
ROUNDING = 2e-6
MISFIT_LEAST = 3e-4
"""Scatter that no number of pixels averages out, the model's own limit, linear light; beside the channels' own."""
LONGEST = np.full(PARAMETERS, np.inf)
LONGEST[[PLACE, BLUR, SHARPENING, SHADOW, SHADE, WIDTH]] = 1.0, 0.3, 0.3, 1.5, 0.3, 0.5
"""Longest step of each parameter."""
WIDTH_ROOM = 3.0
"""So many standard uncertainties a wall's width may be from its prior."""
LOW, HIGH = np.full(PARAMETERS, 1e-4), np.full(PARAMETERS, np.inf)
LOW[[PLACE, BLUR, SHARPENING, SHADOW, SHADE, WIDTH]] = -np.inf, 0.3, -0.3, 0.0, 0.03, -np.inf
HIGH[[BLUR, SHARPENING, SHADOW, SHADE]] = 6.0, 1.5, 60.0, 1.1
U_OF_GAPS, BRIGHTEST_GAP = 0.4, 12.0
"""Gaps between dark cards, of whose light less is known than of shadows', may be so many times as bright as these."""


@dataclass(frozen=True, kw_only=True, eq=False)
class LookPriors:
    """Normal priors: mean (n, 15), covariance (n, 15, 15) and, where that is known already, its inverse."""

    mean: Floats
    covariance: Floats
    inverse: Floats | None = None

    @cached_property
    def precision(self) -> Floats:
        """Inverse (n, 15, 15) of the covariance."""
        return _inverse(self.covariance) if self.inverse is None else self.inverse

    def rows(self, index: NDArray[np.intp]) -> LookPriors:
        """Those of some sides."""
        return LookPriors(mean=self.mean[index], covariance=self.covariance[index], inverse=self.precision[index])


def _inverse(covariance: Floats) -> Floats:
    """Inverses (n, 15, 15); where only walls' colours go together, as in most priors, of that block alone."""
    rest = covariance.copy()
    rest[:, WALL, WALL] = 0.0
    variance = np.einsum("nii->ni", covariance)
    np.einsum("nii->ni", rest)[:] = 0.0
    if rest.any():
        return np.asarray(np.linalg.inv(covariance))
    np.einsum("nii->ni", rest)[:] = 1 / variance
    rest[:, WALL, WALL] = np.linalg.inv(covariance[:, WALL, WALL])
    return rest


@dataclass(frozen=True, kw_only=True, eq=False)
class Looks:
    """Fitted looks (n, 15), their normal matrix (n, 15, 15) and cost (n,): the misfit with the priors' strain."""

    parameters: Floats
    normal: Floats
    cost: Floats

    def rows(self, index: NDArray[np.intp]) -> Looks:
        """Those of some sides."""
        return Looks(parameters=self.parameters[index], normal=self.normal[index], cost=self.cost[index])

    @cached_property
    def covariance(self) -> Floats:
        """Covariance (n, 15, 15)."""
        return np.asarray(np.linalg.inv(self.normal))

    @property
    def place_px(self) -> Floats:
        """Where the faces end, (n,), outward of the predicted side."""
        return np.asarray(self.parameters[:, PLACE])

    @property
    def u_place_px(self) -> Floats:
        """Standard uncertainty of that, (n,), as far as the model holds."""
        return np.asarray(np.sqrt(self.covariance[:, PLACE, PLACE]))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Task:
    """Profiles: distance (n, b), light (n, c, b) in the channels, inverse scatter (n, c, b); prior mean, precision."""

    distance: Floats
    light: Floats
    sharpness: Floats
    mean: Floats
    precision: Floats
    channels: Channels
    shading: Shading

    def rows(self, index: NDArray[np.intp]) -> _Task:
        return _Task(
            distance=self.distance[index], light=self.light[index], sharpness=self.sharpness[index],
            mean=self.mean[index], precision=self.precision[index], channels=self.channels.rows(index),
            shading=self.shading.rows(index),
        )  # fmt: skip


def fit_looks(
    distance_px: Floats, light: Floats, weight: Floats, *, priors: LookPriors, start: Floats, rounds: int = ROUNDS,
    channels: Channels | None = None, shading: Shading | None = None, row: NDArray[np.intp] | None = None,
) -> Looks:  # fmt: skip
    """Fit n sides: distances, weights (n, b), BGR light (n, b, 3); start (n, 15).

    channels : BGR where None. shading : as of walls that hide no room where None. row (m,): which of the sides are
    fitted, some perhaps more than once, from starts (m, 15); each once where None.
    """
    n = len(distance_px)
    task = _task(distance_px, light, weight, priors, channels or plain_channels(n), shading or open_shading(n))
    low, high = _bounds(priors)
    if row is not None:
        task, low, high = task.rows(row), low[row], high[row]
    p = np.clip(start, low, high)
    if compiled.has_room(distance_px.shape[1]):
        p, normal, cost = compiled.fitted(
            task.distance, task.light, task.sharpness, mean=task.mean, precision=task.precision, bounds=(low, high),
            longest=LONGEST, channels=task.channels, shading=task.shading, start=p,
            rules=(SETTLED, ROBUST_AT, ROUNDING, rounds),
        )  # fmt: skip
        return Looks(parameters=p, normal=normal, cost=cost)
    return _fitted(task, p, (low, high), rounds)


def _fitted(task: _Task, start: Floats, bounds: tuple[Floats, Floats], rounds: int) -> Looks:
    """The same without kernels: all sides that have not settled at once."""
    p, (low, high), n = start.copy(), bounds, len(start)
    normal, damping = np.empty((n, PARAMETERS, PARAMETERS)), np.full(n, 1e-3)
    live, part = np.arange(n), task
    model, jacobian = expected_light_with_jacobian(task.distance, p, task.channels, task.shading)
    cost = _cost(task, model, p)
    for left_over in range(rounds - 1, -1, -1):
        normal[live], step = _step(part, model, jacobian, p[live], damping[live])
        trial = np.clip(p[live] + np.clip(step, -LONGEST, LONGEST), low[live], high[live])
        if left_over:
            trial_model, trial_jacobian = expected_light_with_jacobian(
                part.distance, trial, part.channels, part.shading
            )
        else:  # no step follows
            trial_model = expected_light(part.distance, trial, part.channels, part.shading)
        trial_cost = _cost(part, trial_model, trial)
        gain = cost[live] - trial_cost
        better = gain >= 0
        p[live[better]], cost[live[better]] = trial[better], trial_cost[better]
        if not left_over:
            break
        damping[live] *= np.where(better, 0.2, 10.0)
        worse = np.flatnonzero(~better)
        trial_model[worse], trial_jacobian[worse] = model[worse], jacobian[worse]
        settled = (np.abs(gain) < np.maximum(SETTLED * cost[live], 1.0)) & (better | (damping[live] > 1e3))
        left = np.flatnonzero(~settled)
        if len(left) == 0:
            break
        if len(left) < len(live):
            live, part = live[left], task.rows(live[left])
            trial_model, trial_jacobian = trial_model[left], trial_jacobian[left]
        model, jacobian = trial_model, trial_jacobian
    return Looks(parameters=p, normal=normal, cost=cost)


def _bounds(priors: LookPriors) -> tuple[Floats, Floats]:
    """Least and largest parameters (n, 15); a wall is never much wider than pose and thickness make it."""
    low, high = (np.tile(limit, (len(priors.mean), 1)) for limit in (LOW, HIGH))
    # a gap between dark cards may be brighter than these
    unsure = priors.covariance[:, SHADE, SHADE] > U_OF_GAPS**2
    high[:, SHADE] = np.where(unsure, BRIGHTEST_GAP, high[:, SHADE])
    width, room = priors.mean[:, WIDTH], WIDTH_ROOM * np.sqrt(priors.covariance[:, WIDTH, WIDTH])
    low[:, WIDTH], high[:, WIDTH] = width - room, width + room
    return low, high


def scatter_of_bins(light: Floats, weight: Floats, channels: Channels) -> Floats:
    """Scatter (n, c) that no averaging takes out of a bin of each channel, from profiles (n, b, c), weights (n, b)."""
    used, rows = weight[:, None] > 0, np.ascontiguousarray(light.transpose(0, 2, 1))  # along which numpy is fastest
    spread = np.where(used, rows, -np.inf).max(axis=2) - np.where(used, rows, np.inf).min(axis=2)
    spread = np.where(np.isfinite(spread), spread, 0.0)
    common = np.array(channels.misfit_common) * spread.max(axis=1, keepdims=True)
    return np.asarray(np.hypot(channels.misfit * spread, common) + MISFIT_LEAST)


def _task(
    distance: Floats, light: Floats, weight: Floats, priors: LookPriors, channels: Channels, shading: Shading
) -> _Task:  # fmt: skip
    light = channels.of(light)
    # half precision would do for the profiles, single does for the sums
    kind = np.float32
    # pixels are few where a side is short, so their noise counts beside the model's own limits
    scatter = scatter_of_bins(light, weight, channels)
    noise = np.sqrt(1 + 1 / np.maximum(weight, 1))
    sharpness = np.where(weight[:, None] > 0, 1 / (scatter[..., None] * noise[:, None]), 0.0)
    return _Task(
        distance=distance.astype(kind), light=np.ascontiguousarray(light.transpose(0, 2, 1), kind),
        sharpness=sharpness.astype(kind), mean=priors.mean, precision=priors.precision, channels=channels,
        shading=shading,
    )  # fmt: skip


def _step(task: _Task, model: Floats, jacobian: Floats, p: Floats, damping: Floats) -> tuple[Floats, Floats]:
    """The normal matrix (n, 15, 15) and the damped step (n, 15)."""
    z = (task.light - model) * task.sharpness
    robust = np.sqrt(np.minimum(1, ROBUST_AT / np.maximum(np.abs(z), 1e-6)))
    n = len(p)
    flat = (jacobian * (task.sharpness * robust)[:, None]).reshape(n, PARAMETERS, -1)
    right = (flat @ (z * robust).reshape(n, -1, 1))[..., 0].astype(np.float64)
    normal = (flat @ flat.transpose(0, 2, 1)).astype(np.float64) + task.precision
    k = np.arange(PARAMETERS)
    # two channels do not tell three colours apart, and single precision would leave the third to chance
    normal[:, k, k] *= 1 + ROUNDING
    right += (task.precision @ (task.mean - p)[..., None])[..., 0]
    damped = normal.copy()
    damped[:, k, k] *= 1 + damping[:, None]
    return normal, np.linalg.solve(damped, right[..., None])[..., 0]


def _cost(task: _Task, model: Floats, p: Floats) -> Floats:
    """Huber's misfit with the strain of the priors, (n,)."""
    z = np.abs((task.light - model) * task.sharpness)
    inner = np.minimum(z, ROBUST_AT)
    misfit = (inner * (2 * z - inner)).sum(axis=(1, 2), dtype=np.float64)
    off = (p - task.mean)[:, None]
    return np.asarray(misfit + (off @ task.precision @ off.transpose(0, 2, 1))[:, 0, 0])
