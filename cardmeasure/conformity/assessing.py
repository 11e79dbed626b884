"""Assessment of conformity (JCGM 106:2012): conformance probability, guarded acceptance and rejection, risks.

A piece is accepted where it conforms with a probability of at least `SURE`, rejected where it does with at most the
rest: for one size near one limit these are guard bands of 1.64 u (JCGM 106, 8.3.2 and table 1). In between, nothing
can be decided at this uncertainty. The risk of one decision is that of this piece (specific risk, 9.3): the consumer's,
to accept what does not conform, is 1 less the conformance probability; the producer's, to reject what does, is that
probability.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from cardmeasure.conformity.expectation import Expectation, Limits
from cardmeasure.results import Card, Conformity, ShotResult
from cardmeasure.uncertainty import conformance_probability

SURE = 0.95
CONFORMS, DOES_NOT, UNDECIDED = "conforms", "does not conform", "undecided"
WORDS = {
    CONFORMS: "conforms to {expected}",
    DOES_NOT: "does not conform to {expected}",
    UNDECIDED: "cannot be decided at this uncertainty whether it conforms to {expected}",
}
NODES = 64
REACH = 8.0


def assessed(shots: Sequence[ShotResult], expectation: Expectation | None) -> list[ShotResult]:
    """The shots, each sized piece of theirs held against what was expected."""
    if expectation is None:
        return list(shots)
    return [replace(shot, cards=tuple(assessed_card(card, expectation) for card in shot.cards)) for shot in shots]


def assessed_card(card: Card, expectation: Expectation) -> Card:
    """The card with its conformity; one without a size, or of another kind than expected, has none."""
    if not card.is_sized or not is_of_kind(card, expectation):
        return card
    p = _probability(card, expectation)
    verdict = CONFORMS if p >= SURE else DOES_NOT if p <= 1 - SURE else UNDECIDED
    told = Conformity(expected=expectation.text, verdict=verdict, probability=p, consumer_risk=1 - p, producer_risk=p)
    return replace(card, conformity=told)


def is_of_kind(card: Card, expectation: Expectation) -> bool:
    """Whether a piece is a rectangle, a disc or a regular polygon, as was expected."""
    if expectation.kind == "sides":
        return card.shape == "rectangle"
    return (card.diameter_mm if expectation.kind == "diameter" else card.across_flats_mm) is not None


def conformity_words(conformity: Conformity) -> str:
    """The verdict in words, with the probability it rests on and the risk of acting on it."""
    words = WORDS[conformity.verdict].format(expected=conformity.expected)
    p = f"conformance probability {_percent(conformity.probability)}"
    if conformity.verdict == CONFORMS:
        return f"{words} ({p}, consumer's risk {_percent(conformity.consumer_risk)})"
    if conformity.verdict == DOES_NOT:
        return f"{words} ({p}, producer's risk {_percent(conformity.producer_risk)})"
    return f"{words} ({p})"


def _percent(probability: float) -> str:
    """A probability in per cent, never rounded to certainty."""
    if probability < 0.001:
        return "<0.1 %"
    return ">99.9 %" if probability > 0.999 else f"{100 * probability:.1f} %"


def _probability(card: Card, expectation: Expectation) -> float:
    """Conformance probability of a piece of the kind expected."""
    if expectation.kind == "sides":
        values = (card.width_mm or 0.0, card.height_mm or 0.0)
        u = (card.u_width_mm or 0.0, card.u_height_mm or 0.0)
        return both_probability(values, u, card.correlation or 0.0, limits=expectation.limits)
    value, one_u = (
        (card.diameter_mm, card.u_diameter_mm)
        if expectation.kind == "diameter"
        else (card.across_flats_mm, card.u_across_flats_mm)
    )
    (limits,) = expectation.limits
    return conformance_probability(value or 0.0, one_u or 0.0, lower=limits.lower_mm, upper=limits.upper_mm)


def both_probability(
    values: tuple[float, float], u: tuple[float, float], correlation: float, *, limits: Sequence[Limits]
) -> float:
    """Probability that two correlated, normally distributed sizes both lie within their limits.

    Gauss and Legendre's rule over the first, the second's distribution being that conditional on it.
    """
    first, second = limits
    rest = u[1] * math.sqrt(max(1.0 - correlation**2, 0.0))

    def given(x: float) -> float:
        shift = 0.0 if u[0] == 0.0 else correlation * u[1] * (x - values[0]) / u[0]
        return conformance_probability(values[1] + shift, rest, lower=second.lower_mm, upper=second.upper_mm)

    if u[0] == 0.0:
        return given(values[0]) if first.lower_mm <= values[0] <= first.upper_mm else 0.0
    low = max(first.lower_mm, values[0] - REACH * u[0])
    high = min(first.upper_mm, values[0] + REACH * u[0])
    if low >= high:
        return 0.0
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    x = (low + high) / 2 + (high - low) / 2 * nodes
    density = np.exp(-0.5 * ((x - values[0]) / u[0]) ** 2) / (u[0] * math.sqrt(2 * math.pi))
    inner = np.array([given(float(at)) for at in x])
    return float(np.clip((weights * density * inner).sum() * (high - low) / 2, 0.0, 1.0))
