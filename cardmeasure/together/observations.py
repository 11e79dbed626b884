"""What a solved photo says of lens and print, and how its sizes hang on them: small enough to be kept for every photo.

With it a run can be solved again without touching pixels: near its solution a photo is linear, so its normal equations,
reduced to lens, print scale, tone curve and sizes, are all there is to know (Triggs et al. 2000, section 6).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import camera as cam
from cardmeasure import quads as qd
from cardmeasure.adjustment import Adjustment
from cardmeasure.lens.identity import LensIdentity
from cardmeasure.priors import CURL_GROUP, Priors
from cardmeasure.results import Card
from cardmeasure.unknowns import Layout

Floats = NDArray[np.floating[Any]]
Vector = tuple[float, ...]
Matrix = tuple[Vector, ...]

NAMES = ("log focal length", "k1", "k2", "k3", "p1", "p2", "scale x", "scale y", "tone")
"""What photos of one phone and one print have in common, in the order of the vectors below."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CardObservation:
    """One card: its size (2,), mm, by how much it follows each common unknown (2, 9), and its own uncertainty.

    `own`: covariance (2, 2) of the size, were the common unknowns known, by the groups of the budget.
    """

    number: int
    size_mm: Vector
    gain: Matrix
    own: dict[str, Matrix]


@dataclass(frozen=True, kw_only=True, slots=True)
class ShotObservations:
    """One photo: the common unknowns (9,) as it alone tells them, with covariance, and what was known before.

    `lens`: which lens took it.
    """

    common: Vector
    covariance: Matrix
    prior: Vector
    prior_covariance: Matrix
    cards: tuple[CardObservation, ...]
    lens: LensIdentity | None = None


def shot_observations(
    adjustment: Adjustment, priors: Priors, *, cards: tuple[Card, ...], lens: LensIdentity | None = None
) -> ShotObservations:
    """The compact record of a solved photo; `cards` are the results made from it, which say the numbers."""
    state = adjustment.state
    at = _common_at(state.layout)
    found = []
    for card in cards:
        same = quads_of(card, state.quads)
        if len(same) == 1:
            found.append(_card_observation(adjustment, same[0], at, card=card))
    mean, covariance = _prior(priors)
    return ShotObservations(
        common=_vector(state.vector[at]),
        covariance=_matrix(adjustment.covariance[np.ix_(at, at)]),
        prior=_vector(mean),
        prior_covariance=_matrix(covariance),
        cards=tuple(found),
        lens=lens,
    )


def _common_at(at: Layout) -> NDArray[np.intp]:
    lens = np.arange(cam.PARAMETERS)[at.camera_at][9:14]
    return np.array([cam.LOG_FOCAL, *lens, *range(at.scale_at.start, at.scale_at.stop), at.tone_at], np.intp)


def quads_of(card: Card, quads: Floats) -> list[int]:
    """Which of the quadrilaterals (c, 14) the card's size was made from: one, but for pieces measured by themselves."""
    thickness = card.thickness_mm
    if card.width_mm is None or card.height_mm is None or thickness is None:
        return []
    flat = [sorted(qd.pressed_flat_mm(quad, thickness_mm=thickness).tolist()) for quad in quads]
    return [k for k, size in enumerate(flat) if size == [card.width_mm, card.height_mm]]


def _card_observation(adjustment: Adjustment, index: int, at: NDArray[np.intp], *, card: Card) -> CardObservation:
    quad = adjustment.state.quads[index]
    flat = qd.pressed_flat_mm(quad, thickness_mm=card.thickness_mm or 0.0)
    order = [0, 1] if flat[0] <= flat[1] else [1, 0]
    by_shape = qd.flat_by_shape(quad, thickness_mm=card.thickness_mm or 0.0)[order]
    rows = np.array([adjustment.state.layout.quad_at(index, k) for k in qd.SHAPE], np.intp)
    c = np.asarray(adjustment.covariance, np.float64)
    gain = by_shape @ np.linalg.solve(c[np.ix_(at, at)], c[np.ix_(at, rows)]).T
    reduce = np.hstack([by_shape, -gain])
    both = np.concatenate([rows, at])
    own = {name: reduce @ share @ reduce.T for name, share in adjustment.shares_of(both).items()}
    own[CURL_GROUP] = own[CURL_GROUP] + by_shape @ adjustment.of_rough_bends[index] @ by_shape.T
    whole = float(np.trace(by_shape @ c[np.ix_(rows, rows)] @ by_shape.T))
    return CardObservation(
        number=card.number,
        size_mm=(card.width_mm or 0.0, card.height_mm or 0.0),
        gain=_matrix(gain),
        # what comes from the common unknowns' own priors is nothing but rounding here
        own={name: _matrix(matrix) for name, matrix in own.items() if np.trace(matrix) > 1e-9 * whole},
    )


def _prior(priors: Priors) -> tuple[Floats, Floats]:
    mean = np.concatenate([[priors.log_focal], np.zeros(5), priors.scale, [0.0]])
    u_decentring = priors.u_decentring**2
    covariance = np.diag([priors.u_log_focal**2, 0.0, 0.0, 0.0, u_decentring, u_decentring, 0.0, 0.0, 1.0])
    covariance[1:4, 1:4] = priors.radial_covariance
    covariance[6:8, 6:8] = priors.scale_covariance
    if priors.lens is not None:
        mean[:4] = priors.lens.mean
        covariance[:4, :4] = priors.lens.covariance
    return mean, covariance


def _vector(values: Floats) -> Vector:
    return tuple(float(value) for value in values)


def _matrix(values: Floats) -> Matrix:
    return tuple(_vector(row) for row in values)
