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
from cardmeasure.numerics import normal_cdf
from cardmeasure.priors import FLAT_SLOPE_MM, U_BULGE_MM, WARP_MM, Priors

Floats = NDArray[np.floating[Any]]

SCALES_MM = np.geomspace(0.005, 1.5, 24)
"""Standard deviations of bends that are told apart, each step as likely beforehand as any other."""
SLOPE_SHARE = 0.35
"""How far one side of a warped card stands up, as a share of its bends: with it sizes of equal cards in seven
photographs scatter as their u says (real photographs, 2026-12)."""


FLAT_MM = 0.03
"""How far pressed cards bend and their sides bulge: what rough edges are seen with, as they cannot tell bends from the
lens."""


def laid_flat(priors: Priors) -> Priors:
    """The priors for cards taken for nearly flat."""
    share = FLAT_MM / WARP_MM
    return replace(
        priors,
        u_warp_mm=priors.u_warp_mm * share,
        u_lift_mm=FLAT_MM,
        u_bulge_px=priors.u_bulge_px * FLAT_MM / U_BULGE_MM,
    )


def with_bulges(priors: Priors, adjustment: Adjustment, *, px_per_mm: float) -> Priors:
    """The priors with the scale of the sides' bulges that a solution with the wide one shows.

    Seen from straight above a bulge and a rise look alike: so this comes first, as cut sides are straight mostly.
    """
    at = adjustment.state.layout
    if not at.cards:
        return priors
    variances = np.diag(adjustment.covariance)[at.bulge_at] / px_per_mm**2
    bulges_mm, u_prior = adjustment.state.bulge_px.ravel() / px_per_mm, priors.u_bulge_px / px_per_mm
    scale, _, _ = _scaled(bulges_mm, variances, u_prior=u_prior)
    return replace(priors, u_bulge_px=scale * px_per_mm)


def with_warp(priors: Priors, adjustment: Adjustment) -> Priors:
    """The priors with the scales of the bends that a solution with the wide ones shows.

    Cards that bend stand on their lowest lines, and may also lie askew: the more they bend, the less is known of their
    slopes and heights.
    """
    at = adjustment.state.layout
    if not at.cards:
        return priors
    rows = np.array([[at.quad_at(card, warp) for card in range(at.cards)] for warp in qd.WARP])
    found = zip(
        adjustment.state.quads[:, qd.WARP].T, np.diag(adjustment.covariance)[rows], priors.u_warp_mm, strict=True
    )
    scales, bends, u = zip(*(_scaled(mm, variances, u_prior=u_prior) for mm, variances, u_prior in found), strict=True)
    askew = SLOPE_SHARE * np.sqrt((np.square(bends) + np.square(u)).sum(axis=0))
    lift = _expected_lift_mm(np.array(bends[:2]), np.array(u[:2])).sum(axis=0)
    return replace(
        priors, u_warp_mm=np.array(scales), u_slope_mm=np.hypot(FLAT_SLOPE_MM, askew), lift_mm=lift, u_lift_mm=askew,
    )  # fmt: skip


def _expected_lift_mm(rise: Floats, u: Floats) -> Floats:
    """How far the mean of a face lies above its lowest line, where its rise is normally distributed: a third of a
    positive one, two thirds of the size of a negative one."""
    z = rise / u
    share = normal_cdf(z)
    density = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    return np.asarray(u * density + rise * (share / 3 - 2 / 3 * (1 - share)))


def _scaled(bends: Floats, variances: Floats, *, u_prior: float) -> tuple[float, Floats, Floats]:
    """Root of the posterior mean of the variance that bends (c,) were drawn with, found with such variances (c,); the
    bends (c,) as they are likely then, and their u (c,)."""
    # what the photo alone says: the prior taken off
    alone = 1 / np.maximum(1 / variances - 1 / u_prior**2, 1e-3 / u_prior**2)
    seen = bends * alone / variances
    total = SCALES_MM[:, None] ** 2 + alone
    log_likelihood = -0.5 * (np.log(total) + seen**2 / total).sum(axis=1)
    weight = np.exp(log_likelihood - log_likelihood.max())
    square = float(weight @ SCALES_MM**2 / weight.sum())
    share = square / (square + alone)
    return float(np.sqrt(square)), np.asarray(seen * share), np.sqrt(alone * share)
