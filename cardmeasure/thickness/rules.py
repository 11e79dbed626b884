"""Rules that say how thick some of the pieces are: as written on the command line or in a file, and what they mean.

A rule is for a nominal size class (`tarot`), a shape (`circle`, `polygon`, `rectangle`), a size in mm (`45x45`), or one
piece by its number in the results (`#3`). What names a piece more narrowly goes before: number, size, class, shape.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from cardmeasure.errors import UsageError

SHAPES = ("circle", "polygon", "rectangle")
NEAR_MM = 2.0
"""A piece is of the size that a rule names where both sides are within this."""
MOST_MM, MOST_U_MM = 20.0, 5.0
_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*[x×]\s*(\d+(?:\.\d+)?)", re.IGNORECASE)
_NUMBER = re.compile(r"#([1-9]\d{0,5})")
_VALUE = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*(?:(?:±|\+-|\+/-)\s*(\d+(?:[.,]\d+)?))?\s*(?:mm)?\s*")
_NAME = re.compile(r"[a-z0-9][a-z0-9-]*")


@dataclass(frozen=True, kw_only=True)
class ThicknessRule:
    """`what` (see above) is `thickness_mm` thick, with its standard uncertainty, None for the photo's."""

    what: str
    thickness_mm: float
    u_thickness_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class SeenPiece:
    """A piece as a rule sees it; `size_class`: the one matched, or the nearest where it was hardly to be measured."""

    number: int
    shape: str
    size_mm: tuple[float, float] | None
    size_class: str | None


def parse_rule(what: str, value: str, *, where: str) -> ThicknessRule:
    """A rule from its two parts; raises UsageError, which names `where` it was written."""
    thickness, u = parse_thickness(value, where=where)
    name = what.strip().lower().replace("×", "x")
    if not (_NUMBER.fullmatch(name) or _SIZE.fullmatch(name) or _NAME.fullmatch(name)):
        raise UsageError(
            f"{where}: {what!r} names no pieces; write a size class (tarot), a shape ({', '.join(SHAPES)}), "
            "a size (45x45), or the number of a piece (#3)."
        )
    return ThicknessRule(what=name, thickness_mm=thickness, u_thickness_mm=u)


def parse_thickness(value: str, *, where: str) -> tuple[float, float | None]:
    """Thickness and its u (after ±), mm; raises UsageError, which names `where` it was written."""
    found = _VALUE.fullmatch(value)
    if found is None:
        raise UsageError(f"{where}: {value!r} is no thickness; write millimetres, such as 2.2 or 2.2±0.1.")
    numbers = [None if text is None else float(text.replace(",", ".")) for text in found.groups()]
    thickness, u = numbers[0] or 0.0, numbers[1]
    if not 0.0 <= thickness <= MOST_MM or (u is not None and u > MOST_U_MM):
        raise UsageError(
            f"{where}: {value} mm; a thickness lies between 0 and {MOST_MM:g} mm, its u below {MOST_U_MM:g}."
        )
    return thickness, u


def check_classes(rules: Sequence[ThicknessRule], classes: Sequence[str]) -> None:
    """Raises UsageError where a rule names a size class that is not among those of the run."""
    for rule in rules:
        if _NAME.fullmatch(rule.what) and not _SIZE.fullmatch(rule.what) and rule.what not in (*SHAPES, *classes):
            raise UsageError(
                f"thickness: there is no size class {rule.what!r}; `cardmeasure classes` lists them. "
                f"Shapes are {', '.join(SHAPES)}."
            )


def rule_for(piece: SeenPiece, rules: Sequence[ThicknessRule]) -> ThicknessRule | None:
    """The rule that holds for a piece: the narrowest, of equal ones the last."""
    ranked = [(_rank(piece, rule), k) for k, rule in enumerate(rules)]
    best = max(ranked, default=(0, 0))
    return rules[best[1]] if best[0] > 0 else None


def _rank(piece: SeenPiece, rule: ThicknessRule) -> int:
    """How narrowly a rule names the piece, 0 where it is for others."""
    number, size = _NUMBER.fullmatch(rule.what), _SIZE.fullmatch(rule.what)
    if number is not None:
        return 4 if int(number[1]) == piece.number else 0
    if size is not None:
        asked = sorted(map(float, size.groups()))
        near = piece.size_mm is not None and all(
            abs(a - b) <= NEAR_MM for a, b in zip(asked, sorted(piece.size_mm), strict=True)
        )
        return 3 if near else 0
    if rule.what == piece.size_class:
        return 2
    return 1 if rule.what == piece.shape else 0
