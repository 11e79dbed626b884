"""How whole sides look: several starts, what the photo teaches, and what stays doubtful."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges.channels import Channels, channels_for
from cardmeasure.edges.fitting import ROUNDS, LookPriors, Looks, fit_looks
from cardmeasure.edges.lighting import BRIGHTER, U_SHADE_LEVEL, Surroundings, priors_before, priors_learned
from cardmeasure.edges.looks import BLUR, FACE, PLACE, SHADE, SHADOW, SHARPENING, TABLE, WALL, WIDTH, seen_shadow_px
from cardmeasure.edges.profiles import Profiles
from cardmeasure.edges.shading import SOFTNESSES, UNKNOWN_SOFTNESS, Shading, hiding_height_px

Floats = NDArray[np.floating[Any]]
Index = NDArray[np.intp]

TEMPER = 6.0
"""Costs differ by less than they seem to, for the same reason."""
STARTS = ((0.0, 1.1), (-1.5, 1.3), (-4.0, 1.3), (1.0, 0.4))
"""Places (px) and shadow's reaches (over that expected) that fits are started from, as the nearest minimum may be a
wrong one: the rim of a shadow or of a wall that is brighter than face and table."""
TRIAL_ROUNDS, UNTAUGHT_ROUNDS = 2, 5
"""Rounds after which only the two most promising starts go on, and after which the photo teaches."""
ELSEWHERE_PX, SAME_PX, HOPELESS = 0.5, 0.15, 150.0
"""Two fits whose places differ by less have found the same edge: after few rounds, and after more. A fit that costs so
much more than its rival, and four times as much, is given up."""
U_STRIP, ALIKE = 0.4, 0.15
"""What seems to be a shadow as dark as the face is rather more of the face: u is this share of it. They are alike where
their levels differ by less than the last share of the contrast between face and table."""
U_TABLE, U_LEAST_TABLE = 0.1, 0.005
"""What the table's light may differ by from what an earlier pass has seen: a share of it, and of full light."""
LONGER_PX = 1.0
"""A shadow that the photo leads to expect is tried where the one found is shorter by so much."""
SHOWS_PX, UNEXPLAINED, LIT = 0.4, 1.0, 0.6
"""A wall at least so wide is tried as bright as the face where a fit costs more than this a bin, or where it is
expected to have more than this share of the face's light."""
LEAST_BLUR_PX = 0.3
GAP_SOFTNESS = 0.02
"""A gap between two cards ends at the other's edge, as sharply as this one's."""
SOFT_TEACHERS, MOST_TEACHERS, DARK_ENOUGH, SOFT_ROUNDS = 2, 10, 0.8, 6
"""So many sides with a shadow that leaves less light than this show how soft shadows are, after so many rounds."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SideLooks:
    """Looks of n sides, how far (n,) other explanations put their edges, px, and the priors and the softness of shadows
    that the photo has taught.

    bins_px : blur by the bins of the profiles.
    """

    looks: Looks
    doubt_px: Floats
    priors: LookPriors
    shading: Shading
    bins_px: float

    def rows(self, index: Index) -> SideLooks:
        """Those of some sides."""
        return replace(
            self, looks=self.looks.rows(index), doubt_px=self.doubt_px[index], priors=self.priors.rows(index),
            shading=self.shading.rows(index),
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sides:
    """Profiles of n sides, the channels in which they are fitted, and what shades the table beside them."""

    profiles: Profiles
    channels: Channels
    shading: Shading
    joined: NDArray[np.bool_]

    def fitted(self, row: Index, priors: LookPriors, start: Floats, *, rounds: int, rough: bool = False) -> Looks:
        """Fits of the sides `row`, some perhaps more than once."""
        p, channels = self.profiles, self.channels.rough if rough else self.channels
        return fit_looks(
            p.distance_px, p.light, p.weight, priors=priors, start=start, rounds=rounds, channels=channels,
            shading=self.shading, row=row,
        )  # fmt: skip

    def as_soft(self, softness: Floats) -> _Sides:
        """The same with shadows' rims so soft (n,)."""
        softness = np.where(self.joined, GAP_SOFTNESS, softness)
        return replace(self, shading=replace(self.shading, softness=softness))

    def rows(self, row: Index) -> _Sides:
        """Some sides, some perhaps more than once."""
        return _Sides(
            profiles=self.profiles.rows(row), channels=self.channels.rows(row), shading=self.shading.rows(row),
            joined=self.joined[row],
        )  # fmt: skip


