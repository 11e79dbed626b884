"""What dims the table at the foot of a side: a shadow with a rim as soft as its lamp is wide, and the wall that hides
part of the room.

A floor before a long wall of height h loses (1 - x / sqrt(x^2 + h^2)) / 2 of the light of an even sky at distance x
(the configuration factor from an element to a perpendicular strip; Howell, "A Catalog of Radiation Heat Transfer
Configuration Factors"), and gets what light the wall itself sends. That is exp(-1.16 x / h) / 2 to 0.011; and of an
exponential the Gaussian blur has a closed form.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.numerics import normal_cdf_and_pdf

Floats = NDArray[np.floating[Any]]

UNKNOWN_SOFTNESS = 0.2
SOFTNESSES = (0.08, 0.15, 0.3)
"""Blur of a shadow's rim over its reach, before the photo has shown it, and what is tried then: bare bulbs to windows
and wide lamps."""
FALL = 1.16
"""How fast the light that a wall hides falls off from its foot, over the wall's height: fitted to the factor above."""
PAPER_REFLECTANCE = 0.85
"""Of white paper (common practice, no source): turns a wall's light into a share of what falls on the table."""
TALLEST_PX = 9.0
"""What a taller wall hides is missing farther out than profiles reach: it passes for how bright the table is."""
LEAST_HEIGHT_PX = 0.5
MOST = 60.0
"""Exponents stay finite in single precision far inside a face, where the blurred step is nought."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Shading:
    """Of n sides: softness (n,), blur of shadows' rims over their reach; height_px (n,) of the walls, 0 where they
    hide no room; white, the light of white paper."""

    softness: Floats
    height_px: Floats
    white: float = 1.0

    def rows(self, index: NDArray[np.intp]) -> Shading:
        """Those of some sides."""
        return replace(self, softness=self.softness[index], height_px=self.height_px[index])

    @property
    def fall(self) -> Floats:
        """Rate (n,) at which what a wall hides falls off, per px."""
        return np.asarray(FALL / np.maximum(self.height_px, LEAST_HEIGHT_PX))

    def room_hidden(self, wall: Floats, shade: Floats, width_px: Floats) -> tuple[Floats, Floats]:
        """Light that the table lacks where it is first seen, over its own, and what share of that at the foot this is;
        (n,) each.

        From levels (n, 3) of walls, light left in the shadow (n,), which is the room's, and the walls' widths in the
        picture (n,): half of the room is hidden at the foot, which the wall's own light makes up for in part.
        """
        shown = np.exp(self.fall * np.minimum(width_px, 0)) * (self.height_px > 0)
        return (shade - wall.mean(axis=1) * self.per_light) / 2 * shown, shown

    @property
    def per_light(self) -> float:
        """From a wall's light to a share of what falls on the table."""
        return PAPER_REFLECTANCE / self.white


def hiding_height_px(thickness_px: Floats) -> Floats:
    """Height (n,) of walls as far as the fall of what they hide shows, px."""
    return np.where(thickness_px < TALLEST_PX, thickness_px, 0.0)


def open_shading(n: int) -> Shading:
    """Of n sides whose walls hide no room."""
    return Shading(softness=np.full(n, UNKNOWN_SOFTNESS), height_px=np.zeros(n))


def fall_off(d: Floats, blur: Floats, fall: Floats) -> tuple[Floats, Floats, Floats]:
    """exp(-fall d) at d > 0, none at d < 0, blurred; and its derivatives after distance and blur (of one shape)."""
    c, g = normal_cdf_and_pdf(d / blur - fall * blur)
    e = np.exp(np.minimum(fall * (fall * blur**2 / 2 - d), MOST))
    value, g = e * c, e * g / blur
    slope = g - fall * value
    # the blur spreads it as heat does
    return value, slope, -blur * fall * slope - d / blur * g
