"""How whole sides look: several starts, what the photo teaches, and what stays doubtful."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges.fitting import ROUNDS, LookPriors, Looks, fit_looks, look_priors
from cardmeasure.edges.lighting import U_SHADE_LEVEL, Surroundings, priors_before, priors_learned
from cardmeasure.edges.looks import BLUR, FACE, PLACE, SHADE, SHADOW, SHARPENING, TABLE, WALL, WIDTH
from cardmeasure.edges.profiles import Profiles

Floats = NDArray[np.floating[Any]]
Index = NDArray[np.intp]

TEMPER = 6.0
"""Costs differ by less than they seem to, for the same reason."""
STARTS = ((0.0, 1.1), (-1.5, 1.3), (-4.0, 1.3), (1.0, 0.4))
"""Places (px) and shadow's reaches (over that expected) that fits are started from, as the nearest minimum may be a
wrong one: the rim of a shadow or of a wall that is brighter than face and table."""
TRIAL_ROUNDS = 3
"""Rounds after which only the two most promising starts go on."""
ELSEWHERE_PX = 0.5
"""Two fits whose places differ by less have found the same edge."""
U_STRIP, ALIKE = 0.4, 0.15
"""What seems to be a shadow as dark as the face is rather more of the face: u is this share of it. They are alike where
their levels differ by less than the last share of the contrast between face and table."""
LEAST_BLUR_PX = 0.3


@dataclass(frozen=True, kw_only=True, eq=False)
class SideLooks:
    """Looks of n sides, how far (n,) other explanations put their edges, px, and the priors that the photo has taught.

    bins_px : blur by the bins of the profiles.
    """

    looks: Looks
    doubt_px: Floats
    priors: LookPriors
    bins_px: float

    def rows(self, index: Index) -> SideLooks:
        """Those of some sides."""
        return replace(
            self, looks=self.looks.rows(index), doubt_px=self.doubt_px[index], priors=self.priors.rows(index)
        )


def looks_of_sides(
    sides: Profiles, around: Surroundings, *, u_place_px: float, before: SideLooks | None,
    starts: tuple[tuple[float, float], ...] = STARTS, trusts_shadows: bool = False,
) -> SideLooks:  # fmt: skip
    """Looks of all sides from their profiles; `before`: those of an earlier pass over the same sides.

    trusts_shadows : whether a dark strip is a shadow even where it is as dark as the face, as with thick pieces.
    """
    face, table, _ = ends(sides)
    untold = priors_before(around, face, table, u_place_px=u_place_px)
    if before is None:
        looks, doubt = _best_of_starts(sides, untold, starts)
        priors = priors_learned(untold, looks, around)
        start = looks.parameters
    else:
        doubt, priors = (
            before.doubt_px,
            _carried_over(before.priors, untold, blur_px=before.bins_px, now_px=around.bins_px),
        )
        start = before.looks.parameters.copy()
        start[:, PLACE] = 0.0
    looks = fit_looks(sides.distance_px, sides.light, sides.weight, priors=priors, start=start)
    # where other sides have taught how dark shadows are, a dark strip is no riddle
    untaught = np.minimum(priors.covariance[:, SHADE, SHADE] / U_SHADE_LEVEL**2, 1.0)
    strip = (not trusts_shadows) * untaught * _like_the_face(looks.parameters)
    moved = looks.parameters.copy()
    moved[:, PLACE] += strip
    moved[:, SHADOW] -= strip
    return SideLooks(
        looks=replace(looks, parameters=moved), doubt_px=np.hypot(doubt, U_STRIP * strip), priors=priors,
        bins_px=around.bins_px,
    )  # fmt: skip


def _like_the_face(p: Floats) -> Floats:
    """Width (n,) of what is taken for shadow but looks like more of a dark face, px; less the more they differ."""
    strip = np.maximum(p[:, SHADOW] + np.minimum(p[:, WIDTH], 0.0), 0.0)
    face, table = p[:, FACE], p[:, TABLE]
    apart = np.abs(face - p[:, SHADE, None] * table).max(axis=1) / np.maximum(np.abs(table - face).max(axis=1), 1e-3)
    return np.asarray(strip * np.exp(-0.5 * (apart / ALIKE) ** 2))


def _best_of_starts(
    sides: Profiles, priors: LookPriors, starts: tuple[tuple[float, float], ...]
) -> tuple[Looks, Floats]:
    """The cheapest fit of each side over all starts, and the others' distance from it (n,), weighted by likelihood."""
    n = len(sides.card)
    start = np.repeat(priors.mean[None], len(starts), axis=0)
    start[:, :, PLACE] = np.array([place for place, _ in starts])[:, None]
    start[:, :, SHADOW] *= np.array([reach for _, reach in starts])[:, None]
    row = np.tile(np.arange(n), len(starts))
    tried = _fitted(sides, row, priors, start.reshape(len(row), -1), rounds=TRIAL_ROUNDS)
    row, chosen = np.tile(np.arange(n), 2), _two_apart(tried.cost.reshape(-1, n), tried.place_px.reshape(-1, n))
    return _better(_fitted(sides, row, priors, tried.parameters[chosen.ravel() * n + row], rounds=ROUNDS))


