"""Small numerical functions that numpy lacks and that are not worth importing scipy for (0.4 s at start-up)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]


def normal_pdf(z: Floats) -> Floats:
    """Density of the standard normal."""
    return np.asarray(0.3989422804014327 * np.exp(-0.5 * np.square(z)))


def normal_cdf(z: Floats) -> Floats:
    """Distribution function of the standard normal (Abramowitz and Stegun 26.2.17, error below 7.5e-8)."""
    return normal_cdf_and_pdf(z)[0]


def normal_cdf_and_pdf(z: Floats) -> tuple[Floats, Floats]:
    """`normal_cdf` and `normal_pdf` for hardly more than the price of one."""
    pdf = normal_pdf(z)
    t = 1.0 / (1.0 + 0.2316419 * np.abs(z))
    tail = t * 1.330274429
    for coefficient in (-1.821255978, 1.781477937, -0.356563782, 0.319381530):
        tail += coefficient
        tail *= t
    tail *= pdf
    return np.where(z > 0, 1.0 - tail, tail), pdf


def median(values: Floats) -> float:
    """Median of numbers (n,), one at least, none of them NaN: `numpy.median` in a quarter of its time."""
    half = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    below, above = np.partition(values, (half - 1, half))[half - 1 : half + 1].tolist()
    return float((below + above) / 2)


def medians(columns: Floats) -> Floats:
    """Medians (k,) of columns of numbers (n, k), likewise: `numpy.median` over few rows in a quarter of its time."""
    ordered, half = np.sort(columns, axis=0), len(columns) // 2
    return np.asarray(ordered[half] if len(columns) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def lengths(vectors: NDArray[Any]) -> Floats:
    """Lengths (...,) of short vectors (..., k): `numpy.linalg.norm` in a seventh of its time."""
    return np.asarray(np.sqrt((vectors * vectors) @ np.ones(vectors.shape[-1], vectors.dtype)))


def percentile(values: Floats, percent: float) -> float:
    """A percentile of numbers (n,), one at least, none of them NaN: `numpy.percentile` in a fifth of its time."""
    place = (len(values) - 1) * percent / 100
    below = int(place)
    above = min(below + 1, len(values) - 1)
    ordered = np.partition(values, (below, above))
    return float(ordered[below] + (place - below) * (ordered[above] - ordered[below]))
