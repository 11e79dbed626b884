"""A card of size ID-1 in the photo, any bank card: whether a piece is one, and what may be learned from it.

Sizes, limits and thickness are those of ISO/IEC 7810 for an unused card; each limit is taken for a uniform
distribution (JCGM 100, 4.3.7). A piece counts as one when, the print being off as home prints are, size ID-1 explains
its two sides better than every nominal size class and better than no class at all, and its corners are as round.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import exp, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.classes import SizeClass
from cardmeasure.known_pieces import KnownPiece
from cardmeasure.numerics import lengths
from cardmeasure.outlines.pieces import Outline
from cardmeasure.settings import Settings
from cardmeasure.solving import Solution, Start

Floats = NDArray[np.floating[Any]]

LIMITS_MM = ((53.92, 54.03), (85.47, 85.72))
"""Least and largest short and long side."""
SIDES_MM = (sum(LIMITS_MM[0]) / 2, sum(LIMITS_MM[1]) / 2)
U_SIDES_MM = tuple((high - low) / 2 / sqrt(3.0) for low, high in LIMITS_MM)
THICKNESS_MM, U_THICKNESS_MM = 0.76, 0.08 / sqrt(3.0)
RADIUS_MM = 3.18
RADII_MM = (1.6, 4.8)
"""What a rough outline may say of corners of 3.18 mm; it tells sharp ones and large ones from them, no more."""
ID_1 = "id-1"

U_BOTH, U_BETWEEN = 0.01, 0.005
"""What a print's scale may be off by in both axes alike, and by how much these may differ (standard deviations), where
a bank card is to tell it: wider than what is taken for a print of which nothing is known, so that the card decides.
From memory: home printers are off by 0.1 to 0.5 %."""
MOST_OFF = 0.025
"""A print that is further off is doubted, not corrected: a bridge card could be a bank card on a print of 97 %."""
FARTHEST = 0.06
"""Sides further off than this part need no weighing."""
SURE = 0.9
"""Least probability of size ID-1."""
ODD_DENSITY = 0.5 * 2.0 / np.log(160.0 / 25.0) ** 2
"""Of sizes that belong to no class, times width and height: as in `classes.likelihood`."""
MOST_CARDS = 2
"""More pieces of this format are a deck, not bank cards."""
AGREE_WITHIN = 3.5
"""Two bank cards disagree, and one the readings, where they differ by more standard uncertainties than this."""


class Verdict(StrEnum):
    """What becomes of the bank cards in a photo; values of all but `NONE` and `AGREES` are flags of the shot."""

    NONE = "none"
    USED = "bank-card-used"
    AGREES = "agrees"
    DIFFERS = "bank-card-differs"
    DOUBTFUL = "bank-card-doubtful"


FLAGGED = (Verdict.USED, Verdict.DIFFERS, Verdict.DOUBTFUL)


@dataclass(frozen=True, kw_only=True)
class BankCards:
    """What was found. `outlines`: which pieces; `scale`: the print's scale over the one taken, as they show it."""

    verdict: Verdict
    outlines: tuple[int, ...] = ()
    scale: float | None = None

    @property
    def known(self) -> Mapping[int, KnownPiece]:
        """What is known of these pieces when the photo is solved again."""
        thick = KnownPiece(thickness_mm=THICKNESS_MM, u_thickness_mm=U_THICKNESS_MM)
        if self.verdict is Verdict.USED:
            thick = replace(thick, sides_mm=SIDES_MM, u_sides_mm=(U_SIDES_MM[0], U_SIDES_MM[1]))
        elif self.verdict is Verdict.DOUBTFUL:
            return {}
        return dict.fromkeys(self.outlines, thick)


NONE = BankCards(verdict=Verdict.NONE)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Piece:
    """A sized piece: short and long side (2,), covariance (2, 2) with the print's scale as solved, and without it.

    by_scale (2, 2): how both sides follow the scales x and y.
    """

    outline: int
    sides_mm: Floats
    covariance: Floats
    own: Floats
    by_scale: Floats


def bank_cards(outlines: Sequence[Outline], solution: Solution, *, settings: Settings) -> BankCards:
    """The bank cards among the pieces of a photo that was solved without knowing of them.

    Where the print's scale is known from readings, a bank card only checks it.
    """
    pieces = _pieces(outlines, solution, paper_mm=settings.paper_mm)
    found = [piece for piece in pieces if _is_id1(piece, outlines[piece.outline], settings.classes)]
    if not found:
        return NONE
    indices = tuple(piece.outline for piece in found)
    scale = _shown_scale(found)
    if len(found) > MOST_CARDS or _disagree(found):
        return BankCards(verdict=Verdict.DOUBTFUL, outlines=indices, scale=scale)
    if settings.print_profile.source != "assumed":
        agrees = all(_distance(piece.sides_mm - SIDES_MM, _checked(piece)) < AGREE_WITHIN for piece in found)
        return BankCards(verdict=Verdict.AGREES if agrees else Verdict.DIFFERS, outlines=indices, scale=scale)
    if abs(scale - 1) > MOST_OFF:
        return BankCards(verdict=Verdict.DOUBTFUL, outlines=indices, scale=scale)
    return BankCards(verdict=Verdict.USED, outlines=indices, scale=scale)


def start_with(found: BankCards, start: Start) -> Start:
    """What a photo is solved again from: where a bank card is used, so little is known of the scale that it decides."""
    if found.verdict is not Verdict.USED:
        return start
    return replace(start, priors=replace(start.priors, scale_covariance=_wide_covariance()))


