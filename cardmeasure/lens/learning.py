"""A lens profile from what several shots of one lens said of it, each by itself.

Each shot's own estimate, its prior taken off, is an observation of what the shots have in common. Stabilisation and
focus move a lens from shot to shot (Jasinska et al., Sensors 2023, 23, 728), so each shot deviates from that by the
standard deviations below, or by more where the shots really seen scatter more (the method of Mandel and Paule, 1970).
What is known of the next shot is what they have in common, with its u, and that deviation.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.lens.identity import LensIdentity
from cardmeasure.lens.profile import LensProfile
from cardmeasure.together import ShotObservations

Floats = NDArray[np.floating[Any]]

FEWEST_SHOTS = 3
LENS = slice(0, 4)
"""Log focal length, k1, k2, k3 among the unknowns that `together` keeps: p1 and p2 turn with how the phone is held."""
SD_OF_A_SHOT = np.array([0.005, 0.01, 0.01, 0.005])
"""By how much a shot's own lens deviates from the phone's (common practice, no source)."""
MOST_WIDENING = 8.0


@dataclass(frozen=True, kw_only=True)
class Learned:
    """A profile, and by how much more than expected the shots scatter (1: no more)."""

    profile: LensProfile
    widening: float


def learned_profiles(shots: Sequence[ShotObservations]) -> tuple[tuple[Learned, ...], dict[LensIdentity, int]]:
    """A profile for each lens of which there are shots enough; of the others, how many there are."""
    groups: dict[LensIdentity, list[ShotObservations]] = defaultdict(list)
    for shot in shots:
        if shot.lens is not None and shot.lens.model is not None:
            groups[shot.lens].append(shot)
    enough = {lens: mine for lens, mine in groups.items() if len(mine) >= FEWEST_SHOTS}
    few = {lens: len(mine) for lens, mine in groups.items() if lens not in enough}
    return tuple(_learned(lens, mine) for lens, mine in enough.items()), few


def _learned(lens: LensIdentity, shots: Sequence[ShotObservations]) -> Learned:
    seen = [_information(shot) for shot in shots]
    prior = np.array(shots[0].prior)[LENS], np.array(shots[0].prior_covariance)[LENS, LENS]
    widening = _widening(seen, prior)
    deviation = _deviation(widening, prior)
    mean, covariance = _common(seen, prior, deviation)
    mean = mean - [np.log(np.hypot(lens.long_px, lens.short_px)), 0.0, 0.0, 0.0]
    next_one = covariance + deviation
    matrix = tuple(tuple(float(value) for value in row) for row in (next_one + next_one.T) / 2)
    profile = LensProfile(
        identity=lens, shots=len(shots), mean=tuple(float(v) for v in mean), covariance=matrix,  # type: ignore[arg-type]
    )  # fmt: skip
    return Learned(profile=profile, widening=widening)


def _deviation(widening: float, prior: tuple[Floats, Floats]) -> Floats:
    """Covariance (4, 4) of a shot's own lens about the phone's: at most half of what is known of any phone's shot, so
    that a profile never says less than none."""
    return np.diag(np.minimum((widening * SD_OF_A_SHOT) ** 2, 0.5 * np.diag(prior[1])))


def _information(shot: ShotObservations) -> tuple[Floats, Floats]:
    """Information matrix (4, 4) and vector (4,) of what the shot itself says of its lens: its prior taken off."""
    solved = np.linalg.inv(np.array(shot.covariance)[LENS, LENS])
    before = np.linalg.inv(np.array(shot.prior_covariance)[LENS, LENS])
    values, vectors = np.linalg.eigh((solved - before + (solved - before).T) / 2)
    matrix = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return matrix, solved @ np.array(shot.common)[LENS] - before @ np.array(shot.prior)[LENS]


def _common(
    seen: Sequence[tuple[Floats, Floats]], prior: tuple[Floats, Floats], deviation: Floats
) -> tuple[Floats, Floats]:
    """What the shots have in common, with covariance: the prior, and each shot less what is only its own."""
    before = np.linalg.inv(prior[1] - deviation)
    total, right = before.copy(), before @ prior[0]
    for matrix, vector in seen:
        weaker = np.linalg.inv(np.eye(4) + matrix @ deviation)
        total, right = total + weaker @ matrix, right + weaker @ vector
    covariance = np.linalg.inv((total + total.T) / 2)
    return covariance @ right, covariance


def _widening(seen: Sequence[tuple[Floats, Floats]], prior: tuple[Floats, Floats]) -> float:
    """The smallest factor on the deviations, 1 at least, with which the shots agree as well as they should."""
    low, high = 1.0, MOST_WIDENING
    if _chi_squared(seen, prior, low) <= _freedom(seen):
        return low
    if _chi_squared(seen, prior, high) > _freedom(seen):
        return high
    for _ in range(30):
        middle = float(np.sqrt(low * high))
        if _chi_squared(seen, prior, middle) > _freedom(seen):
            low = middle
        else:
            high = middle
    return high


def _freedom(seen: Sequence[tuple[Floats, Floats]]) -> float:
    return 4.0 * (len(seen) - 1)


def _chi_squared(seen: Sequence[tuple[Floats, Floats]], prior: tuple[Floats, Floats], widening: float) -> float:
    """Sum over the shots of the squared distance of each from what they have in common, in its own u."""
    deviation = _deviation(widening, prior)
    mean, _ = _common(seen, prior, deviation)
    total = 0.0
    for matrix, vector in seen:
        miss = vector - matrix @ mean  # matrix @ (own deviation) + noise of covariance matrix
        scatter = matrix + matrix @ deviation @ matrix
        total += float(miss @ np.linalg.pinv(scatter, rcond=1e-9, hermitian=True) @ miss)
    return total
