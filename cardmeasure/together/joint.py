"""The sizes of one photo's cards with their joint covariance: what differences and means of cards of a photo need.

Cards of one photo share its lens, pose, print scale and tone curve; what these do to all alike cancels in a difference.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.adjustment import Adjustment
from cardmeasure.results import Card
from cardmeasure.together.observations import quads_of

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, kw_only=True, eq=False)
class JointSizes:
    """Cards by `numbers` (n,), their widths and heights (n, 2), mm, width <= height, and their covariance (2n, 2n),
    in the order of `sizes_mm.ravel()`."""

    numbers: tuple[int, ...]
    sizes_mm: Floats
    covariance: Floats


def joint_sizes(adjustment: Adjustment, *, cards: tuple[Card, ...]) -> JointSizes:
    """Those of all cards that the adjustment sized; `cards` are the results made from it.

    Each card's own covariance is that of its result: what a result adds to the adjustment's is its own alone.
    """
    state = adjustment.state
    found = [(card, same[0]) for card in cards if len(same := quads_of(card, state.quads)) == 1]
    gains, at = [], []
    for card, index in found:
        quad, thickness = state.quads[index], card.thickness_mm or 0.0
        flat = qd.pressed_flat_mm(quad, thickness_mm=thickness)
        order = [0, 1] if flat[0] <= flat[1] else [1, 0]
        gains.append(qd.flat_by_shape(quad, thickness_mm=thickness)[order])
        at.append([state.layout.quad_at(index, k) for k in qd.SHAPE])
    rows = np.array(at, np.intp).reshape(-1, len(qd.SHAPE))
    by_shape = np.array(gains).reshape(-1, 2, len(qd.SHAPE))
    shapes = adjustment.covariance[rows[:, :, None, None], rows[None, None]]
    n = len(found)
    covariance = np.einsum("iab,ibjc,jdc->iajd", by_shape, shapes, by_shape).reshape(2 * n, 2 * n)
    for k, (card, _) in enumerate(found):
        covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = _own(card)
    return JointSizes(
        numbers=tuple(card.number for card, _ in found),
        sizes_mm=np.array([(card.width_mm, card.height_mm) for card, _ in found], float).reshape(-1, 2),
        covariance=covariance,
    )


def _own(card: Card) -> Floats:
    """Covariance (2, 2) of a card's width and height by its result."""
    w, h, r = card.u_width_mm or 0.0, card.u_height_mm or 0.0, card.correlation or 0.0
    return np.array([[w * w, r * w * h], [r * w * h, h * h]])
