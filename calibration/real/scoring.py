"""What was found against what is labelled, as pure functions over results: recognition, repeatability, known sizes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.real.corpus import Apart, Thing
from cardmeasure.flags import FLAGS, Level
from cardmeasure.results import Card
from cardmeasure.together import JointSizes

Floats = NDArray[np.floating[Any]]

SAME = 0.5
"""Share of intersection in union from which on an outline found is that of a labelled thing."""
OFF_SHARE = 0.03
"""Of a thing's long side: a size whose outline has a corner farther off than that is one of something else."""
ON_APART = 0.3
"""Share of a piece found that lies on something apart, from which on it counts as a size of that."""
CUT_MM = 0.03
"""Standard deviation of the sides of equal cards: common practice, no source."""
SILENT_U, SILENT_MM = 5.0, 0.3
"""A size among equal cards that is off their median by more than both, without a doubt, is wrong in silence."""


class Seen(Enum):
    """What became of a labelled thing."""

    SIZED = "sized"
    LISTED = "listed"
    UNSEEN = "unseen"


class Wrong(Enum):
    """Why a size is wrong: of something else, or of nothing labelled where not all is labelled."""

    FALSE = "false"
    UNLABELLED = "unlabelled"


@dataclass(frozen=True, kw_only=True, eq=False)
class ThingScore:
    """One labelled thing. card : that of the result which lies on it, if there is one. off_share : how far the farthest
    corner lies off, as a share of the long side. gross : sized by an outline that is not its own."""

    thing: Thing
    seen: Seen
    card: Card | None
    off_share: float | None
    gross: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class WrongSize:
    """A size given to what is no labelled whole piece."""

    card: Card
    kind: Wrong
    why: str


@dataclass(frozen=True, kw_only=True)
class Deviation:
    """One side of one equal card: its difference from the mean of the photo's, mm, and the u of that difference; by the
    photo's joint covariance and the cards' own scatter. u_size_mm : the u that the result states for the side."""

    card: int
    side: str
    off_mm: float
    u_mm: float
    u_size_mm: float


@dataclass(frozen=True, kw_only=True)
class KnownSize:
    """One side of a thing of known size that the plane does not come from."""

    thing: str
    side: str
    error_mm: float
    u_mm: float
    u_truth_mm: float

    @property
    def ratio(self) -> float:
        """The error over the combined standard uncertainty of measurement and truth."""
        return self.error_mm / float(np.hypot(self.u_mm, self.u_truth_mm))


def overlap(a: Floats, b: Floats) -> tuple[float, float]:
    """Share of the intersection of two convex outlines (n, 2) in their union, and in the first."""
    one, other = (cv2.convexHull(points.astype(np.float32)) for points in (a, b))
    shared = float(cv2.intersectConvexConvex(one, other)[0])
    areas = (cv2.contourArea(one), cv2.contourArea(other))
    return shared / max(sum(areas) - shared, 1e-9), shared / max(areas[0], 1e-9)


def corners_off(found: Floats, labelled: Floats) -> float:
    """How far the farthest corner (of 4) lies from its labelled one, as a share of the long side."""
    off = min(float(np.linalg.norm(np.roll(found, k, axis=0) - labelled, axis=1).max()) for k in range(4))
    return off / float(np.linalg.norm(labelled - np.roll(labelled, 1, axis=0), axis=1).max())


def thing_scores(things: Sequence[Thing], cards: Sequence[Card]) -> tuple[ThingScore, ...]:
    """Each thing with the piece whose outline lies on it best, if one does."""
    return tuple(_thing_score(thing, cards) for thing in things)


def _thing_score(thing: Thing, cards: Sequence[Card]) -> ThingScore:
    shares = [(overlap(_outline(card), thing.corners_px)[0], k) for k, card in enumerate(cards)]
    best, k = max(shares, default=(0.0, -1))
    if best < SAME:
        return ThingScore(thing=thing, seen=Seen.UNSEEN, card=None, off_share=None, gross=False)
    card = cards[k]
    if not card.is_sized:
        return ThingScore(thing=thing, seen=Seen.LISTED, card=card, off_share=None, gross=False)
    off = corners_off(np.array(card.corners_px), thing.corners_px)
    gross = off > OFF_SHARE
    seen = Seen.LISTED if gross else Seen.SIZED
    return ThingScore(thing=thing, seen=seen, card=card, off_share=off, gross=gross)


