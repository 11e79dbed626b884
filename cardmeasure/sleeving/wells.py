"""The wells of a box: a small list of what holds the decks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cardmeasure.errors import UsageError
from cardmeasure.sleeving.cells import number, text
from cardmeasure.sleeving.csv_table import Column, read_table

_LENGTH = number(5.0, 2000.0, unit="mm")

COLUMNS: tuple[Column, ...] = (
    Column(name="well", read=text, is_needed=True, meaning="what you call it"),
    Column(name="width_mm", read=_LENGTH, is_needed=True, meaning="one side of its floor"),
    Column(name="length_mm", read=_LENGTH, is_needed=True, meaning="the other side of its floor"),
    Column(name="depth_mm", read=_LENGTH, is_needed=True, meaning="from its floor to its rim"),
    Column(
        name="to_lid_mm",
        read=_LENGTH,
        meaning="from its floor to where the closed lid, or what lies on top, begins; empty: the depth",
    ),
    Column(name="decks", read=text, meaning="the decks in it, with ; between them; empty: any"),
    Column(name="notes", read=text, meaning="anything else"),
)


@dataclass(frozen=True, kw_only=True)
class Well:
    """A well: floor, depth, room up to the lid (mm), and the names of the decks that share it (none: any deck)."""

    name: str
    width_mm: float
    length_mm: float
    depth_mm: float
    to_lid_mm: float
    decks: tuple[str, ...] = ()


def read_wells(path: Path) -> tuple[Well, ...]:
    """The wells of a list; raises UsageError for the first mistake, with line and column."""
    wells: dict[str, Well] = {}
    for row in read_table(path, COLUMNS, what="list of wells"):
        values: Mapping[str, Any] = row.values
        if values["well"] in wells:
            raise UsageError(f"{row.where} (well): {values['well']!r} stands there twice; give each well its own name.")
        names = (name.strip() for name in values.get("decks", "").split(";"))
        wells[values["well"]] = Well(
            name=values["well"],
            width_mm=values["width_mm"],
            length_mm=values["length_mm"],
            depth_mm=values["depth_mm"],
            to_lid_mm=values.get("to_lid_mm", values["depth_mm"]),
            decks=tuple(name for name in names if name),
        )
    return tuple(wells.values())
