"""Which rectangles are cards beyond doubt, by a closer look at them: those whose four corners are alike.

A card's face ends in four arcs of one radius, or it is cut square all round. Straight edges that close to a rectangle
by chance, or along a border on some sides only, have corners at which nothing turns. Square corners alone prove little,
as printed pictures have them, too: there the size must be a nominal one. And outside a card lies the table, close by as
farther out; outside a picture lies a border, and then the table.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.geometry import following, side_lengths
from cardmeasure.outlines.choosing import OVERLAP, common_share, is_made_of_two
from cardmeasure.outlines.trials import Trials

Floats = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]

ALIKE_MM, LEAST_ROUND_MM, ROUND_MM = 0.75, 1.2, 1.9
"""All four radii lie so near their median; sharper corners than these may be, and are, blurred square ones."""
LIKE, LIKE_IF_PALE = 0.25, 0.035
"""What lies close outside a card differs from what lies farther out by no more, logarithm of light: on tables with a
pattern, and on those as pale as a border (true ones on rendered tables 0.0 to 0.2, and 0.0 to 0.03, but for sides along
a line of the pattern; pictures in borders 0.3 to 3, and 0.06 to 2)."""
FEWEST_LIKE, SIDES = 3, 4
MOST_SQUARE_MM, NOMINAL_MM, FEWEST_SEEN = 1.1, 0.5, 2
"""Square corners look no rounder, as far as they are seen; and cards are cut to so much of a nominal size."""
MOST_MISFIT, MOST_SQUARE_MISFIT = 25.0, 15.0
"""What sides leave unexplained: at rectangles that only lie near a card, some side leaves more."""
VERY_ALIKE_MM, MOST_ODD_MISFIT = 0.3, 100.0
"""But not at one whose corners are so much alike: there a side is seen through a shadow, or along the table's lines."""
LEAST_CLARITY, LEAST_SQUARE_CLARITY = 1.5, 2.5
LEAST_MM, MOST_ASPECT = 30.0, 3.0
"""Pens and phones have round corners, too, and cards are neither so narrow nor so long."""
NOMINAL_ON_TOP_MM = 0.6
"""And cards on others look larger."""
SAME_MM = 1.0
"""Rectangles whose corners are all nearer than this are one."""
THREE_ALIKE_MM = 0.7
"""Where one is unlike them, the other three radii differ by no more."""
UNSEEN_MM = 1e3
FEWEST_UNLIKE, UNLIKE_MM = 3, 1.75
"""So many corners must be seen, and their radii differ by so much, to be those of several cards."""
MOST_OF_ARCS = 0.75
"""Share of each corner's arc that shows where a card is believed by arcs alone. On rendered hard tables, and among
decoys, rectangles of nominal sizes that are clear on all sides and have the table around them show as much: 523 that
are cards, and 6 that lie a millimetre off one."""
RIM_MM = (0.8, 9.0)
"""A frame printed on a card lies so far within it, on all sides."""


