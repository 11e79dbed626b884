"""What the user of each group knows of the print: its exact scale, readings on the page, or nothing."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from calibration.rig.phone_scenes import run_of
from cardmeasure.errors import UsageError
from cardmeasure.reference.print_profile import ASSUMED, PrintProfile, profile_from_readings
from cardmeasure.reference.readings import INSTRUMENTS, MARKS, Reading

U_EXACT = 1e-4
"""Relative u that is stated with the exact scale."""
UNKNOWN = ("print-assumed", "misprint", "run-assumed")
"""Groups of which nothing tells the print's scale."""
NOTHING_READ = (*UNKNOWN, "scale-card")
"""Groups whose users have read nothing on the page; in `scale-card` a bank card tells the scale."""
HABITS = (
    ("steel-rule", 0.1, ("long_bar", "short_bar")),
    ("steel-rule", 0.1, ("long_bar", "short_bar", "diagonal")),
    ("calliper", 0.02, ("calliper_across", "calliper_down")),
    ("steel-rule", 0.1, ("long_bar",)),
)
"""How pages are read: with what, to what part of a millimetre, and which marks."""


def profile_of(group: str, *, scale_x: float, scale_y: float, seed: int) -> PrintProfile:
    """The print profile that the user of a shot would have, given the print's true scales."""
    if group in NOTHING_READ:
        return ASSUMED
    if group == "print-entered":
        return _entered(scale_x, scale_y, rng=np.random.default_rng([seed, 76]))
    if group == "run-entered":  # read once for all shots
        return _entered(scale_x, scale_y, rng=np.random.default_rng([run_of(seed)[0], 77]))
    return PrintProfile(
        scale_x=scale_x, scale_y=scale_y, u_scale_x=U_EXACT, u_scale_y=U_EXACT, correlation=0.0, source="entered"
    )


def profile_of_truth(group: str, truth: dict[str, Any], *, seed: int) -> PrintProfile:
    """The same from the truth that stands beside a shot."""
    reference = truth["reference"]
    return profile_of(group, scale_x=reference["scale_x"], scale_y=reference["scale_y"], seed=seed)


def readings_of(scale_x: float, scale_y: float, *, rng: np.random.Generator) -> tuple[Reading, ...]:
    """What is read on a page printed at these scales: the instrument's own error is one, each end has one of its own.

    Errors are drawn from the same limits that `cardmeasure` states for the instruments, all uniform.
    """
    name, step, marks = HABITS[int(rng.integers(len(HABITS)))]
    instrument = INSTRUMENTS[name]
    own = float(rng.uniform(-1, 1)) * instrument.limit_mm
    readings = []
    for mark in marks:
        true = math.hypot(MARKS[mark].across_mm * scale_x, MARKS[mark].down_mm * scale_y)
        ends = float(rng.uniform(-1, 1, 2).sum()) * instrument.placing_mm
        reading = round(round((true + own + ends) / step) * step, 2)
        readings.append(Reading(name=mark, reading_mm=reading, instrument=name))
    return tuple(readings)


def _entered(scale_x: float, scale_y: float, *, rng: np.random.Generator) -> PrintProfile:
    for _ in range(20):
        try:
            return profile_from_readings(readings_of(scale_x, scale_y, rng=rng))
        except UsageError:  # they contradict each other, so the user reads them again
            continue
    raise RuntimeError("readings drawn from the instruments' own limits contradict each other again and again")