def wrong_sizes(
    things: Sequence[Thing], apart: Sequence[Apart], cards: Sequence[Card], *, all_listed: bool
) -> tuple[WrongSize, ...]:
    """Sizes of what is no labelled whole piece. A thing that is whole, but lies on others or curls, may have one."""
    wrong = []
    for card in (card for card in cards if card.is_sized):
        outline = _outline(card)
        shares = [(overlap(outline, thing.corners_px)[0], k) for k, thing in enumerate(things)]
        best, k = max(shares, default=(0.0, -1))
        if best >= SAME:
            thing = things[k]
            off = corners_off(np.array(card.corners_px), thing.corners_px)
            if thing.covered:
                wrong.append(WrongSize(card=card, kind=Wrong.FALSE, why=f"{thing.name}, which is covered or cut"))
            elif thing.flat and off > OFF_SHARE:
                why = f"{thing.name} by an outline {100 * off:.0f} % of its long side off"
                wrong.append(WrongSize(card=card, kind=Wrong.FALSE, why=why))
            continue
        on = next((one for one in apart if overlap(outline, one.outline_px)[1] > ON_APART), None)
        if on is not None:
            wrong.append(WrongSize(card=card, kind=Wrong.FALSE, why=on.name))
        else:
            kind = Wrong.FALSE if all_listed else Wrong.UNLABELLED
            wrong.append(WrongSize(card=card, kind=kind, why="nothing labelled"))
    return tuple(wrong)


def deviations(scores: Sequence[ThingScore], joint: JointSizes | None) -> tuple[Deviation, ...]:
    """The equal cards' sides against the mean of all of them in this painting; none of fewer than two cards."""
    if joint is None:
        return ()
    where = {number: k for k, number in enumerate(joint.numbers)}
    equal = [one.card for one in scores if one.thing.equal and one.seen is Seen.SIZED and one.card is not None]
    at = [where[card.number] for card in equal if card.number in where]
    n = len(at)
    if n < 2:
        return ()
    off_mean = np.eye(n) - 1 / n
    found = []
    for s, side in enumerate(("width", "height")):
        rows = np.array([2 * k + s for k in at])
        covariance = joint.covariance[np.ix_(rows, rows)] + CUT_MM**2 * np.eye(n)
        off = off_mean @ joint.sizes_mm[at, s]
        u = np.sqrt(np.diag(off_mean @ covariance @ off_mean.T))
        own = np.sqrt(np.diag(joint.covariance)[rows])
        found += [
            Deviation(card=joint.numbers[k], side=side, off_mm=float(o), u_mm=float(v), u_size_mm=float(w))
            for k, o, v, w in zip(at, off, u, own, strict=True)
        ]
    return tuple(found)


def known_sizes(scores: Sequence[ThingScore], *, u_plane_mm: float) -> tuple[KnownSize, ...]:
    """Errors of the things of known size; for photos only whose plane does not come from them.

    u_plane_mm : what the painted plane itself is uncertain by, over a thing.
    """
    found = []
    for one in (one for one in scores if one.seen is Seen.SIZED and one.thing.known_size):
        card, thing = one.card, one.thing
        assert card is not None and thing.width_mm and thing.height_mm and thing.u_mm
        truth = sorted((thing.width_mm, thing.height_mm))
        sizes = ((card.width_mm, card.u_width_mm), (card.height_mm, card.u_height_mm))
        for side, true_mm, (size_mm, u_mm) in zip(("width", "height"), truth, sizes, strict=True):
            assert size_mm is not None and u_mm is not None
            u_truth = float(np.hypot(thing.u_mm, u_plane_mm))
            found.append(
                KnownSize(thing=thing.name, side=side, error_mm=size_mm - true_mm, u_mm=u_mm, u_truth_mm=u_truth)
            )
    return tuple(found)


def silent(scores: Sequence[ThingScore], found: Sequence[Deviation]) -> tuple[int, ...]:
    """Numbers of equal cards that are off the median of all by far more than u, without a doubt."""
    doubted = {one.card.number: is_doubted(one.card) for one in scores if one.card is not None}
    numbers = set()
    for side in ("width", "height"):
        own = [one for one in found if one.side == side]
        middle = float(np.median([one.off_mm for one in own])) if own else 0.0
        for one in own:
            off = abs(one.off_mm - middle)
            if off > SILENT_MM and off > SILENT_U * one.u_size_mm and not doubted[one.card]:
                numbers.add(one.card)
    return tuple(sorted(numbers))


def is_doubted(card: Card) -> bool:
    """Whether one of a card's flags doubts its size."""
    return any(FLAGS[flag].level is Level.DOUBT for flag in card.flags)


def _outline(card: Card) -> Floats:
    return np.array(card.corners_px, float)
