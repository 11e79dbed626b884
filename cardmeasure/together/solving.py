"""The run solved again: photos of one phone and one print share their lens, tone curve and print scale.

Each photo's own estimate of these, its prior taken off, is an observation of what they have in common. A lens moves a
little between shots (stabilisation, focus), and a tone curve follows the scene; so each photo keeps a deviation of its
own with the standard deviations below, and only the print is exactly the same. From all other photos follows a sharper
prior for each, and from that its sizes, by the linear least squares that the photos themselves were solved with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.results import Contribution
from cardmeasure.together.observations import CardObservation, ShotObservations
from cardmeasure.uncertainty import budget_from_covariances

Floats = NDArray[np.floating[Any]]

SD_OF_A_SHOT = np.array([0.005, 0.01, 0.01, 0.005, 0.0002, 0.0002, 0.0, 0.0, 0.6])
"""By how much a photo's own lens and tone differ from what the phone's photos have in common; common practice."""
AGREES_WITHIN = 16.9
"""Chi-squared of 9 degrees of freedom that is exceeded once in 20 times (from memory): beyond twice that photos do not
belong together, whatever their phone and print are called."""
GROUP = "lens and print in common"
"""Name of the line of the budget that what is shared contributes."""


@dataclass(frozen=True, kw_only=True)
class ResolvedCard:
    """One card's size after all: (2,) in mm, covariance (2, 2), budget."""

    number: int
    size_mm: Floats
    covariance: Floats
    budget: tuple[Contribution, ...]

    def turned(self) -> ResolvedCard:
        """The same with the other side first."""
        lines = (replace(b, u_width_mm=b.u_height_mm, u_height_mm=b.u_width_mm) for b in self.budget)
        size, covariance = self.size_mm[::-1], self.covariance[::-1, ::-1]
        return ResolvedCard(number=self.number, size_mm=size, covariance=covariance, budget=tuple(lines))


def solved_together(shots: Sequence[ShotObservations]) -> list[tuple[ResolvedCard, ...]] | None:
    """The cards of each shot, solved with those of all; None where there are fewer than two, or they contradict.

    All must be of one phone and one print, and so have the same prior; whoever calls sees to that.
    """
    if len(shots) < 2:
        return None
    deviation = np.diag(SD_OF_A_SHOT**2)
    mean, covariance = np.array(shots[0].prior), np.array(shots[0].prior_covariance)
    before = np.linalg.inv(covariance)
    of_common = np.linalg.inv(covariance - _limited(deviation, covariance))
    seen = [_information(shot, before, mean) for shot in shots]
    shared = [_of_what_is_common(matrix, vector, deviation) for matrix, vector in seen]
    total = of_common + sum(matrix for matrix, _ in shared)
    right = of_common @ mean + sum((vector for _, vector in shared), np.zeros(len(mean)))
    resolved = []
    for shot, (matrix, vector), (its_matrix, its_vector) in zip(shots, seen, shared, strict=True):
        others = np.linalg.inv(total - its_matrix)
        expected, spread = others @ (right - its_vector), others + deviation
        sharper = np.linalg.inv(spread)
        after = np.linalg.inv(sharper + matrix)
        common = after @ (sharper @ expected + vector)
        if _contradicts(shot, expected, spread, before, mean):
            return None
        resolved.append(tuple(_resolved(card, common - np.array(shot.common), after) for card in shot.cards))
    return resolved


def _limited(deviation: Floats, covariance: Floats) -> Floats:
    """The deviation of a shot, at most half of what is known beforehand of both together."""
    return np.diag(np.minimum(np.diag(deviation), 0.5 * np.diag(covariance)))


def _information(shot: ShotObservations, before: Floats, mean: Floats) -> tuple[Floats, Floats]:
    """Information matrix and vector of what the photo itself says: its solution, the prior taken off."""
    solved = np.linalg.inv(np.array(shot.covariance))
    values, vectors = np.linalg.eigh(_symmetric(solved - before))
    matrix = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return matrix, solved @ np.array(shot.common) - before @ mean


def _of_what_is_common(matrix: Floats, vector: Floats, deviation: Floats) -> tuple[Floats, Floats]:
    """The same of what the photos have in common, the photo's own deviation being unknown."""
    weaker = np.linalg.inv(np.eye(len(matrix)) + matrix @ deviation)
    return _symmetric(weaker @ matrix), weaker @ vector


def _contradicts(shot: ShotObservations, expected: Floats, spread: Floats, before: Floats, mean: Floats) -> bool:
    """Whether what the photo says lies further from what the others say than both their uncertainties allow."""
    matrix, vector = _information(shot, before, mean)
    # in the space of observations: vector = matrix @ truth + noise with covariance matrix
    miss = vector - matrix @ expected
    scatter = matrix + matrix @ spread @ matrix
    return bool(miss @ np.linalg.pinv(scatter, rcond=1e-9, hermitian=True) @ miss > 2 * AGREES_WITHIN)


def _resolved(card: CardObservation, change: Floats, covariance: Floats) -> ResolvedCard:
    gain = np.array(card.gain)
    own = {name: _symmetric(np.array(matrix)) for name, matrix in card.own.items()}
    groups = {**own, GROUP: _symmetric(gain @ covariance @ gain.T)}
    return ResolvedCard(
        number=card.number,
        size_mm=np.array(card.size_mm) + gain @ change,
        covariance=_symmetric(sum(groups.values(), np.zeros((2, 2)))),
        budget=budget_from_covariances(groups),
    )


def _symmetric(matrix: Floats) -> Floats:
    return np.asarray((matrix + matrix.T) / 2)