def looks_of_sides(
    sides: Profiles, around: Surroundings, *, u_place_px: Floats | float, before: SideLooks | None,
    starts: tuple[tuple[float, float], ...] = STARTS, trusts_shadows: NDArray[np.bool_] | bool = False,
    taught: SideLooks | None = None,
) -> SideLooks:  # fmt: skip
    """Looks of all sides from their profiles; `before`: those of an earlier pass over the same sides.

    taught : what the whole photo has taught of these sides, which are too few to learn from. trusts_shadows : whether,
    for all or each, a dark strip is a shadow even where it is as dark as the face, as with thick pieces.
    """
    face, table = ends(sides)
    # over a sheet's check, made even, the fall near the foot only added error
    height = hiding_height_px(around.thickness_px) * (around.colour_halved is not None) * ~around.is_joined
    softness = before.shading.softness if before else np.full(len(face), UNKNOWN_SOFTNESS)
    shading = Shading(softness=softness, height_px=height, white=around.white)
    channels = channels_for(face, table, colour_halved=around.colour_halved)
    task = _Sides(profiles=sides, channels=channels, shading=shading, joined=around.is_joined).as_soft(softness)
    untold = priors_before(around, face, table, u_place_px=u_place_px)
    if before is None:
        rivals = _two_of_starts(task, untold, starts)
        best = _better(rivals, _twice(len(face)), len(face))[0]
        if taught is None:
            priors = priors_learned(untold, best, around)
            task = task.as_soft(_softness(task, best, priors))
        else:
            priors = _as_taught(taught, untold, now_px=around.bins_px)
            task = task.as_soft(taught.shading.softness)
        looks, doubt = _refitted(task, rivals, priors)
    else:
        doubt = before.doubt_px
        priors = _carried_over(before, untold, now_px=around.bins_px)
        start = before.looks.parameters.copy()
        start[:, PLACE] = 0.0
        looks = task.fitted(np.arange(len(start)), priors, start, rounds=ROUNDS)
    # where other sides have taught how dark shadows are, a dark strip is no riddle
    untaught = np.minimum(priors.covariance[:, SHADE, SHADE] / U_SHADE_LEVEL**2, 1.0)
    strip = ~np.asarray(trusts_shadows, bool) * ~around.is_joined * untaught * _like_the_face(looks.parameters)
    # nor where they have taught how far shadows reach, by less than the strip is wide
    reach = priors.covariance[:, SHADOW, SHADOW]
    strip *= reach / (reach + (strip / 2) ** 2)
    moved = looks.parameters.copy()
    moved[:, PLACE] += strip
    moved[:, SHADOW] -= strip
    return SideLooks(
        looks=replace(looks, parameters=moved), doubt_px=np.hypot(doubt, U_STRIP * strip), priors=priors,
        shading=task.shading, bins_px=around.bins_px,
    )  # fmt: skip


