"""The check of a reference square, found without its fiducial: only to say why a photo cannot be measured.

Saddle points stand where the Hessian's determinant is most negative. Around a true crossing of a check light and dark
take turns four times, and from each crossing to the next they change places: art and cloth show neither.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.geometry import apply_homography, fit_homography

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]
Grey = NDArray[np.uint8]

SIGMAS_PX = (0.9, 1.6)
"""Scales at which crossings are sought in each of the pictures."""
FINEST_SIGMAS = 4.5
"""Cells smaller than this many sigmas run together."""
MOST_CROSSINGS = 1500
LEAST_STRENGTH = 4.0
"""Of a crossing, grey levels squared: below that is noise."""
RING_SAMPLES = 16
LEAST_PURE = 0.55
"""Share of a ring's variance that two periods must have."""
FEWEST, MOST = 14, 130
"""Crossings that hang together: fewer may be art, more are another check than ours."""
MOST_ACROSS = 11
LEAST_PAIRS = 1.2
"""Pairs a crossing: nearly 2 inside a check, 1 along a row."""
OFF_GRID, LEAST_ON_GRID = 0.2, 0.8
"""Crossings fit a check where they are no further from their places than this part of a cell; that many must."""
ALIGNED = 0.35
"""How far the way to a neighbour may be off a crossing's edges, radians."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckPattern:
    """Crossings that hang together: places (n, 2) in the picture's pixels, their rows and columns (n, 2) in the check,
    counted from anywhere, and pairs (m, 2) of neighbours."""

    places_px: Floats
    cells: Ints
    pairs: Ints

    @property
    def steps_px(self) -> tuple[float, float]:
        """Typical sides of a cell, the shorter and the longer one."""
        way = self.places_px[self.pairs[:, 1]] - self.places_px[self.pairs[:, 0]]
        length, along = np.linalg.norm(way, axis=1), np.abs(np.diff(self.cells[self.pairs], axis=1)[:, 0, 0]) > 0
        first, second = sorted(float(np.median(length[which])) if which.any() else 0.0 for which in (along, ~along))
        return first or second, second

    def scaled(self, factor: float) -> CheckPattern:
        """The same in a picture `factor` times as large."""
        places = (self.places_px + 0.5) * factor - 0.5
        return CheckPattern(places_px=places, cells=self.cells, pairs=self.pairs)


class _AnotherPatternError(Exception):
    """What hangs together is larger than our check: a chequered cloth, a game board."""


def find_check(grey: Grey) -> CheckPattern | None:
    """The largest check in a picture (h, w), sought at several sizes; None where there is none, or one not of ours."""
    try:
        return _largest(grey)
    except _AnotherPatternError:
        return None


def _largest(grey: Grey) -> CheckPattern | None:
    best: CheckPattern | None = None
    factor = 1.0
    while min(grey.shape) >= 60:
        for sigma in SIGMAS_PX:
            if best is not None and best.steps_px[0] / factor < FINEST_SIGMAS * sigma:
                continue  # a check seen already, whose cells run together here, would pass for another pattern
            found = _hanging_together(*_crossings(grey, sigma_px=sigma))
            if found is not None and (best is None or len(found.places_px) > len(best.places_px)):
                best = found.scaled(factor)
        grey, factor = np.asarray(cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)), 2 * factor
    return best


def _crossings(grey: Grey, *, sigma_px: float) -> tuple[Floats, Floats]:
    """Places (n, 2) and phases (n,) of crossings: the direction of one of the bright quarters, radians modulo pi."""
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), sigma_px)
    xx, yy = cv2.Sobel(smooth, cv2.CV_32F, 2, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 2)
    strength = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 1) ** 2 - xx * yy)
    size = 2 * round(2 * sigma_px) + 1
    peak = (strength == cv2.dilate(strength, np.ones((size, size), np.uint8))) & (strength > LEAST_STRENGTH)
    margin = round(3.5 * sigma_px) + 1
    peak[:margin] = peak[-margin:] = peak[:, :margin] = peak[:, -margin:] = False
    y, x = np.nonzero(peak)
    strongest = np.argsort(-strength[y, x])[:MOST_CROSSINGS]
    places = np.column_stack([x[strongest], y[strongest]]).astype(np.float64)
    return _alternating(np.asarray(smooth, np.float32), places, radius_px=2.2 * sigma_px)


def _alternating(smooth: Floats, places: Floats, *, radius_px: float) -> tuple[Floats, Floats]:
    """Those places around which light and dark take turns twice, and the direction of light."""
    if not len(places):
        return places, np.zeros(0)
    angle = np.arange(RING_SAMPLES) * 2 * np.pi / RING_SAMPLES
    x = (places[:, :1] + radius_px * np.cos(angle)).astype(np.float32)
    y = (places[:, 1:] + radius_px * np.sin(angle)).astype(np.float32)
    ring = np.asarray(cv2.remap(np.asarray(smooth, np.float32), x, y, cv2.INTER_LINEAR), np.float64)
    spectrum = np.fft.rfft(ring - ring.mean(axis=1, keepdims=True), axis=1)
    power = np.abs(spectrum) ** 2
    pure = power[:, 2] > LEAST_PURE * power[:, 1:].sum(axis=1)
    strong = np.abs(spectrum[:, 2]) * 2 / RING_SAMPLES > 5.0
    good = pure & strong
    return places[good], -np.angle(spectrum[good, 2]) / 2


def _hanging_together(places: Floats, phase: Floats) -> CheckPattern | None:
    """The largest set of crossings each of which has neighbours along its edges, with light and dark changed."""
    if len(places) < FEWEST:
        return None
    apart = places[None] - places[:, None]
    distance = np.hypot(*apart.transpose(2, 0, 1))
    way = np.arctan2(apart[..., 1], apart[..., 0])
    # edges run 45 degrees (of a square check) from the middle of the light
    off_edge = np.abs(np.angle(np.exp(4j * (way - phase[:, None] - np.pi / 4)))) / 4
    opposite = np.cos(2 * (phase[:, None] - phase[None])) < -0.5
    fits = opposite & (off_edge < ALIGNED) & (off_edge.T < ALIGNED) & (distance > 0)
    nearest = np.where(fits, distance, np.inf)
    pairs = _neighbours(nearest)
    label = _components(len(places), pairs)
    sizes = np.bincount(label)
    chosen = int(sizes.argmax())
    mine = np.flatnonzero(label == chosen)
    if len(mine) > MOST:
        raise _AnotherPatternError
    if len(mine) < FEWEST:
        return None
    number = np.full(len(places), -1)
    number[mine] = np.arange(len(mine))
    within = number[pairs[(label[pairs[:, 0]] == chosen)]]
    if len(within) < LEAST_PAIRS * len(mine):  # a row of crossings is no check
        return None
    return _laid_on_a_grid(places[mine], phase[mine], within)


def _laid_on_a_grid(places: Floats, phase: Floats, pairs: Ints) -> CheckPattern | None:
    """The crossings with their rows and columns; None where these do not fit a plane seen in perspective."""
    cells, known = _counted(places, phase, pairs)
    if known.sum() < FEWEST:
        return None
    step = float(np.median(np.linalg.norm(places[pairs[:, 0]] - places[pairs[:, 1]], axis=1)))
    good = known
    for _ in range(3):
        with np.errstate(divide="ignore", invalid="ignore"):
            h = fit_homography(cells[good].astype(np.float64), places[good])
        if not np.isfinite(h).all():  # crossings on a line, or a mix-up
            return None
        off = np.linalg.norm(apply_homography(h, cells.astype(np.float64)) - places, axis=1)
        good = known & (off < OFF_GRID * step)
        if good.sum() < max(FEWEST, LEAST_ON_GRID * len(places)):
            return None
    if np.ptp(cells[good], axis=0).max() > MOST_ACROSS:
        raise _AnotherPatternError
    number = np.full(len(places), -1)
    number[good] = np.arange(good.sum())
    within = number[pairs[good[pairs].all(axis=1)]]
    return CheckPattern(places_px=places[good], cells=cells[good], pairs=within.astype(np.intp))


def _counted(places: Floats, phase: Floats, pairs: Ints) -> tuple[Ints, NDArray[np.bool_]]:
    """Row and column (n, 2) of each crossing by walking from one to the next, and which were reached."""
    beside: list[list[int]] = [[] for _ in places]
    for i, j in pairs.tolist():
        beside[i].append(j)
        beside[j].append(i)
    cells, axis = np.zeros((len(places), 2), np.intp), np.zeros(len(places))
    known = np.zeros(len(places), bool)
    known[0], axis[0] = True, phase[0] + np.pi / 4
    waiting = [0]
    while waiting:
        here = waiting.pop(0)
        for there in beside[here]:
            if known[there]:
                continue
            x, y = places[there] - places[here]
            quarter = round((np.arctan2(y, x) - axis[here]) / (np.pi / 2)) % 4
            cells[there] = cells[here] + ((1, 0), (0, 1), (-1, 0), (0, -1))[quarter]
            # of its edges the one that runs most like the first axis here
            turn = (phase[there] + np.pi / 4 - axis[here]) / (np.pi / 2)
            axis[there] = axis[here] + (turn - round(turn)) * np.pi / 2
            known[there] = True
            waiting.append(there)
    return cells, known


def _neighbours(nearest: Floats) -> Ints:
    """Pairs (m, 2), each once, that are each among the four nearest of the other, and not much further than those."""
    order = np.argsort(nearest, axis=1)[:, :4]
    close = np.zeros(nearest.shape, bool)
    rows = np.arange(len(nearest))
    for k in range(4):
        reached = nearest[rows, order[:, k]]
        close[rows, order[:, k]] = np.isfinite(reached) & (reached < 1.8 * nearest[rows, order[:, 0]])
    i, j = np.nonzero(np.triu(close & close.T))
    return np.column_stack([i, j]).astype(np.intp)


def _components(count: int, pairs: Ints) -> Ints:
    """Labels (count,) of what hangs together."""
    label = np.arange(count)
    for _ in range(count):
        low = np.minimum(label[pairs[:, 0]], label[pairs[:, 1]])
        new = label.copy()
        np.minimum.at(new, pairs[:, 0], low)
        np.minimum.at(new, pairs[:, 1], low)
        if np.array_equal(new, label):
            break
        label = new
    return label
