"""The model behind the matching once more, written down without any short cut: slow, and independent of the package."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from cardmeasure.classes import SizeClass, enabled

Floats = NDArray[np.float64]

ODD_PRIOR = 0.5
ODD_FROM_MM, ODD_TO_MM = 25.0, 160.0


def covariance(u_width_mm: float, u_height_mm: float, correlation: float) -> Floats:
    """Covariance matrix of (width, height), mm^2."""
    off = correlation * u_width_mm * u_height_mm
    return np.array([[u_width_mm**2, off], [off, u_height_mm**2]])


def joint(sizes_mm: Floats, *, covariance_mm2: Floats, classes: tuple[SizeClass, ...]) -> Floats:
    """Prior times likelihood of every class that is on, odd last, (n, classes + 1), for sizes (n, 2)."""
    choices = enabled(classes)
    columns = []
    for size_class in choices:
        scatter = covariance_mm2 + size_class.u_cut_mm**2 * np.eye(2)
        density = np.zeros(len(sizes_mm))
        for cut in size_class.cuts_mm:
            for order in (cut, cut[::-1]):
                offsets = sizes_mm - np.array(order)
                squares = (offsets * np.linalg.solve(scatter, offsets.T).T).sum(axis=1)
                density += np.exp(-0.5 * squares) / (2.0 * math.pi * math.sqrt(np.linalg.det(scatter)))
        columns.append(density * (1 - ODD_PRIOR) / len(choices) / len(size_class.cuts_mm))
    sides = np.maximum(sizes_mm, 1.0)
    columns.append(ODD_PRIOR * 2.0 / (math.log(ODD_TO_MM / ODD_FROM_MM) ** 2 * sides[:, 0] * sides[:, 1]))
    return np.column_stack(columns)


def answers(sizes_mm: Floats, *, covariance_mm2: Floats, classes: tuple[SizeClass, ...]) -> list[str | None]:
    """The most probable answer for each size: the id of a class, or None for odd."""
    ids = [*(size_class.id for size_class in enabled(classes)), None]
    return [ids[i] for i in joint(sizes_mm, covariance_mm2=covariance_mm2, classes=classes).argmax(axis=1)]
