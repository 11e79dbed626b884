"""Fits of looks and of stretches by the compiled kernels: arrays and constants as these take them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import kernels
from cardmeasure.edges.channels import Channels
from cardmeasure.edges.looks import PARAMETERS, SHARPENING_PX
from cardmeasure.edges.shading import Shading
from cardmeasure.kernels import doubles, singles

Floats = NDArray[np.floating[Any]]


def has_room(bins: int) -> bool:
    """Whether there are kernels, and room in them for profiles of so many bins."""
    return kernels.compiled is not None and bins <= kernels.MOST_BINS


def fitted(
    distance: Floats, light: Floats, sharpness: Floats, *, mean: Floats, precision: Floats,
    bounds: tuple[Floats, Floats], longest: Floats, channels: Channels, shading: Shading, start: Floats,
    rules: tuple[float, float, float, int],
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Parameters (n, 15), normal matrices (n, 15, 15), costs (n,) of sides: what `fit_looks` finds.

    rules : share of the cost below which a step has settled, where residuals lose weight, rounding, rounds.
    """
    (n, b), c = distance.shape, channels.count
    parameters = np.array(start, np.float64, order="C")
    normal, cost = np.empty((n, PARAMETERS, PARAMETERS)), np.empty(n)
    kernels.compiled.fit_looks(
        (n, b, c), _conditions(channels, shading), rules, singles(distance), singles(light), singles(sharpness),
        doubles(mean), doubles(precision), doubles(bounds[0]), doubles(bounds[1]), doubles(longest),
        doubles(channels.mix), _shading(shading), parameters, normal, cost,
    )  # fmt: skip
    return parameters, normal, cost


def offsets(
    distance: Floats, light: Floats, weight: Floats, scatter: Floats, *, looks: Floats, channels: Channels,
    shading: Shading, rules: tuple[float, float, float, int],
) -> tuple[Floats, Floats]:  # fmt: skip
    """Places (n,) and their u (n,) of stretches: what `edge_offsets` finds.

    rules : where residuals lose weight, unknowns of a stretch, longest step, rounds.
    """
    (n, b), c = distance.shape, channels.count
    place, u = np.empty(n), np.empty(n)
    kernels.compiled.edge_offsets(
        (n, b, c), _conditions(channels, shading), rules, singles(distance), singles(light), singles(weight),
        doubles(scatter), doubles(looks), doubles(channels.mix), _shading(shading), place, u,
    )  # fmt: skip
    return place, u


def _conditions(channels: Channels, shading: Shading) -> tuple[float, float, float]:
    return channels.softness_px, shading.per_light, SHARPENING_PX


def _shading(shading: Shading) -> NDArray[np.float64]:
    return np.column_stack([shading.softness, shading.height_px, shading.fall]).astype(np.float64)
