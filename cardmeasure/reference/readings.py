"""What a user reads on the printed page with a rule or a calliper, and the print scale that follows from it.

Every page of the reference carries the same marks, whatever the paper:

====================  ======  ==========================================================
reading               mm      what it is; page held upright
====================  ======  ==========================================================
``long_bar``          250     bar down the page: the design's y axis
``short_bar``         180     bar across the page: the design's x axis
``diagonal``          250     between two crosses, 150 mm across and 200 mm down: both axes
``calliper_across``   76      the two fine lines left and right of the 80 mm square: x
``calliper_down``     76      the two fine lines above and below the 80 mm square: y
====================  ======  ==========================================================

The squares are printed parallel to the page, so their axes are the page's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from cardmeasure.reference.design import SQUARE_80

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A pair of printed marks: how far apart they stand in the design across and down the page, mm."""

    across_mm: float
    down_mm: float

    @property
    def length_mm(self) -> float:
        """Distance between the marks in the design."""
        return hypot(self.across_mm, self.down_mm)


MARKS: dict[str, Mark] = {
    "long_bar": Mark(across_mm=0.0, down_mm=250.0),
    "short_bar": Mark(across_mm=180.0, down_mm=0.0),
    "diagonal": Mark(across_mm=150.0, down_mm=200.0),
    "calliper_across": Mark(across_mm=SQUARE_80.calliper_mm or 0.0, down_mm=0.0),
    "calliper_down": Mark(across_mm=0.0, down_mm=SQUARE_80.calliper_mm or 0.0),
}
"""All that can be read on a page, by the name that is printed beside it."""


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """What a length is read with.

    `limit_mm`: its own limits of error, +- mm, for lengths up to `reach_mm`; `placing_mm`: how well one end is placed
    or read, +- mm.
    """

    limit_mm: float
    reach_mm: float
    placing_mm: float

    @property
    def u_own_mm(self) -> float:
        """Standard uncertainty of the instrument: its limits taken as a uniform distribution (JCGM 100, 4.3.7)."""
        return self.limit_mm / sqrt(3.0)

    @property
    def u_placing_mm(self) -> float:
        """Standard uncertainty of placing and reading both ends, each uniform within +-placing_mm."""
        return self.placing_mm * sqrt(2.0 / 3.0)


INSTRUMENTS: dict[str, Instrument] = {
    # +-0.15 mm up to 500 mm: JIS B 7516, class 1. Reading to a fifth of a division: common practice, no source.
    "steel-rule": Instrument(limit_mm=0.15, reach_mm=500.0, placing_mm=0.2),
    # +-0.02 mm up to 100 mm: DIN 862. Laying a tip on a fine printed line: common practice, no source.
    "calliper": Instrument(limit_mm=0.02, reach_mm=100.0, placing_mm=0.1),
    # A ruler of wood or plastic: common practice, no source.
    "ruler": Instrument(limit_mm=0.5, reach_mm=300.0, placing_mm=0.2),
}
"""The instruments a user can name in place of a u of his own."""

U_AXES = 0.003 * sqrt(2.0)
"""Relative u of the difference between the two scales of a print, for an axis on which nothing was read.

Each axis of a home printer is taken to be off by 0.3 % (from memory), independently of the other.
"""
FITTED = 0.02
"""A print further off than this was fitted to the page rather than printed badly (common practice, no source)."""
CONVERGED = 1e-12
"""A step of the scales that is smaller is the last one."""
CHI_SQUARE_999 = {1: 10.83, 2: 13.82, 3: 16.27}
"""Chi-square that is passed once in a thousand times by chance, by degrees of freedom (tables of the distribution)."""


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One length read on the print.

    Parameters
    ----------
    name : a key of `MARKS`.
    reading_mm : what was read.
    instrument : a key of `INSTRUMENTS`, or None where `u_mm` is given.
    u_mm : the user's own standard uncertainty; it goes before the instrument's, and is taken as this reading's alone.
    """

    name: str
    reading_mm: float
    instrument: str | None = None
    u_mm: float | None = None

    @property
    def u_parts_mm(self) -> tuple[float, float]:
        """Standard uncertainty that is this reading's alone, and that which it shares with the same instrument's."""
        if self.u_mm is not None:
            return self.u_mm, 0.0
        instrument = INSTRUMENTS[self.instrument or ""]
        return instrument.u_placing_mm, instrument.u_own_mm


@dataclass(frozen=True, kw_only=True)
class ScaleFit:
    """The print scale that fits the readings.

    `scale`: (x, y), printed over design length; `covariance`: (2, 2), relative; `misfit_mm`: reading minus fitted
    length, (n,); `chi_square` with `freedom` degrees of freedom says whether the readings agree within their u.
    """

    scale: Floats
    covariance: Floats
    misfit_mm: Floats
    chi_square: float
    freedom: int

    @property
    def axes_apart(self) -> bool:
        """Whether the scales of both axes differ by more than printers and the readings make them, but once in 1000."""
        across, both = float(self.scale[0] - self.scale[1]), self.covariance
        variance = U_AXES**2 + float(both[0, 0] + both[1, 1] - 2 * both[0, 1])
        return across**2 > CHI_SQUARE_999[1] * variance

    @property
    def agrees(self) -> bool:
        """Whether the readings agree: chance alone passes the limit once in a thousand times."""
        return self.freedom == 0 or self.chi_square <= CHI_SQUARE_999[self.freedom]


def fit_scale(readings: Sequence[Reading]) -> ScaleFit:
    """Weighted least squares of at least one reading, each mark read at most once.

    The diagonal depends on both scales and so correlates them, as do the limits of an instrument that read several
    lengths. Where the readings leave one direction open, the two scales are taken as equal with a u of `U_AXES`.
    """
    marks = [MARKS[r.name] for r in readings]
    design = np.array([[m.across_mm, m.down_mm] for m in marks])
    read = np.array([r.reading_mm for r in readings])
    weight = np.linalg.inv(_covariance_mm2(readings))
    rank = min(2, len({(m.across_mm > 0, m.down_mm > 0) for m in marks}))
    contrast = np.array([[1.0, -1.0], [-1.0, 1.0]]) / U_AXES**2 if rank < 2 else np.zeros((2, 2))
    scale = np.ones(2)
    for _ in range(10):  # only the diagonal is not linear; from 1 it converges in a few steps
        length = np.hypot(*(design * scale).T)
        slope = design**2 * scale / length[:, None]
        normal = slope.T @ weight @ slope + contrast
        step = np.linalg.solve(normal, slope.T @ weight @ (read - length) - contrast @ scale)
        scale = scale + step
        if np.abs(step).max() < CONVERGED:
            break
    misfit = read - np.hypot(*(design * scale).T)
    chi_square = float(misfit @ weight @ misfit + scale @ contrast @ scale)
    return ScaleFit(
        scale=scale,
        covariance=np.linalg.inv(normal),
        misfit_mm=misfit,
        chi_square=chi_square,
        freedom=len(readings) - rank,
    )


def _covariance_mm2(readings: Sequence[Reading]) -> Floats:
    """Covariance of the readings: what one instrument's own limits do to all its readings alike is fully correlated."""
    own, shared = np.array([r.u_parts_mm for r in readings]).T
    same = np.array([[a.instrument == b.instrument for b in readings] for a in readings])
    return np.asarray(np.diag(own**2) + same * np.outer(shared, shared), np.float64)
