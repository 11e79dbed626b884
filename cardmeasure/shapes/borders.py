"""Outlines that missed a border as dark as the table: grown by as much as one direction of the piece shows.

Such an outline follows the picture's frame all round. If the sides along one direction were found outside it all the
same, and those along the other on the frame, the border is as wide there: from so far out the edges are the next ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from cardmeasure.outlines.growing import moved_out
from cardmeasure.outlines.pieces import Outline, clockwise
from cardmeasure.sizing import is_on_a_line, outlines_excess_mm
from cardmeasure.solving import Solution

LEAST_MM = 0.5
"""The outline itself is good to a few tenths of a millimetre."""


def with_borders(outlines: Sequence[Outline], solution: Solution) -> tuple[Outline, ...]:
    """The outlines; those of solved pieces grown of which a half shows that they missed a border. The same objects
    where nothing changes."""
    out = list(outlines)
    asked = [k for k, one in enumerate(outlines) if solution.card_of[k] >= 0 and not one.exact and not one.flags]
    for k, excess in zip(asked, outlines_excess_mm(outlines, asked, solution), strict=True):
        outline = outlines[k]
        missed_mm = -float(excess.min())
        if missed_mm > LEAST_MM and is_on_a_line(excess, outline, solution.px_per_mm):
            all_round = np.full((1, 4), missed_mm / 2)
            out[k] = replace(outline, corners_mm=moved_out(clockwise(outline.corners_mm)[None], all_round)[0])
    return tuple(out)
