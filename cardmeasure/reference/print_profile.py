"""What is known of a print's scale, and the TOML file in which a user notes what was read on the printed page.

A print profile, as filled in by hand (any of the readings will do; the names stand beside the marks on the page)::

    [long_bar]                  # bar down the page, 250 mm in the design
    reading_mm = 249.6
    instrument = "steel-rule"   # "steel-rule", "calliper" or "ruler" ...

    [short_bar]                 # bar across the page, 180 mm in the design
    reading_mm = 180.3
    u_mm = 0.1                  # ... or a standard uncertainty of your own

    [calliper_across]           # fine lines left and right of the 80 mm square, 76 mm apart in the design
    reading_mm = 76.12
    instrument = "calliper"

See `cardmeasure.reference.readings` for all marks, their axes and the instruments.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from reprlib import repr as shown
from typing import TypedDict

from cardmeasure.errors import UsageError
from cardmeasure.reference.contradictions import contradiction_words
from cardmeasure.reference.readings import INSTRUMENTS, MARKS, Reading, fit_scale
from cardmeasure.toml_files import FileWords, read_toml


class _Uncertainty(TypedDict):
    """The part of a `Reading` that says how uncertain it is."""

    instrument: str | None
    u_mm: float | None


_KEYS = ("reading_mm", "instrument", "u_mm")
_WORDS = FileWords(
    subject="the print profile", too_large="for a print profile",
    not_toml="the print profile is not valid TOML: {error}.",
    not_text="the print profile is not a text file; write it as TOML in UTF-8.",
)  # fmt: skip
ABSURD = 0.10
"""A reading further from its design length than this part of it is a slip, not a print."""
U_MM_LIMITS = (0.001, 5.0)
"""A standard uncertainty that a reading can have."""
LARGEST = 1e300
"""A whole number beyond this may be none that a float can hold."""


@dataclass(frozen=True, kw_only=True)
class PrintProfile:
    """Print scale: printed length over design length along the design's axes, x to the right, y down the upright page.

    `u_scale_x`, `u_scale_y` are relative standard uncertainties, `correlation` is that between the two scales;
    `source` is `assumed`, `entered` or `bank-card`.
    """

    scale_x: float
    scale_y: float
    u_scale_x: float
    u_scale_y: float
    correlation: float
    source: str


ASSUMED = PrintProfile(scale_x=1.0, scale_y=1.0, u_scale_x=0.003, u_scale_y=0.003, correlation=0.0, source="assumed")
"""Nothing is known of the print: 100 % within some tenths of a per cent (from memory)."""


def read_print_profile(path: Path) -> PrintProfile:
    """Print profile from a TOML file of readings.

    Raises
    ------
    UsageError : the file cannot be read, or a key or value in it is wrong, or the readings contradict each other; the
        message names file and key and says what is right.
    """
    return profile_from_readings(_readings(read_toml(path, _WORDS), path=path), where=str(path))


def profile_from_readings(readings: tuple[Reading, ...], *, where: str = "readings") -> PrintProfile:
    """Print profile that fits at least one reading; `where` names their source in messages.

    Raises UsageError where the readings contradict each other.
    """
    fit = fit_scale(readings)
    if not fit.agrees:
        raise UsageError(
            f"{where}: {_listing((r.name for r in readings), 'and')} contradict each other: "
            f"{contradiction_words(readings, fit)} Check, too, that each stands under its own name."
        )
    u_x, u_y = (sqrt(fit.covariance[i, i]) for i in (0, 1))
    return PrintProfile(
        scale_x=float(fit.scale[0]),
        scale_y=float(fit.scale[1]),
        u_scale_x=u_x,
        u_scale_y=u_y,
        correlation=float(fit.covariance[0, 1]) / (u_x * u_y),
        source="entered",
    )


def print_profile_toml(readings: tuple[Reading, ...]) -> str:
    """The text of a print profile file that holds these readings."""
    return "\n".join(_table(reading) for reading in readings)


def _table(reading: Reading) -> str:
    lines = [f"[{reading.name}]", f"reading_mm = {reading.reading_mm!r}"]
    if reading.instrument is not None:
        lines.append(f'instrument = "{reading.instrument}"')
    if reading.u_mm is not None:
        lines.append(f"u_mm = {reading.u_mm!r}")
    return "\n".join(lines) + "\n"


def _readings(tables: dict[str, object], *, path: Path) -> tuple[Reading, ...]:
    if not tables:
        raise UsageError(f"{path}: the print profile holds no reading; give at least one of {_listing(MARKS, 'or')}.")
    return tuple(_reading(name, table, path=path) for name, table in tables.items())


def _reading(name: str, table: object, *, path: Path) -> Reading:
    if name not in MARKS:
        raise UsageError(f"{path}: {name} is not a reading; the readings are {_listing(MARKS, 'and')}.")
    if not isinstance(table, dict):
        raise UsageError(f"{path}: {name} must be a table: write [{name}], and below it reading_mm = ...")
    for key in table:
        if key not in _KEYS:
            raise UsageError(f"{path}: {name}.{key} is not known; the keys are {_listing(_KEYS, 'and')}.")
    if "reading_mm" not in table:
        raise UsageError(f"{path}: {name}.reading_mm is missing; write the length that was read, in millimetres.")
    length = MARKS[name].length_mm
    return Reading(
        name=name,
        reading_mm=_number(
            table["reading_mm"],
            limits=(length * (1 - ABSURD), length * (1 + ABSURD)),
            what=f"{path}: {name}.reading_mm",
            why=f" mm, within 10 % of the {length:g} mm it has at 100 %",
        ),
        **_uncertainty(table, what=f"{path}: {name}", length_mm=length),
    )


def _uncertainty(table: dict[str, object], *, what: str, length_mm: float) -> _Uncertainty:
    """What a reading's table says of its uncertainty: an instrument that reaches so far, or a u, or both."""
    name, u_mm = table.get("instrument"), table.get("u_mm")
    if name is None and u_mm is None:
        raise UsageError(
            f"{what} has no uncertainty; add instrument = {_INSTRUMENT_NAMES}, or u_mm = the standard uncertainty in "
            "millimetres."
        )
    if name is not None and (not isinstance(name, str) or name not in INSTRUMENTS):
        raise UsageError(f"{what}.instrument is {name!r}; it must be {_INSTRUMENT_NAMES}.")
    if name is not None and u_mm is None and length_mm > INSTRUMENTS[name].reach_mm:
        raise UsageError(
            f"{what}.instrument is {name!r}, whose limits hold up to {INSTRUMENTS[name].reach_mm:g} mm only; add "
            "u_mm = the standard uncertainty in millimetres, or use another instrument."
        )
    u = None if u_mm is None else _number(u_mm, limits=U_MM_LIMITS, what=f"{what}.u_mm", why=" mm")
    return _Uncertainty(instrument=name, u_mm=u)


def _number(value: object, *, limits: tuple[float, float], what: str, why: str) -> float:
    """The value as a number within limits; raises UsageError otherwise (not a number is never within them)."""
    low, high = limits
    right = f"it must be a number from {low:g} to {high:g}{why}."
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(f"{what} is {value!r}; {right}")
    if not low <= value <= high:
        said = f"{value:g}" if abs(value) < LARGEST else shown(value)
        raise UsageError(f"{what} is {said}; {right}")
    return float(value)


def _listing(names: Iterable[str], word: str) -> str:
    """The names as a phrase: `a, b and c`."""
    *first, last = names
    return f"{', '.join(first)} {word} {last}" if first else last


_INSTRUMENT_NAMES = _listing((f'"{name}"' for name in INSTRUMENTS), "or")
