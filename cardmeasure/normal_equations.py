"""The normal equations of a photo in parts, as a card's own unknowns meet no other card's.

What all have in common is solved first, from the Schur complement; then each card by itself (Triggs et al., "Bundle
adjustment: a modern synthesis", 2000, section 6.1). A tenth of the cost of the whole matrix with nine cards.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.unknowns import Layout

Floats = NDArray[np.floating[Any]]

OWN = qd.PARAMETERS + 2 * qd.SIDES
"""Unknowns of a card: its quadrilateral's parameters, its sides' shifts and their bends."""


@dataclass(frozen=True, kw_only=True)
class Parts:
    """Which unknowns of the vector (n,) are which: common (q,), each card's own (c, 22)."""

    layout: Layout

    @cached_property
    def common(self) -> NDArray[np.intp]:
        """Those of camera, scale, squares, bow and halos, and the tone last, (q,)."""
        return np.append(np.arange(self.layout.quads_at.start), self.layout.tone_at)

    @cached_property
    def own(self) -> NDArray[np.intp]:
        """Those of each card, (c, 22)."""
        at, cards = self.layout, np.arange(self.layout.cards)[:, None]
        quads = at.quads_at.start + qd.PARAMETERS * cards + np.arange(qd.PARAMETERS)
        sides = qd.SIDES * cards + np.arange(qd.SIDES)
        return np.hstack([quads, at.bias_at.start + sides, at.bulge_at.start + sides])

    @cached_property
    def order(self) -> NDArray[np.intp]:
        """All, the common ones first, (n,)."""
        return np.concatenate([self.common, self.own.ravel()])


@dataclass(frozen=True, kw_only=True, eq=False)
class PriorSums:
    """What priors add to the normal matrix of the common unknowns (q, q) and to its right side (q,); and, as each knows
    of one alone, to the diagonals (c, 22) of the cards' own and to their right sides (c, 22)."""

    common: Floats
    own: Floats
    right_common: Floats
    right_own: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Normal:
    """Normal matrix and right side: of the common unknowns (q, q), (q,), of each card's own (c, 22, 22), (c, 22), and
    between these, (c, 22, q)."""

    parts: Parts
    common: Floats
    own: Floats
    mixed: Floats
    right_common: Floats
    right_own: Floats

    def __add__(self, other: Normal) -> Normal:
        return Normal(
            parts=self.parts, common=self.common + other.common, own=self.own + other.own,
            mixed=self.mixed + other.mixed, right_common=self.right_common + other.right_common,
            right_own=self.right_own + other.right_own,
        )  # fmt: skip

    def step(self, *, damping: float) -> tuple[Floats, float]:
        """The solution (n,) where the diagonal is larger by a share `damping`, and its length in the undamped metric.

        Raises numpy.linalg.LinAlgError where there is none.
        """
        common, own = _raised(self.common, damping), _raised(self.own, damping)
        both = np.concatenate([self.mixed, self.right_own[..., None]], axis=2)
        solved = np.linalg.solve(own, both)
        gain, alone = solved[..., :-1], solved[..., -1]
        of_common = np.linalg.solve(
            common - _summed(self.mixed, gain), self.right_common - np.tensordot(alone, self.mixed, axes=2)
        )
        of_own = alone - gain @ of_common
        step = np.empty(self.parts.layout.size)
        step[self.parts.common], step[self.parts.own] = of_common, of_own
        square = of_common @ self.right_common + np.vdot(of_own, self.right_own)
        square -= damping * (np.diagonal(self.common) @ of_common**2 + np.vdot(_diagonals(self.own), of_own**2))
        return step, float(np.sqrt(max(square, 0.0)))

    @cached_property
    def _gain(self) -> tuple[Floats, Floats]:
        """How each card's own unknowns follow the common ones, (c, 22, q), and the covariance of these, (q, q)."""
        gain = np.linalg.solve(self.own, self.mixed)
        return gain, np.linalg.inv(self.common - _summed(self.mixed, gain))

    def covariance(self) -> Floats:
        """The inverse (n, n) of the normal matrix. Raises numpy.linalg.LinAlgError where there is none."""
        gain, of_common = self._gain
        n, cards = self.parts.layout.size, np.arange(len(self.own))
        follows = np.empty((n, len(of_common)))  # all unknowns in the order of the vector
        follows[self.parts.common] = np.eye(len(of_common))
        follows[self.parts.own] = -gain
        covariance = follows @ of_common @ follows.T
        own = self.parts.own
        covariance[own[cards, :, None], own[cards, None]] += np.linalg.inv(self.own)
        return np.asarray((covariance + covariance.T) / 2)

    def share_of_common(self, other: Normal) -> float:
        """Trace of the covariance times the normal matrix of observations that know of common unknowns only."""
        return float(np.vdot(self._gain[1], other.common))

    def share_of_diagonal(self, other: Normal) -> float:
        """The same of observations of which those of the cards' own unknowns know of one each."""
        gain, of_common = self._gain
        variances = _diagonals(np.linalg.inv(self.own)) + np.einsum("cip,pq,ciq->ci", gain, of_common, gain)
        return self.share_of_common(other) + float(np.vdot(variances, _diagonals(other.own)))

    def dense(self) -> tuple[Floats, Floats]:
        """The whole normal matrix (n, n) and its right side (n,)."""
        at, n = self.parts, self.parts.layout.size
        matrix, right = np.zeros((n, n)), np.zeros(n)
        matrix[np.ix_(at.common, at.common)] = self.common
        right[at.common], right[at.own] = self.right_common, self.right_own
        for mine, own, mixed in zip(at.own, self.own, self.mixed, strict=True):
            matrix[np.ix_(mine, mine)] = own
            matrix[np.ix_(mine, at.common)] = mixed
            matrix[np.ix_(at.common, mine)] = mixed.T
        return matrix, right


def _summed(mixed: Floats, gain: Floats) -> Floats:
    """Sum over all cards of mixed.T @ gain, (q, q)."""
    q = mixed.shape[2]
    return np.asarray(mixed.reshape(-1, q).T @ gain.reshape(-1, q))


def _diagonals(matrices: Floats) -> Floats:
    return np.diagonal(matrices, axis1=-2, axis2=-1)


def _raised(matrices: Floats, damping: float) -> Floats:
    """Matrices (..., n, n) with diagonals larger by a share."""
    raised = matrices.copy()
    k = np.arange(raised.shape[-1])
    raised[..., k, k] *= 1 + damping
    return raised