def trusted(trials: Trials, *, plain: Mask, arcs: Floats, nominal_mm: Floats, pale: bool) -> NDArray[np.intp]:
    """The numbers of those that are cards, each card once.

    plain (n,): which were found as what differs from the table; of equals these are taken. arcs (n, 4): how much of an
    arc is seen from farther off at each corner, of the radius that suits all best. nominal_mm (k, 2): short and long
    sides of nominal sizes. pale: whether the table may hide white borders around printed pictures.
    """
    if len(trials.found) == 0:
        return np.zeros(0, np.intp)
    areas = np.array([abs(cv2.contourArea(quad.astype(np.float32))) for quad in trials.corners_mm])
    sides = np.sort([side_lengths(quad).reshape(2, 2).mean(axis=0) for quad in trials.corners_mm], axis=1)
    like_cards = (sides[:, 0] > LEAST_MM) & (sides[:, 1] < MOST_ASPECT * sides[:, 0])
    nominal = np.abs(sides[:, None] - nominal_mm).max(axis=2).min(axis=1, initial=np.inf) < NOMINAL_MM
    like = np.sum(trials.unlike < (LIKE_IF_PALE if pale else LIKE), axis=1)
    well = like >= FEWEST_LIKE
    rounded = _has_round_corners(trials) & like_cards & (well | (np.median(trials.radii_mm, axis=1) >= ROUND_MM))
    rounded &= nominal | plain | (like == SIDES)
    nearly = _has_three_round_corners(trials)
    around = _lies_around(trials.corners_mm, np.flatnonzero(rounded))
    all_around = _has_three_round_corners(trials, within_mm=VERY_ALIKE_MM) & (trials.unlike.max(axis=1) < LIKE_IF_PALE)
    kept: list[int] = []
    # beside one side a line of the table's pattern may run; a picture has its border on all
    square = _has_square_corners(trials) & (like >= (SIDES if pale else FEWEST_LIKE)) & nominal
    # a frame on a card that is cut square may have round corners: the table lies around the card
    rounded &= well | ~_lies_within(trials.corners_mm, np.flatnonzero(square))
    # seen closely, a corner's arc may be lost between a face's pattern and the table's
    turned = trials.found & _is_clear(trials, trials.radii_mm) & (arcs.min(axis=1) >= MOST_OF_ARCS) & nominal & well
    for good in (rounded | (nearly & like_cards & well & (nominal | around | all_around)), square, turned):
        kept += _one_each(trials, np.flatnonzero(good), areas, plain=plain, apart_from=kept)
    return np.array(kept, np.intp)


def trusted_in_pile(trials: Trials, *, nominal_mm: Floats) -> NDArray[np.intp]:
    """The numbers of those among other cards that none of them covers: other cards have other cards' corners.

    There no table need lie around, so the size must be a nominal one. nominal_mm (k, 2): see `trusted`.
    """
    if len(trials.found) == 0:
        return np.zeros(0, np.intp)
    areas = np.array([abs(cv2.contourArea(quad.astype(np.float32))) for quad in trials.corners_mm])
    sides = np.sort([side_lengths(quad).reshape(2, 2).mean(axis=0) for quad in trials.corners_mm], axis=1)
    nominal = np.abs(sides[:, None] - nominal_mm).max(axis=2).min(axis=1, initial=np.inf) < NOMINAL_ON_TOP_MM
    kept: list[int] = []
    for round_ones in (_has_round_corners(trials, clear=False), _has_three_round_corners(trials)):
        good = np.flatnonzero(round_ones & nominal)
        kept += _one_each(trials, good, areas, plain=np.zeros(len(areas), bool), apart_from=kept)
    return np.array(kept, np.intp)


def has_corners_of_several(trials: Trials) -> Mask:
    """Which (n,) have corners that are clearly unlike each other, as those of different cards in a pile seem to be."""
    seen = np.isfinite(trials.u_radii_mm)
    low, high = (
        f(np.where(seen, trials.radii_mm, else_), axis=1) for f, else_ in ((np.min, np.inf), (np.max, -np.inf))
    )
    unlike = (seen.sum(axis=1) >= FEWEST_UNLIKE) & (high - low > UNLIKE_MM)
    return np.asarray(trials.found & unlike & ~_has_three_round_corners(trials) & ~_has_square_corners(trials))


def _has_round_corners(trials: Trials, *, clear: bool = True) -> Mask:
    """Whether all four corners are alike, and, where wanted, the sides clear."""
    radii = trials.radii_mm
    middle = np.median(radii, axis=1)
    alike = np.isfinite(trials.u_radii_mm).all(axis=1) & (np.abs(radii - middle[:, None]).max(axis=1) < ALIKE_MM)
    good = trials.found & alike & (middle >= LEAST_ROUND_MM)
    return np.asarray(good & _is_clear(trials, radii) if clear else good)


def _is_clear(trials: Trials, radii: Floats) -> Mask:
    """Whether all sides are clear and well explained, which they need not be as well where radii (n, k) agree."""
    agree = radii.max(axis=1) - radii.min(axis=1) < VERY_ALIKE_MM
    most = np.where(agree, MOST_ODD_MISFIT, MOST_MISFIT)
    return np.asarray((trials.misfit.max(axis=1) < most) & (trials.clarity.min(axis=1) >= LEAST_CLARITY))


