"""`cardmeasure print-scale`: what was read on the printed page in, the print profile out."""

from __future__ import annotations

import sys
from collections.abc import Callable
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from cardmeasure.cli.console import columns, say
from cardmeasure.errors import UsageError
from cardmeasure.text import printable, wrapped

if TYPE_CHECKING:
    from cardmeasure.reference.readings import Reading

T = TypeVar("T")


class Instrument(StrEnum):
    """What bars and diagonal are read with; fine lines are read with a calliper."""

    STEEL_RULE = "steel-rule"
    RULER = "ruler"


BARS = ("long_bar", "short_bar", "diagonal")
QUESTIONS = {
    "long_bar": "Long bar, down the page (250 mm in the design)",
    "short_bar": "Short bar, across the page (180 mm)",
    "diagonal": "Diagonal between the two crosses (250 mm)",
    "calliper_across": "Fine lines left and right of the 80 mm square (76 mm)",
    "calliper_down": "Fine lines above and below the 80 mm square (76 mm)",
}


def print_scale(
    out: Annotated[Path, typer.Argument(metavar="OUT.toml", help="The print profile to write.")] = Path("print.toml"),
    long_bar: Annotated[
        str | None, typer.Option("--long-bar", metavar="MM", help="Bar down the page, 250 mm in the design.")
    ] = None,
    short_bar: Annotated[
        str | None, typer.Option("--short-bar", metavar="MM", help="Bar across the page, 180 mm in the design.")
    ] = None,
    diagonal: Annotated[
        str | None, typer.Option("--diagonal", metavar="MM", help="Between the two crosses, 250 mm in the design.")
    ] = None,
    calliper_across: Annotated[
        str | None,
        typer.Option("--calliper-across", metavar="MM", help="Fine lines left and right of the 80 mm square, 76 mm."),
    ] = None,
    calliper_down: Annotated[
        str | None,
        typer.Option("--calliper-down", metavar="MM", help="Fine lines above and below the 80 mm square, 76 mm."),
    ] = None,
    read_with: Annotated[
        Instrument | None,
        typer.Option("--read-with", help="What bars and diagonal are read with (steel-rule).", show_default=False),
    ] = None,
    u_reading: Annotated[
        str | None,
        typer.Option(
            "--u-reading", metavar="MM", help="Your own standard uncertainty of each reading, for the instrument's."
        ),
    ] = None,
    insist: Annotated[
        bool, typer.Option("--insist", help="Take readings that are far off, as of a print fitted to its page.")
    ] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a print profile that is there.")] = False,
) -> None:
    """Write down what you read on the printed page, and what it makes of the print's scale.

    Without readings it asks for them, where it is run in a terminal, and again for those that are far off or contradict
    each other. Exit codes: 0 written, 2 wrong options or such readings, 5 the file cannot be written.
    """
    from cardmeasure.reference.print_profile import print_profile_toml, profile_from_readings
    from cardmeasure.reference.scale_words import scale_text
    from cardmeasure.reports.writing import check_file, write_beside

    if out.exists() and not replace:
        raise UsageError(f"{printable(str(out))} is there already; name another file, or write over it with --replace.")
    check_file(out)
    said = dict(zip(QUESTIONS, (long_bar, short_bar, diagonal, calliper_across, calliper_down), strict=True))
    given = {name: text for name, text in said.items() if text is not None}
    readings = _given_or_asked(given, read_with, u_reading=u_reading, insist=insist)
    profile = profile_from_readings(readings)
    write_beside(out, print_profile_toml(readings).encode())
    lines = [
        line
        for text in scale_text(profile, readings)
        for line in wrapped(text, first="  ", then="    ", width=columns())
    ]
    say("\n".join([f"{printable(str(out))}: written ({_count(len(readings))}).", *lines]) + "\n")


def _given_or_asked(
    given: dict[str, str], read_with: Instrument | None, *, u_reading: str | None, insist: bool
) -> tuple[Reading, ...]:
    """The readings that were given, or else asked for in a terminal. Raises UsageError for none, or unlikely ones."""
    if not given and not sys.stdin.isatty():
        raise UsageError("no reading was given; read one bar at least, and say --long-bar 249.6 or the like.")
    if not given:
        return _believed(read_with, u_reading=u_reading, insist=insist)
    readings = _readings(given, read_with or Instrument.STEEL_RULE, u_reading=u_reading)
    doubt = _doubt(readings)
    if doubt is not None and not insist:
        raise UsageError(f"{doubt} If it is so, as where the page was fitted to the paper, say --insist.")
    return readings


