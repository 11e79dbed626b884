"""The probability that every card of a deck goes into its sleeve, and quantiles; by quadrature, without random numbers.

What is common to all cards and sleeves of a deck (u of the mean size, the pack's deviation, the meaning of the quoted
size) moves all margins together; what differs from card to card and from sleeve to sleeve does not. So with the common
margin m, n cards go in with the probability Phi(m / s)^n, and that is averaged over the distribution of m. For one
card and no scatter this is the conformity probability of JCGM 106:2012, 7.2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from cardmeasure.sleeving.inside import Spread

_REACH = 8.0
"""Standard deviations beyond which a normal distribution is taken as ended: 6e-16 are left."""
_POINTS = (401, 8001)


def normal_cdf(z: float) -> float:
    """The standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def all_go_in(margin: Spread, *, scatter_mm: float, count: int) -> float:
    """Probability that all of `count` cards have room.

    Parameters
    ----------
    margin : inside width minus what the mean card needs, with all that is common to the deck's cards; mm.
    scatter_mm : standard deviation of the margin from card to card and sleeve to sleeve.
    count : number of cards, at least 1.
    """
    reach = margin.half_mm + _REACH * math.hypot(margin.u_mm, scatter_mm)
    # the largest of n deviations: beyond 8 standard deviations even a million cards count for nothing
    if margin.middle_mm >= reach:
        return 1.0
    if margin.middle_mm <= -reach:
        return 0.0
    if scatter_mm == 0.0:
        return 1.0 - cdf(margin, 0.0)
    if margin.half_mm == 0.0 and margin.u_mm == 0.0:
        return normal_cdf(margin.middle_mm / scatter_mm) ** count
    return _averaged(margin.middle_mm, margin.half_mm, margin.u_mm, scatter_mm, count)


def cdf(spread: Spread, x_mm: float) -> float:
    """Probability that the length is at most `x_mm`."""
    a, u, d = spread.half_mm, spread.u_mm, x_mm - spread.middle_mm
    if a == 0.0 and u == 0.0:
        return 1.0 if d >= 0.0 else 0.0
    if u < 1e-9 * a:
        return min(1.0, max(0.0, (d + a) / (2 * a)))
    if a < 1e-6 * u:
        return normal_cdf(d / u)
    return u * (_primitive((d + a) / u) - _primitive((d - a) / u)) / (2 * a)


def quantile(spreads: Sequence[tuple[float, Spread]], p: float) -> float:
    """The length below which a mixture of (weight, spread) lies with probability `p`, within 0 < p < 1; bisection."""
    low = min(s.middle_mm - s.half_mm - _REACH * s.u_mm for _, s in spreads)
    high = max(s.middle_mm + s.half_mm + _REACH * s.u_mm for _, s in spreads)
    while high - low > 1e-4:
        middle = (low + high) / 2
        if sum(weight * cdf(spread, middle) for weight, spread in spreads) < p:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _primitive(z: float) -> float:
    """An antiderivative of the normal distribution function."""
    return z * normal_cdf(z) + math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


@lru_cache(maxsize=65536)
def _averaged(middle: float, half: float, u: float, scatter: float, count: int) -> float:
    """Phi(m / s)^n averaged over m by the trapezoidal rule, which for densities that vanish at both ends is exact to
    many digits as soon as the step is a fraction of the narrowest width."""
    from scipy.special import log_ndtr, ndtr

    if u < 1e-3 * half:
        u = 1e-3 * half  # a rectangle's rounded corners: what that changes is below 0.001
    reach = half + _REACH * u
    low, high = _POINTS
    points = int(min(high, max(low, 8 * reach / min(u, scatter))))
    m = np.linspace(middle - reach, middle + reach, points)
    d = m - middle
    if half < 1e-6 * u:
        density = np.exp(-0.5 * (d / u) ** 2) / (u * math.sqrt(2 * math.pi))
    else:
        density = (ndtr((d + half) / u) - ndtr((d - half) / u)) / (2 * half)
    return float(np.clip(np.trapezoid(density * np.exp(count * log_ndtr(m / scatter)), m), 0.0, 1.0))
