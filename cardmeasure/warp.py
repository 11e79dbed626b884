"""How far the cards of a photo are warped, and their sides bulge: a scale for each that all cards of a photo share.

New cards lie flat to some hundredths of a millimetre, cards of a played deck bend by half a millimetre and twist; and
the cards of one photo are mostly alike. So the bends' standard deviations are unknowns themselves. Their posterior
follows from the cards' own bends, found with next to no prior, as these scatter by them and by their own uncertainty
(empirical Bayes; Gelman, "Prior distributions for variance parameters in hierarchical models", 2006).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.adjustment import Adjustment
from cardmeasure.priors import FLAT_SLOPE_MM, Priors

Floats = NDArray[np.floating[Any]]

SCALES_MM = np.geomspace(0.005, 1.5, 24)
"""Standard deviations of bends that are told apart, each step as likely beforehand as any other."""
SLOPE_SHARE = 0.35
"""How far one side of a warped card stands up, as a share of its bends: with it sizes of equal cards in seven
photographs scatter as their u says (real photographs, 2026-12)."""


def with_warp(priors: Priors, adjustment: Adjustment, *, px_per_mm: float) -> Priors:
    """The priors with the scales of the bends that a solution with the wide ones shows.

    Cards that bend may also lie askew: the more they bend, the less is known of their slopes.
    """
    quads = adjustment.state.quads
    if not len(quads):
        return priors
    at = adjustment.state.layout
    bends = quads[:, qd.WARP]
    rows = np.array([[at.quad_at(card, warp) for warp in qd.WARP] for card in range(at.cards)])
    variances = np.diag(adjustment.covariance)[rows]
    scales = [_scale(*column, u_prior=u) for *column, u in zip(bends.T, variances.T, priors.u_warp_mm, strict=True)]
    slopes = np.hypot(FLAT_SLOPE_MM, SLOPE_SHARE * np.sqrt((bends**2).sum(axis=1)))
    bulges, of_bulges = adjustment.state.bulge_px.ravel(), np.diag(adjustment.covariance)[at.bulge_at]
    u_bulge = _scale(bulges / px_per_mm, of_bulges / px_per_mm**2, u_prior=priors.u_bulge_px / px_per_mm)
    return replace(priors, u_warp_mm=np.array(scales), u_slope_mm=slopes, u_bulge_px=u_bulge * px_per_mm)


def _scale(bends: Floats, variances: Floats, *, u_prior: float) -> float:
    """Root of the posterior mean of the variance that bends (c,) were drawn with, found with such variances (c,)."""
    # what the photo alone says: the prior taken off
    alone = 1 / np.maximum(1 / variances - 1 / u_prior**2, 1e-3 / u_prior**2)
    seen = bends * alone / variances
    total = SCALES_MM[:, None] ** 2 + alone
    log_likelihood = -0.5 * (np.log(total) + seen**2 / total).sum(axis=1)
    weight = np.exp(log_likelihood - log_likelihood.max())
    return float(np.sqrt(weight @ SCALES_MM**2 / weight.sum()))