def _has_three_round_corners(trials: Trials, *, within_mm: float = THREE_ALIKE_MM) -> Mask:
    """Whether all corners but one are alike, as where a shadow or another card lies on that."""
    radii = np.sort(np.where(np.isfinite(trials.u_radii_mm), trials.radii_mm, UNSEEN_MM), axis=1)
    lower = radii[:, 2] - radii[:, 0] <= radii[:, 3] - radii[:, 1]
    three = np.where(lower[:, None], radii[:, :3], radii[:, 1:])
    alike = (three[:, 2] - three[:, 0] < within_mm) & (three[:, 2] < UNSEEN_MM)
    return np.asarray(trials.found & alike & (three[:, 1] >= LEAST_ROUND_MM) & _is_clear(trials, three))


def _has_square_corners(trials: Trials) -> Mask:
    # the sharpest ones lie at the end of where arcs are sought
    seen = np.isfinite(trials.u_radii_mm).sum(axis=1) >= FEWEST_SEEN
    square = seen & (trials.radii_mm.max(axis=1) < MOST_SQUARE_MM)
    clear = (trials.misfit.max(axis=1) < MOST_SQUARE_MISFIT) & (trials.clarity.min(axis=1) >= LEAST_SQUARE_CLARITY)
    return np.asarray(trials.found & square & clear)


def _lies_around(quads: Floats, inner: NDArray[np.intp]) -> Mask:
    """Which (n,) leave a rim around one of some, as a card does around a frame on it, whose corners may be round."""
    low, high = RIM_MM
    rims = [_rims_mm(quads[inner], quad) for quad in quads]
    return np.array([((low < rim.min(axis=1)) & (rim.max(axis=1) < high)).any() for rim in rims], bool)


def _lies_within(quads: Floats, outer: NDArray[np.intp]) -> Mask:
    """Which (n,) one of some leaves a rim around."""
    low, high = RIM_MM
    within = np.zeros(len(quads), bool)
    for k in outer.tolist():
        rims = _rims_mm(quads, quads[k])
        within |= (low < rims.min(axis=1)) & (rims.max(axis=1) < high)
    return within


def _rims_mm(inner: Floats, outer: Floats) -> Floats:
    """How far the nearest corners of quadrilaterals (n, 4, 2) lie within each side (n, 4) of another, clockwise."""
    way = following(outer) - outer
    way = way / np.linalg.norm(way, axis=1)[:, None]
    off = inner[:, :, None] - outer
    return np.asarray((way[:, 0] * off[..., 1] - way[:, 1] * off[..., 0]).min(axis=1))


def _one_each(
    trials: Trials, good: NDArray[np.intp], areas: Floats, *, plain: Mask, apart_from: list[int]
) -> list[int]:
    """Of those that overlap the largest, but for one that two others fill; of equals the plain, or best explained."""
    quads = trials.corners_mm
    good = good[~np.array([is_made_of_two(quads[good], areas[good], k) for k in range(len(good))], bool)]
    order = sorted(good.tolist(), key=lambda k: -areas[k])
    kept: list[int] = []
    while order:
        first = order[0]
        alike = [k for k in order if _farthest_mm(quads[k], quads[first]) < SAME_MM]
        best = min(alike, key=lambda k: (not plain[k], trials.misfit[k].max()))
        if all(_overlap(quads[best], quads[j], areas[best], areas[j]) < OVERLAP for j in apart_from + kept):
            kept.append(best)
        order = [k for k in order if k not in alike]
    return kept


def _overlap(a: Floats, b: Floats, area_a: float, area_b: float) -> float:
    return common_share(a, b) if area_a <= area_b else common_share(b, a)


def _farthest_mm(a: Floats, b: Floats) -> float:
    """How far the corners (4, 2) of two quadrilaterals are apart at most, from whichever they are counted."""
    return min(float(np.linalg.norm(np.roll(a, k, axis=0) - b, axis=1).max()) for k in range(4))
