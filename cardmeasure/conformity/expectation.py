"""What was ordered: nominal sizes with their tolerances, as written for `--expect`.

`63x88±0.5` has one tolerance for both sides, `63±0.3x88±0.5` one for each, `63+0.2-0.1x88±0.5` limits that differ;
`d40±0.2` is a round piece of that diameter, `af50±0.2` a regular polygon of that width across flats. `+-` and `+/-`
stand for ±.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from cardmeasure.errors import UsageError

HOW = "write 63x88±0.5 (or 63x88+-0.5), 63±0.3x88±0.5, d40±0.2 for a round piece, af50±0.2 across flats; all in mm"
MOST_MM = 1000.0
_NUMBER = r"\d+(?:[.,]\d+)?"
_SIDE = re.compile(
    rf"(?P<nominal>{_NUMBER})(?:(?:±|\+/-|\+-)(?P<both>{_NUMBER})|\+(?P<plus>{_NUMBER})-(?P<minus>{_NUMBER}))?"
)
_KINDS = (("af", "across flats"), ("d", "diameter"), ("ø", "diameter"), ("⌀", "diameter"))


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Nominal value and tolerance limits of one size, mm."""

    nominal_mm: float
    lower_mm: float
    upper_mm: float


@dataclass(frozen=True, kw_only=True)
class Expectation:
    """What was ordered: `kind` is `sides` (two limits, the shorter side first), `diameter` or `across flats` (one)."""

    text: str
    kind: str
    limits: tuple[Limits, ...]


def parse_expectation(text: str) -> Expectation:
    """What `--expect` says; raises UsageError where it cannot be read or has no tolerance."""
    plain = re.sub(r"\s|mm", "", text.lower()).replace("×", "x")
    for prefix, kind in _KINDS:
        if plain.startswith(prefix):
            return Expectation(text=text.strip(), kind=kind, limits=(_limits(plain.removeprefix(prefix), text),))
    parts = plain.split("x")
    if len(parts) != 2:
        raise UsageError(f"--expect is {text!r}; {HOW}.")
    if not re.search(r"[±+]", parts[0]):
        tolerance = _SIDE.fullmatch(parts[1])
        parts[0] += "" if tolerance is None else parts[1][tolerance.end("nominal") :]
    sides = sorted((_limits(part, text) for part in parts), key=lambda side: side.nominal_mm)
    return Expectation(text=text.strip(), kind="sides", limits=tuple(sides))


def _limits(part: str, text: str) -> Limits:
    found = _SIDE.fullmatch(part)
    if found is None:
        raise UsageError(f"--expect is {text!r}; {HOW}.")
    value = {
        name: None if number is None else float(number.replace(",", ".")) for name, number in found.groupdict().items()
    }
    nominal, both = value["nominal"], value["both"]
    plus, minus = (both, both) if both is not None else (value["plus"], value["minus"])
    if nominal is None or plus is None or minus is None:
        raise UsageError(f"--expect is {text!r} and names no tolerance; {HOW}.")
    if not 0.0 < nominal <= MOST_MM or minus >= nominal:
        raise UsageError(f"--expect is {text!r}; sizes lie between 0 and {MOST_MM:g} mm, tolerances below them.")
    return Limits(nominal_mm=nominal, lower_mm=nominal - minus, upper_mm=nominal + plus)
