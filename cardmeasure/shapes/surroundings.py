"""Whether the table lies outside the sides found, where the rough outline is larger: halos, soft shadows and flare make
it so, and a border whose printed frame was taken for the edge does.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.edges.beside import light_beside
from cardmeasure.outlines.pieces import Outline
from cardmeasure.photo import Photo
from cardmeasure.sizing import NARROWEST_BORDER_MM, is_on_a_line, outlines_excess_mm
from cardmeasure.solving import Solution

Floats = NDArray[np.floating[Any]]

SPOTS = np.linspace(-0.7, 0.7, 9)
"""Where along the sides light is read; the median counts."""
NEAR_MM, NEAR_PX, INSIDE_MM, BEYOND_MM = 0.5, 2.5, 1.0, 1.5
"""How far outside a side light is read at least, past its blur; how far inside; and how far outside the outline."""


def on_the_table(photo: Photo, outlines: Sequence[Outline], solution: Solution) -> frozenset[int]:
    """Which of the solved pieces whose outlines are larger than the sides found end there all the same, by index.

    Close outside each side there is the light of the table farther out, rather than that of the face.
    """
    asked = [k for k, one in enumerate(outlines) if solution.card_of[k] >= 0 and not one.flags]
    larger = zip(asked, outlines_excess_mm(outlines, asked, solution), strict=True)
    asked = [
        k
        for k, excess in larger
        if is_on_a_line(excess, outlines[k], solution.px_per_mm) and excess.max() < 2 * NARROWEST_BORDER_MM
    ]
    if not asked:
        return frozenset()
    state = solution.adjustment.state
    quads = state.quads[solution.card_of[asked]]
    near_mm = max(NEAR_MM, NEAR_PX / solution.px_per_mm)

    def seen(outward_mm: float) -> Floats:
        light = light_beside(photo, state.camera, quads, along=SPOTS, outward_mm=outward_mm)
        return np.asarray(np.sqrt(np.median(light, axis=1)))

    inside, near, far = (seen(mm) for mm in (-INSIDE_MM, near_mm, 2 * NARROWEST_BORDER_MM + BEYOND_MM))
    to_table, to_face = (np.linalg.norm(near - other, axis=1) for other in (far, inside))
    ends = (to_table < to_face).reshape(-1, qd.SIDES).all(axis=1)
    return frozenset(k for k, holds in zip(asked, ends.tolist(), strict=True) if holds)