def _count(number: int) -> str:
    return "1 reading" if number == 1 else f"{number} readings"


def _readings(given: dict[str, str], instrument: Instrument, *, u_reading: str | None) -> tuple[Reading, ...]:
    """The readings; raises UsageError for one that is no length such a mark can have."""
    u_mm = None if u_reading is None else _u(u_reading)
    return tuple(_reading(name, text, instrument, u_mm=u_mm) for name, text in given.items())


def _reading(name: str, text: str, instrument: Instrument, *, u_mm: float | None) -> Reading:
    from cardmeasure.reference.print_profile import ABSURD
    from cardmeasure.reference.readings import MARKS, Reading

    length = MARKS[name].length_mm
    option = "--" + name.replace("_", "-")
    value = _number(text, what=option)
    if not abs(value / length - 1) <= ABSURD:  # nor a number that is none
        raise UsageError(
            f"{option} is {value:g} mm; it must be within 10 % of the {length:g} mm that it has in the design. Read it "
            "in millimetres, from end to end."
        )
    own = "calliper" if name not in BARS else instrument.value
    return Reading(name=name, reading_mm=value, instrument=own if u_mm is None else None, u_mm=u_mm)


def _u(text: str) -> float:
    from cardmeasure.reference.print_profile import U_MM_LIMITS

    value, (low, high) = _number(text, what="--u-reading"), U_MM_LIMITS
    if not low <= value <= high:
        raise UsageError(f"--u-reading is {value:g}; it must lie between {low:g} and {high:g} mm.")
    return value


def _number(text: str, *, what: str) -> float:
    """A length in millimetres; a comma does for the point."""
    try:
        return float(text.strip().removesuffix("mm").strip().replace(",", "."))
    except ValueError:
        raise UsageError(f"{what} is {text!r}; it must be a length in millimetres, such as 249.6.") from None


def _doubt(readings: tuple[Reading, ...]) -> str | None:
    """Why the readings are not to be taken as they are, if they are not; raises UsageError where they cannot be."""
    from cardmeasure.reference.contradictions import doubt_words
    from cardmeasure.reference.print_profile import profile_from_readings

    profile_from_readings(readings)
    return doubt_words(readings)


def _believed(read_with: Instrument | None, *, u_reading: str | None, insist: bool) -> tuple[Reading, ...]:
    """The readings, asked for until they can be believed; doubtful ones are taken when they are given a second time."""
    before: tuple[Reading, ...] = ()
    while True:
        readings = _asked(read_with, u_reading=u_reading)
        try:
            doubt = _doubt(readings)
        except UsageError as contradiction:
            say(f"{contradiction} Answer once more, or leave the doubtful one out.\n")
            if readings == before:
                raise
        else:
            if doubt is None or insist or readings == before:
                return readings
            say(f"{doubt} Answer once more; the same answers are taken then.\n")
        before = readings


def _asked(read_with: Instrument | None, *, u_reading: str | None) -> tuple[Reading, ...]:
    """The readings, by plain questions; an empty answer leaves one out."""
    say("Read the printed page, in millimetres. An empty answer leaves a reading out.\n")
    instrument = read_with or Instrument(
        _answer(
            "Bars and diagonal are read with: steel-rule or ruler [steel-rule]? ",
            lambda text: Instrument(text or Instrument.STEEL_RULE).value,
            wrong="Answer steel-rule or ruler.",
        )
    )
    u_mm = None if u_reading is None else _u(u_reading)
    readings: list[Reading] = []
    for name, question in QUESTIONS.items():
        readings += _answer(f"{question}: ", partial(_meant, name, instrument, u_mm))
    if not readings:
        raise UsageError("no reading was given; read one bar at least.")
    return tuple(readings)


def _meant(name: str, instrument: Instrument, u_mm: float | None, text: str) -> list[Reading]:
    """The reading of an answer; none of an empty one."""
    return [_reading(name, text, instrument, u_mm=u_mm)] if text else []


def _answer(question: str, meaning: Callable[[str], T], *, wrong: str | None = None) -> T:
    """What an answer means; asked again where it means nothing. The end of the input is an empty answer."""
    while True:
        say(question)
        line = sys.stdin.readline()
        try:
            return meaning(line.strip())
        except (UsageError, ValueError) as error:
            say(f"{wrong or error}\n")
            if not line:
                raise
