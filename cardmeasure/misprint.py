"""Whether a print was fitted to its page, by what the sizes of the pieces say together.

Two states of the print are weighed against each other by Bayes' theorem: printed at actual size, as home printers do
it, or at any other size within what print dialogues make of a page. In each, a piece is of one of the nominal size
classes or of none, as in `classes.likelihood`; a piece of no class speaks for neither. One piece alone never decides,
for some class or other fits it at some size of the print; but then nobody can be sure of its class either.
"""

from __future__ import annotations

from dataclasses import dataclass
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


@dataclass(frozen=True, kw_only=True, eq=False)
class FittedPrint:
    """How probable it is that the print was fitted, and what the pieces would then be.

    scale : the print's, over the one that the sizes were measured with. shares : (n, k), the probability that a piece
    is of each size class that is on, and last of none, if the print was fitted. kinds : how many classes are found
    among the pieces then.
    """

    probability: float
    scale: float
    shares: Floats
    kinds: int

    @property
    def sure_scale(self) -> float | None:
        """The scale, where the print was surely fitted; one piece alone proves nothing."""
        return self.scale if self.probability >= SURE and self.kinds >= FEWEST_KINDS else None


def fitted_print(sizes_mm: Floats, u_mm: Floats, *, classes: tuple[SizeClass, ...]) -> FittedPrint:
    """What the sizes of pieces say together of the print's size.

    Parameters
    ----------
    sizes_mm, u_mm : (n, 2), width <= height, and standard uncertainties without that of the print's scale.
    """
    choices = enabled(classes)
    actual = np.log(_likelihoods(ACTUAL, sizes_mm, u_mm, choices).sum(axis=2)).sum(axis=1)
    each = _likelihoods(FITTED, sizes_mm, u_mm, choices)
    fitted = np.log(each.sum(axis=2)).sum(axis=1)
    weight = np.exp(-0.5 * ((ACTUAL - 1) / U_ACTUAL) ** 2)
    top = max(float(actual.max()), float(fitted.max()))
    for_actual = (1 - MISPRINTED) * float(np.exp(actual - top) @ weight / weight.sum())
    for_fitted = MISPRINTED * float(np.exp(fitted - top).mean())
    best = each[int(fitted.argmax())].argmax(axis=1)
    by_scale = np.exp(fitted - fitted.max())
    by_scale /= by_scale.sum()
    return FittedPrint(
        probability=for_fitted / (for_fitted + for_actual),
        scale=float(by_scale @ FITTED),
        shares=np.einsum("m,mnk->nk", by_scale, each / each.sum(axis=2, keepdims=True)),
        kinds=len(set(best[best < len(choices)].tolist())),
    )


def _likelihoods(scales: Floats, sizes_mm: Floats, u_mm: Floats, choices: tuple[SizeClass, ...]) -> Floats:
    """Prior times likelihood of each class and of none for each size at each scale, (m, n, k + 1)."""
    cuts = np.array([cut for one in choices for cut in one.cuts_mm])
    kind = np.array([k for k, one in enumerate(choices) for _ in one.cuts_mm])
    u_cut = np.array([one.u_cut_mm for one in choices])[kind]
    log_weight = np.log(0.5 / len(choices) / np.bincount(kind)[kind])
    variance = (u_mm**2)[:, None] + (u_cut**2)[:, None]
    at_cuts = log_weight - np.log(2 * np.pi) - 0.5 * np.log(variance).sum(axis=2)
    scaled = scales[:, None, None] * sizes_mm
    squares = [(scaled[..., k, None] - cuts[:, k]) ** 2 / variance[..., k] for k in range(2)]
    log_each = at_cuts - 0.5 * (squares[0] + squares[1])
    by_class = np.add.reduceat(np.exp(log_each), np.flatnonzero(np.diff(kind, prepend=-1)), axis=2)
    odd = 0.5 * 2 * ODD / (sizes_mm.prod(axis=1) * scales[:, None] ** 2)
    return np.concatenate([by_class, odd[..., None]], axis=2)