def corner_radius_mm(outline: Outline) -> float | None:
    """Radius of the corners, roughly, from how far the contour stays away from where the sides meet; None without one.

    A quarter circle of radius r stays away by (sqrt(2) - 1) r.
    """
    if len(outline.contour_mm) < 20:
        return None
    away = lengths(outline.corners_mm[:, None] - outline.contour_mm[None]).min(axis=1)
    return float(np.median(away)) / (sqrt(2.0) - 1.0)


def _checked(piece: _Piece) -> Floats:
    """Covariance of a piece's sides about those of a bank card, the print's scale as it was read."""
    return np.asarray(piece.covariance + np.diag(np.square(U_SIDES_MM)))


def _wide_covariance() -> Floats:
    both, half = U_BOTH**2, U_BETWEEN**2 / 4
    return np.array([[both + half, both - half], [both - half, both + half]])


def _pieces(outlines: Sequence[Outline], solution: Solution, *, paper_mm: float) -> list[_Piece]:
    """The solved pieces whose sides, as they are if they stand as high as a bank card, are not far from one's."""
    adjustment = solution.adjustment
    at, covariance = adjustment.state.layout, np.asarray(adjustment.covariance, np.float64)
    scale = np.arange(at.scale_at.start, at.scale_at.stop)
    of_scale = covariance[np.ix_(scale, scale)]
    above_mm = float(-adjustment.state.camera.position_mm[2])
    pieces = []
    for k, card in enumerate(solution.card_of.tolist()):
        if card < 0 or outlines[k].shape != "rectangle":
            continue
        quad = adjustment.state.quads[card]
        order = (qd.WIDTH, qd.HEIGHT) if quad[qd.WIDTH] <= quad[qd.HEIGHT] else (qd.HEIGHT, qd.WIDTH)
        # a top face that stands higher than was thought is nearer, so it is smaller than it seemed
        higher = THICKNESS_MM - solution.priors.elevation_mm[card] - paper_mm
        sides = quad[list(order)] * (1 - higher / (above_mm - quad[qd.ELEVATION]))
        if np.abs(sides / SIDES_MM - 1).max() > FARTHEST:
            continue
        rows = np.array([at.quad_at(card, side) for side in order], np.intp)
        by_scale = np.linalg.solve(of_scale, covariance[np.ix_(scale, rows)]).T
        own = covariance[np.ix_(rows, rows)]
        without = own - by_scale @ of_scale @ by_scale.T
        pieces.append(_Piece(outline=k, sides_mm=sides, covariance=own, own=without, by_scale=by_scale))
    return pieces


def _is_id1(piece: _Piece, outline: Outline, classes: Sequence[SizeClass]) -> bool:
    """Whether size ID-1 explains the sides best, by Bayes' theorem with all classes, those that are off among them."""
    radius = corner_radius_mm(outline)
    if radius is not None and not RADII_MM[0] <= radius <= RADII_MM[1]:
        return False
    spread = piece.own + piece.by_scale @ _wide_covariance() @ piece.by_scale.T
    mine = _density(piece.sides_mm - SIDES_MM, spread + np.diag(np.square(U_SIDES_MM)))
    others = 0.0
    for one in classes:
        if one.id == ID_1:
            continue
        cuts = [np.sort(cut) for cut in one.cuts_mm]
        with_cut = spread + np.eye(2) * one.u_cut_mm**2
        others += sum(_density(piece.sides_mm - cut, with_cut) for cut in cuts) / len(cuts)
    odd = ODD_DENSITY / float(np.prod(piece.sides_mm))
    prior = 0.5 / max(len(classes), 1)
    return bool(prior * mine > SURE * (prior * (mine + others) + odd))


def _density(off_mm: Floats, covariance: Floats) -> float:
    """Density of a normal distribution in two dimensions."""
    (a, b), (c, d) = covariance.tolist()
    return exp(-0.5 * _distance(off_mm, covariance) ** 2) / (2 * pi * sqrt(a * d - b * c))


def _distance(off_mm: Floats, covariance: Floats) -> float:
    """Mahalanobis distance in two dimensions."""
    (x, y), ((a, b), (c, d)) = off_mm.tolist(), covariance.tolist()
    return sqrt(max(d * x * x - (b + c) * x * y + a * y * y, 0.0) / (a * d - b * c))


def _shown_scale(found: Sequence[_Piece]) -> float:
    """The print's scale over the one taken: the mean over all sides, each by what is known of it."""
    ratio = np.concatenate([np.array(SIDES_MM) / piece.sides_mm for piece in found])
    u = np.concatenate([np.sqrt(np.diag(piece.own) + np.square(U_SIDES_MM)) / SIDES_MM for piece in found])
    return float((ratio / u**2).sum() / (1 / u**2).sum())


def _disagree(found: Sequence[_Piece]) -> bool:
    """Whether two of the pieces differ by more than bank cards do, for all that the axes of the print may differ."""
    for i, a in enumerate(found):
        for b in found[i + 1 :]:
            turned = a.by_scale - b.by_scale
            spread = a.own + b.own + 2 * np.diag(np.square(U_SIDES_MM)) + turned @ _wide_covariance() @ turned.T
            if _distance(a.sides_mm - b.sides_mm, spread) > AGREE_WITHIN:
                return True
    return False
