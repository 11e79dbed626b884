"""How the paper of a measuring sheet bows: a smooth height above the plane of the print, and its derivatives.

And how that of a square, cut out, bends by itself while the cards beside it lie on the table.

Products of Legendre polynomials up to the fifth degree in all; level and slope are the camera's own. They follow a wave
of 250 mm to some hundredths of its height, one of 350 mm to thousandths. What lies on the sheet follows it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

DEGREE = 5
ORDERS = np.array([(i, n - i) for n in range(2, DEGREE + 1) for i in range(n, -1, -1)])
"""Degrees (18, 2) of each term in x and in y."""
TERMS = len(ORDERS)
U_BY_DEGREE_MM = {2: 1.0, 3: 0.7, 4: 0.4, 5: 0.2}
"""How far sheets of paper on a table stand up, in waves of each degree (common practice, no source)."""
U_TERMS_MM = np.array([U_BY_DEGREE_MM[int(n)] for n in ORDERS.sum(axis=1)])
SQUARE_TERMS = 3
WHOLE_HALF_MM = 40.0
"""Half the side of the larger square, which bends are told of."""
U_SQUARE_MM = 0.03
"""How far each term bends the paper of a square: cut paper lies on a table to a tenth of a millimetre (common practice,
no source)."""
BEYOND = 1.05
"""The paper ends at 1; further out it is taken to be level."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Bow:
    """Heights above the plane z = 0: coefficients (18,) mm of the terms, half the sides of the page (2,) mm."""

    coefficients: Floats
    half_mm: Floats

    def height_mm(self, xy_mm: Floats) -> Floats:
        """Height (n,) at places (n, 2) of the plane."""
        x, y = (_legendre(part)[0] for part in self._scaled(xy_mm).T)
        return np.asarray((x[:, ORDERS[:, 0]] * y[:, ORDERS[:, 1]]) @ self.coefficients)

    def terms_and_slope(self, xy_mm: Floats) -> tuple[Floats, Floats]:
        """The terms (n, 18) at places (n, 2), and the height's slope (n, 2) along x and y."""
        scaled = self._scaled(xy_mm)
        (x, dx), (y, dy) = (_legendre(part) for part in scaled.T)
        i, j = ORDERS.T
        slope = np.column_stack([(dx[:, i] * y[:, j]) @ self.coefficients, (x[:, i] * dy[:, j]) @ self.coefficients])
        return x[:, i] * y[:, j], np.where(np.abs(scaled) < BEYOND, slope / self.half_mm, 0.0)

    def moved(self, step: Floats) -> Bow:
        """The bow after a step in its coefficients."""
        return replace(self, coefficients=self.coefficients + step)

    def _scaled(self, xy_mm: Floats) -> Floats:
        return np.clip(xy_mm / self.half_mm, -BEYOND, BEYOND)


def flat(half_mm: Floats) -> Bow:
    """A level sheet."""
    return Bow(coefficients=np.zeros(TERMS), half_mm=np.asarray(half_mm, float))


def square_terms(mm: Floats, half_mm: Floats) -> Floats:
    """Heights (n, 3), mean 0, of a square's bends along x, across both and along y; places (n, 2), half sides (n,).

    Paper curves alike whatever is cut from it, so a square half as large bends by a quarter: a unit is 1 mm of a
    square of `WHOLE_HALF_MM`.
    """
    x, y = (mm / half_mm[:, None]).T
    terms = np.column_stack([(3 * x * x - 1) / 2, x * y, (3 * y * y - 1) / 2])
    return np.asarray(terms * ((half_mm / WHOLE_HALF_MM) ** 2)[:, None])


def _legendre(x: Floats) -> tuple[Floats, Floats]:
    """Legendre polynomials (n, 6) and their derivatives, by Bonnet's recursion."""
    p, d = np.ones((len(x), DEGREE + 1)), np.zeros((len(x), DEGREE + 1))
    p[:, 1], d[:, 1] = x, 1.0
    for k in range(1, DEGREE):
        p[:, k + 1] = ((2 * k + 1) * x * p[:, k] - k * p[:, k - 1]) / (k + 1)
        d[:, k + 1] = (2 * k + 1) * p[:, k] + d[:, k - 1]
    return p, d
