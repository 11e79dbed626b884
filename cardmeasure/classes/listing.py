"""The table of nominal size classes as plain text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from itertools import zip_longest

from cardmeasure.classes.size_class import COMMON_PRACTICE, Cut, SizeClass
from cardmeasure.text import display_width, printable

_HEADINGS = ("Class", "Names", "Cuts, mm", "u, mm", "Source", "")
_GAP = "  "
_SOURCE_COLUMNS = 13
_LEAST_WRAPPED = 12
"""Columns that names and cuts need at least to be readable side by side."""
_NO_BREAK = "\u00a0"


def classes_text(classes: Sequence[SizeClass], *, width: int, with_off: bool = False) -> str:
    """The classes that are on, in at most `width` columns where their ids allow it; all of them where `with_off`."""
    shown = [size_class for size_class in classes if size_class.is_on or with_off]
    rows = [_HEADINGS, *(_cells(size_class) for size_class in shown)]
    id_, names, cuts, u_cut, source, off = (max(display_width(row[i]) for row in rows) for i in range(len(_HEADINGS)))
    source = min(source, _SOURCE_COLUMNS)
    room = width - (id_ + u_cut + source + off) - len(_GAP) * (len(_HEADINGS) - 1)
    if room < 2 * _LEAST_WRAPPED:
        text = "".join(_stacked(row, width=width) for row in rows[1:])
    else:
        names = min(names, max(_LEAST_WRAPPED, room * 2 // 5))
        widths = (id_, names, min(cuts, room - names), u_cut, source, off)
        text = "".join(_beside(row, widths=widths) for row in rows)
    return f"{text}\n{_notes(shown, hidden=len(classes) - len(shown), width=width)}"


def _cells(size_class: SizeClass) -> tuple[str, ...]:
    return (
        size_class.id,
        ", ".join(printable(name) for name in size_class.names),
        ", ".join(_cut(cut) for cut in size_class.cuts_mm),
        f"{size_class.u_cut_mm:.2f}",
        "practice" if size_class.source == COMMON_PRACTICE else printable(size_class.source),
        "" if size_class.is_on else "off",
    )


def _cut(cut: Cut) -> str:
    width, height = (f"{side:.2f}".rstrip("0").rstrip(".") for side in cut)
    return f"{width}{_NO_BREAK}x{_NO_BREAK}{height}"


def _beside(row: tuple[str, ...], *, widths: tuple[int, ...]) -> str:
    """One class as lines of a table, names and cuts wrapped within their columns."""
    cells = [_wrapped(cell, width=width) for cell, width in zip(row, widths, strict=True)]
    lines = ""
    for parts in zip_longest(*cells, fillvalue=""):
        padded = (part + " " * (width - display_width(part)) for part, width in zip(parts, widths, strict=True))
        lines += _GAP.join(padded).rstrip() + "\n"
    return lines


def _stacked(row: tuple[str, ...], *, width: int) -> str:
    """One class as a few lines one below the other, where the table would be too wide."""
    id_, names, cuts, u_cut, source, off = row
    lines = [f"{id_} ({off})" if off else id_]
    for words in (names, f"{cuts} (u {u_cut} mm)", source):
        lines += [_GAP + line for line in _wrapped(words, width=width - len(_GAP))]
    return "\n".join(lines) + "\n"


def _wrapped(text: str, *, width: int) -> list[str]:
    lines = textwrap.wrap(text, max(width, 1), break_on_hyphens=False)
    return [line.replace(_NO_BREAK, " ") for line in lines] or [""]


def _notes(shown: Sequence[SizeClass], *, hidden: int, width: int) -> str:
    notes = ["u: standard deviation of a side about its cut."]
    if any(size_class.source == COMMON_PRACTICE for size_class in shown):
        notes.append(f"practice: {COMMON_PRACTICE}.")
    if hidden:
        notes.append(f"{hidden} more are off; --all shows them.")
    return "\n".join(line for note in notes for line in textwrap.wrap(note, width)) + "\n"
