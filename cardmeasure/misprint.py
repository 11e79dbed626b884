"""Whether a print was fitted to its page, by what the sizes of the pieces say together.

Two states of the print are weighed against each other by Bayes' theorem: printed at actual size, as home printers do
it, or at any other size within what print dialogues make of a page. In each, a piece is of one of the nominal size
classes or of none, as in `classes.likelihood`; a piece of no class speaks for neither. One piece alone never decides,
for some class or other fits it at some size of the print.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.classes.size_class import SizeClass
from cardmeasure.classes.table import enabled

Floats = NDArray[np.floating[Any]]

ACTUAL = np.linspace(0.991, 1.009, 13)
U_ACTUAL = 0.003
"""Scales of a print at actual size, and their standard deviation (from memory)."""
FITTED = np.concatenate([np.arange(0.92, 0.986, 0.0015), np.arange(1.015, 1.081, 0.0015)])
"""Scales of a print that was fitted: 94 to 97 % (from memory), and what comes of the wrong paper."""
MISPRINTED = 0.05
"""Share of prints that were fitted: a guess, no source."""
SURE = 0.98
FEWEST_KINDS = 2
"""Classes that must be found among the pieces."""
ODD = 1.0 / np.log(160.0 / 25.0) ** 2
"""Density of sizes that belong to no class, times width and height; see `classes.likelihood`."""


def fitted_scale(sizes_mm: Floats, u_mm: Floats, *, classes: tuple[SizeClass, ...]) -> float | None:
    """The scale of a fitted print, over the one that the sizes were measured with; None where it was hardly fitted.

    Parameters
    ----------
    sizes_mm, u_mm : (n, 2), width <= height, and standard uncertainties without that of the print's scale.
    """
    if len(sizes_mm) < FEWEST_KINDS:
        return None
    actual, _ = _log_likelihoods(ACTUAL, sizes_mm, u_mm, classes)
    fitted, best = _log_likelihoods(FITTED, sizes_mm, u_mm, classes)
    weight = np.exp(-0.5 * ((ACTUAL - 1) / U_ACTUAL) ** 2)
    top = max(float(actual.max()), float(fitted.max()))
    for_actual = (1 - MISPRINTED) * float(np.exp(actual - top) @ weight / weight.sum())
    for_fitted = MISPRINTED * float(np.exp(fitted - top).mean())
    kinds = best[int(fitted.argmax())]
    if for_fitted < SURE * (for_fitted + for_actual) or len(set(kinds[kinds >= 0].tolist())) < FEWEST_KINDS:
        return None
    share = np.exp(fitted - fitted.max())
    return float(share @ FITTED / share.sum())


def _log_likelihoods(
    scales: Floats, sizes_mm: Floats, u_mm: Floats, classes: tuple[SizeClass, ...]
) -> tuple[Floats, NDArray[np.intp]]:
    """Of all sizes together at each scale (m,), and which class explains each best (m, n), -1 for none."""
    choices = enabled(classes)
    cuts = np.array([cut for one in choices for cut in one.cuts_mm])
    kind = np.array([k for k, one in enumerate(choices) for _ in one.cuts_mm])
    u_cut = np.array([one.u_cut_mm for one in choices])[kind]
    log_weight = np.log(0.5 / len(choices) / np.bincount(kind)[kind])
    off = scales[:, None, None, None] * sizes_mm[:, None] - cuts
    variance = (u_mm**2)[:, None] + (u_cut**2)[:, None]
    log_each = log_weight - 0.5 * (off**2 / variance).sum(axis=3) - np.log(2 * np.pi) - 0.5 * np.log(variance).sum(2)
    each = np.exp(log_each)
    odd = 0.5 * 2 * ODD / (sizes_mm.prod(axis=1) * scales[:, None] ** 2)
    best = np.where(each.sum(axis=2) > odd, kind[each.argmax(axis=2)], -1)
    return np.log(each.sum(axis=2) + odd).sum(axis=1), best.astype(np.intp)
