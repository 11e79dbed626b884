"""Thickness as the user gives it: `--thickness` once or several times, or `thickness.toml` beside the photos.

The file holds for all photos of the folder it lies in, so each deck in a folder of its own can have its own::

    thickness_mm = 0.31       # of all pieces but those below
    u_thickness_mm = 0.03

    [pieces]                  # size classes, shapes, sizes, single pieces
    tarot = 0.34
    circle = 2.2
    "45x45" = "2.5±0.1"
    "table.jpg#3" = 2.0
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from cardmeasure.errors import UsageError
from cardmeasure.settings import Settings
from cardmeasure.thickness.rules import MOST_MM, MOST_U_MM, ThicknessRule, check_classes, parse_rule, parse_thickness
from cardmeasure.toml_files import FileWords, read_toml, refuse_unknown

THICKNESS_FILE = "thickness.toml"
_KEYS = ("thickness_mm", "u_thickness_mm", "pieces")
_WORDS = FileWords(subject="the thickness", too_large="for thicknesses", not_toml="is not valid TOML ({error}).")


@dataclass(frozen=True, kw_only=True)
class Thickness:
    """What is known of thickness: of all pieces (None: nothing), and of some."""

    thickness_mm: float | None = None
    u_thickness_mm: float | None = None
    rules: tuple[ThicknessRule, ...] = ()


def thickness_of_options(values: Sequence[str]) -> Thickness:
    """What `--thickness` says, given so many times: a plain value is for all pieces, NAME=VALUE for some.

    Raises UsageError for a value that is no thickness, and where two plain ones are given.
    """
    found = Thickness()
    for value in values:
        what, equals, amount = value.rpartition("=")
        if equals:
            rule = parse_rule(what, amount, where="--thickness")
            found = replace(found, rules=(*found.rules, rule))
            continue
        if found.thickness_mm is not None:
            raise UsageError(
                f"--thickness is given twice for all pieces ({found.thickness_mm:g} and {value}); "
                "write NAME=MM for those that differ."
            )
        thickness, u = parse_thickness(value, where="--thickness")
        found = replace(found, thickness_mm=thickness, u_thickness_mm=u)
    return found


def with_thickness(settings: Settings, thickness: Thickness) -> Settings:
    """The settings with what is known; raises UsageError where a rule names an unknown size class."""
    check_classes(thickness.rules, [size.id for size in settings.classes])
    if thickness.thickness_mm is not None:
        settings = replace(settings, thickness_mm=thickness.thickness_mm)
    if thickness.u_thickness_mm is not None:
        settings = replace(settings, u_thickness_mm=thickness.u_thickness_mm)
    return replace(settings, thickness_rules=thickness.rules) if thickness.rules else settings


def with_thickness_beside(settings: Settings, photo: Path) -> Settings:
    """The settings with what a `thickness.toml` beside the photo says, where they allow that and there is one."""
    path = photo.parent / THICKNESS_FILE
    if not settings.uses_thickness_beside or not path.is_file():
        return settings
    return with_thickness(settings, read_thickness(path, photo=photo.name))


def read_thickness(path: Path, *, photo: str | None = None) -> Thickness:
    """A thickness file; of rules for single pieces (`FILE#3`) those of one photo.

    Raises UsageError where the file cannot be read or holds what is no thickness; the message names file and key.
    """
    document = read_toml(path, _WORDS)
    refuse_unknown(document, known=_KEYS, where=str(path))
    pieces = document.get("pieces", {})
    if not isinstance(pieces, dict):
        raise UsageError(f"{path}: pieces must be a table: a line [pieces], and below it NAME = MM.")
    rules = [_rule(path, str(what), value, photo=photo) for what, value in pieces.items()]
    return Thickness(
        thickness_mm=_number(path, document, "thickness_mm", most=MOST_MM),
        u_thickness_mm=_number(path, document, "u_thickness_mm", most=MOST_U_MM),
        rules=tuple(rule for rule in rules if rule is not None),
    )


def _rule(path: Path, what: str, value: object, *, photo: str | None) -> ThicknessRule | None:
    file, hash_sign, number = what.rpartition("#")
    if hash_sign and file:
        if file != photo:
            return None
        what = f"#{number}"
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise UsageError(f'{path}: {what} must be a thickness in mm, such as 2.2 or "2.2±0.1".')
    return parse_rule(what, str(value), where=str(path))


def _number(path: Path, document: dict[str, object], key: str, *, most: float) -> float | None:
    value = document.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value <= most:
        raise UsageError(f"{path}: {key} must be a number of millimetres between 0 and {most:g}.")
    return float(value)
