"""What a closer look at full resolution tells of rectangles that may be pieces, before any is believed.

The look itself is taken elsewhere, by what finds edges and corners; here is what it hands back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, kw_only=True, eq=False)
class Trials:
    """Rectangles (n, 4, 2) mm on the table, clockwise, moved to where their sides were found.

    found (n,): whether all four sides were. clarity, misfit, used (n, 4): of each side, as of measured edges.
    radii_mm, u_radii_mm (n, 4): of their corners; u is infinite where none was found. shadow_px (n, 4): the light that
    shadows at the sides' feet take away, as that of a black strip. unlike (n, 4): how much what lies close outside a
    side differs from what lies farther out, logarithm of light in the colour that shows it best.
    """

    corners_mm: Floats
    found: NDArray[np.bool_]
    clarity: Floats
    misfit: Floats
    used: Floats
    radii_mm: Floats
    u_radii_mm: Floats
    shadow_px: Floats
    unlike: Floats

    def rows(self, index: NDArray[np.intp] | NDArray[np.bool_]) -> Trials:
        """Those of some rectangles."""
        return Trials(
            corners_mm=self.corners_mm[index], found=self.found[index], clarity=self.clarity[index],
            misfit=self.misfit[index], used=self.used[index], radii_mm=self.radii_mm[index],
            u_radii_mm=self.u_radii_mm[index], shadow_px=self.shadow_px[index],
            unlike=self.unlike[index],
        )  # fmt: skip

    def __add__(self, other: Trials) -> Trials:
        """These, and then the others."""
        return Trials(**{
            field.name: np.concatenate([getattr(self, field.name), getattr(other, field.name)])
            for field in fields(Trials)
        })  # fmt: skip


Tried = Callable[[Floats], Trials]
"""Takes a closer look at rectangles (n, 4, 2) mm, clockwise."""
