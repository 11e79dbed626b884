"""Edge points: what the edge stage hands to the adjustment, and all that is needed to solve a photo again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgePoints:
    """Points on the sides of cards, each the mean over a short stretch of edge.

    card, side (n,): which card and which of its sides (top, right, bottom, left of its quadrilateral). along (n,):
    place on the side, -1..1 clockwise. px (n, 2): where the edge was found. normal (n, 2): outward, of unit length.
    u_px (n,): random standard uncertainty across the edge. tone_px (n,): shift of the point per unit of the tone
    curve's unknown. brighter (n,): whether the face is brighter than what lies beside it. u_bias_px (cards, 4):
    standard uncertainty of a shift common to a whole side.
    """

    card: NDArray[np.intp]
    side: NDArray[np.intp]
    along: Floats
    px: Floats
    normal: Floats
    u_px: Floats
    tone_px: Floats
    brighter: NDArray[np.bool_]
    u_bias_px: Floats

    @property
    def side_number(self) -> NDArray[np.intp]:
        """Number (n,) of each point's side among those of all cards."""
        return self.card * qd.SIDES + self.side

    def of_cards(self, keep: NDArray[np.bool_]) -> EdgePoints:
        """Those of some cards (c,), numbered anew."""
        if keep.all():
            return self
        mine = self.rows(keep[self.card])
        number = np.cumsum(keep) - 1
        return replace(mine, card=number[mine.card], u_bias_px=self.u_bias_px[keep])

    def rows(self, keep: NDArray[np.bool_]) -> EdgePoints:
        """Some of the points (n,) of all cards."""
        return replace(
            self, card=self.card[keep], side=self.side[keep], along=self.along[keep], px=self.px[keep],
            normal=self.normal[keep], u_px=self.u_px[keep], tone_px=self.tone_px[keep],
            brighter=self.brighter[keep],
        )  # fmt: skip


def no_edge_points(cards: int) -> EdgePoints:
    """No points at all, for a number of cards."""
    none, pair, index = np.zeros(0), np.zeros((0, 2)), np.zeros(0, np.intp)
    return EdgePoints(
        card=index, side=index, along=none, px=pair, normal=pair, u_px=none, tone_px=none,
        brighter=np.zeros(0, bool),
        u_bias_px=np.full((cards, 4), 0.05),
    )  # fmt: skip