def _softness(task: _Sides, looks: Looks, priors: LookPriors) -> Floats:
    """The softness (n,) that explains shadows best where they show beside bright borders, which none passes for."""
    p = looks.parameters
    bright = np.any(p[:, FACE] > BRIGHTER * p[:, TABLE], axis=1)
    teachers = np.flatnonzero(bright & (seen_shadow_px(p) > LONGER_PX) & (p[:, SHADE] < DARK_ENOUGH))
    if len(teachers) < SOFT_TEACHERS:
        return task.shading.softness
    row = np.tile(teachers[:: 1 + len(teachers) // MOST_TEACHERS], len(SOFTNESSES))
    trials = task.rows(row).as_soft(np.repeat(SOFTNESSES, len(row) // len(SOFTNESSES)))
    cost = trials.fitted(np.arange(len(row)), priors.rows(row), p[row], rounds=SOFT_ROUNDS).cost
    best = SOFTNESSES[int(cost.reshape(len(SOFTNESSES), -1).sum(axis=1).argmin())]
    return np.full(len(p), best)


def _like_the_face(p: Floats) -> Floats:
    """Width (n,) of what is taken for shadow but looks like more of a dark face, px; less the more they differ."""
    strip = seen_shadow_px(p)
    face, table = p[:, FACE], p[:, TABLE]
    apart = np.abs(face - p[:, SHADE, None] * table).max(axis=1) / np.maximum(np.abs(table - face).max(axis=1), 1e-3)
    return np.asarray(strip * np.exp(-0.5 * (apart / ALIKE) ** 2))


def _two_of_starts(task: _Sides, priors: LookPriors, starts: tuple[tuple[float, float], ...]) -> Looks:
    """The cheapest fits of all sides over all starts, and the cheapest that put their edges elsewhere, (2 n)."""
    n = len(priors.mean)
    start = np.repeat(priors.mean[None], len(starts), axis=0)
    start[:, :, PLACE] = np.array([place for place, _ in starts])[:, None]
    start[:, :, SHADOW] *= np.array([reach for _, reach in starts])[:, None]
    row = np.tile(np.arange(n), len(starts))
    tried = task.fitted(row, priors, start.reshape(len(row), -1), rounds=TRIAL_ROUNDS, rough=True)
    row, chosen = _twice(n), _two_apart(tried.cost.reshape(-1, n), tried.place_px.reshape(-1, n))
    return task.fitted(row, priors, tried.parameters[chosen.ravel() * n + row], rounds=UNTAUGHT_ROUNDS)


def _refitted(task: _Sides, rivals: Looks, priors: LookPriors) -> tuple[Looks, Floats]:
    """The cheapest fit of each side and what stays doubtful (n,), now that the photo has taught of walls and shadows.

    That may turn the scales between two rivals. And what passes for more of the face is tried: a longer shadow than
    either has found, where it is as dark, and a wall that the lamp makes as bright.
    """
    n = len(priors.mean)
    best = _better(rivals, _twice(n), n)[0]
    more = (_open_to_doubt(rivals, best), _with_longer_shadows(best, priors), _with_lit_walls(task, best, priors))
    row = np.concatenate([np.arange(n), *(index for index, _ in more)])
    starts = np.concatenate([best.parameters, *(start for _, start in more)])
    return _better(task.fitted(row, priors, starts, rounds=ROUNDS), row, n)


def _open_to_doubt(rivals: Looks, best: Looks) -> tuple[Index, Floats]:
    """Sides whose two rivals (2 n) are apart but cost nearly the same, and the dearer ones."""
    n = len(best.cost)
    gap, apart = (
        np.abs(part.reshape(2, n) - mine) for part, mine in ((rivals.cost, best.cost), (rivals.place_px, best.place_px))
    )
    index = np.flatnonzero(((gap < np.maximum(HOPELESS, 3 * best.cost)) & (apart > SAME_PX)).any(axis=0))
    return index, rivals.parameters[index + n * (gap[0, index] == 0)]


def _with_longer_shadows(best: Looks, priors: LookPriors) -> tuple[Index, Floats]:
    """Sides whose shadow is shorter than the photo leads to expect, and the same with all of it."""
    missing = seen_shadow_px(priors.mean) - seen_shadow_px(best.parameters)
    index = np.flatnonzero(missing > LONGER_PX)
    start = best.parameters[index]
    start[:, PLACE] -= missing[index]
    start[:, SHADOW], start[:, SHADE] = priors.mean[index, SHADOW], priors.mean[index, SHADE]
    return index, start


def _with_lit_walls(task: _Sides, best: Looks, priors: LookPriors) -> tuple[Index, Floats]:
    """Sides whose wall should show, badly explained or expected in bright light, and the same with a wall that passes
    for the face."""
    width, bins = priors.mean[:, WIDTH], (task.profiles.weight > 0).sum(axis=1)
    lit = priors.mean[:, WALL].mean(axis=1) > LIT * best.parameters[:, FACE].mean(axis=1)
    index = np.flatnonzero((width > SHOWS_PX) & ((best.cost > UNEXPLAINED * bins) | lit))
    start = best.parameters[index]
    start[:, PLACE] -= width[index]
    start[:, WIDTH] = width[index]
    start[:, WALL] = start[:, FACE].mean(axis=1, keepdims=True)
    return index, start


def _twice(n: int) -> Index:
    return np.tile(np.arange(n), 2)


def _better(looks: Looks, row: Index, n: int) -> tuple[Looks, Floats]:
    """The cheapest of several fits of n sides, whose numbers are `row`, and the others' distances from it (n,),
    weighted by likelihood."""
    order = np.argsort(row, kind="stable")
    turn = np.empty(len(row), np.intp)
    turn[order] = np.arange(len(row)) - np.searchsorted(row[order], row[order])
    at = (turn, row)
    shape = (int(turn.max()) + 1, n)
    cost, place, number = np.full(shape, np.inf), np.zeros(shape), np.zeros(shape, np.intp)
    cost[at], place[at] = looks.cost, looks.place_px
    number[at] = np.arange(len(row))
    index = number[cost.argmin(axis=0), np.arange(n)]
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


def _as_taught(known: SideLooks, untold: LookPriors, *, now_px: float) -> LookPriors:
    """What the photo has taught of lamps and blur, with this pass's own priors of all else.

    now_px : blur by the bins of the profiles now.
    """
    learned, blur_px = known.priors, known.bins_px
    mean, covariance = untold.mean.copy(), untold.covariance.copy()
    common = np.r_[BLUR, SHARPENING, SHADOW, SHADE, WALL]
    mean[:, common] = learned.mean[:, common]
    mean[:, BLUR] = np.sqrt(np.maximum(mean[:, BLUR] ** 2 - blur_px**2 + now_px**2, LEAST_BLUR_PX**2))
    block = np.ix_(np.arange(len(mean)), common, common)
    covariance[block] = learned.covariance[block]
    return LookPriors(mean=mean, covariance=covariance)


def _carried_over(known: SideLooks, untold: LookPriors, *, now_px: float) -> LookPriors:
    """What was taught, and how bright the tables beside these sides were."""
    taught = _as_taught(known, untold, now_px=now_px)
    mean, covariance = taught.mean.copy(), taught.covariance.copy()
    # profiles are shorter now and may end within a long shadow
    mean[:, TABLE] = known.looks.parameters[:, TABLE]
    for k in range(TABLE.start, TABLE.stop):
        covariance[:, k, k] = (U_TABLE * mean[:, k] + U_LEAST_TABLE) ** 2
    return LookPriors(mean=mean, covariance=covariance)


def ends(sides: Profiles) -> tuple[Floats, Floats]:
    """Mean colours of face and table near the ends of each profile (n, 3)."""
    face, table = (_mean(sides.light, weight) for weight in _weights_of_ends(sides))
    return face, table


def scatter_at_ends(sides: Profiles) -> Floats:
    """Pooled scatter (n, 3) of the colours near both ends of each profile about their means."""
    variance = np.zeros((len(sides.card), 3))
    for weight in _weights_of_ends(sides):
        mean = _mean(sides.light, weight)
        variance += _mean((sides.light - mean[:, None]) ** 2, weight) / 2
    return np.asarray(np.sqrt(variance) + 1e-3)


def _weights_of_ends(sides: Profiles) -> tuple[Floats, Floats]:
    """Weights (n, b, 1) of the bins near the inner and the outer end of each profile."""
    d = sides.distance_px
    limit = np.where(sides.weight > 0, d, 0.0)
    inner, outer = d < 0.65 * limit.min(axis=1)[:, None], d > 0.75 * limit.max(axis=1)[:, None]
    return (sides.weight * inner + 1e-9)[..., None], (sides.weight * outer + 1e-9)[..., None]


def _mean(light: Floats, weight: Floats) -> Floats:
    """Weighted means (n, 3) of light (n, b, 3)."""
    return np.asarray((light * weight).sum(axis=1) / weight.sum(axis=1))