def _better(looks: Looks) -> tuple[Looks, Floats]:
    """The cheaper of two fits (2 n,) of each side, and the other's distance from it (n,), weighted by likelihood."""
    n = len(looks.cost) // 2
    cost, place = looks.cost.reshape(2, n), looks.place_px.reshape(2, n)
    index = cost.argmin(axis=0) * n + np.arange(n)
    likelihood = np.exp(-(cost - cost.min(axis=0)) / (2 * TEMPER))
    off = place - looks.place_px[index]
    doubt = np.sqrt((likelihood * off**2).sum(axis=0) / likelihood.sum(axis=0))
    return looks.rows(index), doubt


def _two_apart(cost: Floats, place_px: Floats) -> Index:
    """Of the trials (m, n) of each side the cheapest, and the cheapest that puts the edge elsewhere, (2, n)."""
    best = cost.argmin(axis=0)
    same = np.abs(place_px - place_px[best, np.arange(cost.shape[1])]) < ELSEWHERE_PX
    other = np.where(same & ~same.all(axis=0), np.inf, cost)
    return np.stack([best, other.argmin(axis=0)])


def _fitted(sides: Profiles, row: Index, priors: LookPriors, start: Floats, *, rounds: int) -> Looks:
    return fit_looks(
        sides.distance_px[row], sides.light[row], sides.weight[row], priors=priors.rows(row), start=start,
        rounds=rounds,
    )  # fmt: skip


def _carried_over(learned: LookPriors, before: LookPriors, *, blur_px: float, now_px: float) -> LookPriors:
    """What the photo has taught of lamps and blur, with this pass's own priors of all else.

    blur_px, now_px : blur by the bins of the profiles then and now.
    """
    mean, covariance = before.mean.copy(), before.covariance.copy()
    common = np.r_[BLUR, SHARPENING, SHADOW, SHADE, WALL]
    mean[:, common] = learned.mean[:, common]
    mean[:, BLUR] = np.sqrt(np.maximum(mean[:, BLUR] ** 2 - blur_px**2 + now_px**2, LEAST_BLUR_PX**2))
    block = np.ix_(np.arange(len(mean)), common, common)
    covariance[block] = learned.covariance[block]
    return look_priors(mean, covariance)


def ends(sides: Profiles) -> tuple[Floats, Floats, Floats]:
    """Mean colours of face and table near the ends of each profile (n, 3), and their pooled scatter (n, 3)."""
    d, out, variance = sides.distance_px, [], np.zeros((len(sides.card), 3))
    limit = np.where(sides.weight > 0, d, 0.0)
    for part in (d < 0.65 * limit.min(axis=1)[:, None], d > 0.75 * limit.max(axis=1)[:, None]):
        w = (sides.weight * part + 1e-9)[..., None]
        mean = (sides.light * w).sum(axis=1) / w.sum(axis=1)
        variance += ((sides.light - mean[:, None]) ** 2 * w).sum(axis=1) / w.sum(axis=1) / 2
        out.append(mean)
    return out[0], out[1], np.sqrt(variance) + 1e-3
