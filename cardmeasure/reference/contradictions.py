"""Why readings of a print contradict each other: one was misread, or the print is sheared; said in words."""

from __future__ import annotations

from collections.abc import Sequence
from math import asin, degrees, hypot

from cardmeasure.reference.readings import FITTED, MARKS, Reading, ScaleFit, fit_scale

PLAUSIBLE_SHEAR_DEG = 0.5
"""A printer that draws its paper in askew shears by less: common practice, no source."""


def contradiction_words(readings: Sequence[Reading], fit: ScaleFit) -> str:
    """A sentence on what is wrong with readings that do not agree (at least two)."""
    odd = misread(readings)
    if odd is not None:
        rest = [reading for reading in readings if reading is not odd]
        off = odd.reading_mm - _fitted_mm(odd, fit_scale(rest))
        return f"{odd.name} is {abs(off):.2f} mm {_side(off)} than the others make it, and they agree: read it again."
    names = {reading.name for reading in readings}
    if "diagonal" in names and _bars_agree(readings):
        shear = shear_deg(readings)
        off = _diagonal_off_mm(readings)
        words = f"the diagonal is {abs(off):.2f} mm {_side(off)} than the bars make it: "
        if abs(shear) > PLAUSIBLE_SHEAR_DEG:
            return words + "one of them was misread, as no printer shears its paper so much; read them again."
        return words + (
            f"one of them was misread, or the print is sheared by {abs(shear):.1f} degrees; read them again, and if "
            "that stays, print anew."
        )
    worst = max(range(len(readings)), key=lambda i: abs(fit.misfit_mm[i]) / hypot(*readings[i].u_parts_mm))
    off = float(fit.misfit_mm[worst])
    return f"{readings[worst].name} is {abs(off):.2f} mm {_side(off)} than all of them together allow."


def doubt_words(readings: Sequence[Reading]) -> str | None:
    """Why readings that do not contradict each other are hard to believe, as a sentence; None where nothing is wrong.

    A print may be so: fitted to its page, or drawn in unevenly. A slip of the eye is more frequent.
    """
    off = {one: one.reading_mm / MARKS[one.name].length_mm - 1 for one in readings}
    farthest = max(readings, key=lambda one: abs(off[one]))
    if abs(off[farthest]) > FITTED:
        return (
            f"{farthest.name} is {100 * abs(off[farthest]):.1f} % {_side(off[farthest])} than the "
            f"{MARKS[farthest.name].length_mm:g} mm of the design: a print at actual size is within "
            f"{100 * FITTED:g} %, so read it again."
        )
    fit = fit_scale(readings)
    if not fit.axes_apart:
        return None
    across, down = (100 * float(scale) for scale in fit.scale)
    return (
        f"the print would be {across:.2f} % as large across the page and {down:.2f} % down it: printers differ by "
        "less, so read both again."
    )


def misread(readings: Sequence[Reading]) -> Reading | None:
    """The one reading without which the others agree and still check each other; None where that is none or several."""
    without = [[other for other in readings if other is not one] for one in readings]
    fits = [fit_scale(rest) if rest else None for rest in without]
    found = [one for one, fit in zip(readings, fits, strict=True) if fit and fit.freedom > 0 and fit.agrees]
    return found[0] if len(found) == 1 else None


def shear_deg(readings: Sequence[Reading]) -> float:
    """By how much the diagonal says the print is sheared, given the scales that all other readings make.

    With sides a and b and shear s, its square is a^2 + b^2 + 2 a b sin s.
    """
    diagonal = next(reading for reading in readings if reading.name == "diagonal")
    scale = fit_scale([reading for reading in readings if reading is not diagonal]).scale
    a, b = MARKS["diagonal"].across_mm * float(scale[0]), MARKS["diagonal"].down_mm * float(scale[1])
    sine = (diagonal.reading_mm**2 - a * a - b * b) / (2 * a * b)
    return degrees(asin(max(-1.0, min(1.0, sine))))


def _diagonal_off_mm(readings: Sequence[Reading]) -> float:
    diagonal = next(reading for reading in readings if reading.name == "diagonal")
    return diagonal.reading_mm - _fitted_mm(diagonal, fit_scale([one for one in readings if one is not diagonal]))


def _bars_agree(readings: Sequence[Reading]) -> bool:
    """Whether both axes were read, and all readings but the diagonal agree."""
    rest = [reading for reading in readings if reading.name != "diagonal"]
    along = {(MARKS[one.name].across_mm > 0, MARKS[one.name].down_mm > 0) for one in rest}
    return len(along) == 2 and fit_scale(rest).agrees


def _fitted_mm(reading: Reading, fit: ScaleFit) -> float:
    mark = MARKS[reading.name]
    return hypot(mark.across_mm * float(fit.scale[0]), mark.down_mm * float(fit.scale[1]))


def _side(off_mm: float) -> str:
    return "longer" if off_mm > 0 else "shorter"
