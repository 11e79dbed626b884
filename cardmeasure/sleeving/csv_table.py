"""Reading a list that a person keeps in a spreadsheet (CSV), with the line and the column of every mistake.

What spreadsheets write is taken as it comes: a byte order mark, semicolons or tabs in the place of commas, decimal
commas, quotes, any order of columns. Empty lines and lines that begin with # are passed over.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from cardmeasure.errors import UsageError
from cardmeasure.sleeving.cells import CellError, CellReader, shown
from cardmeasure.small_files import content_of
from cardmeasure.text import printable

MAX_FILE_BYTES = 5_000_000
MAX_ROWS = 20_000
DELIMITERS = (",", ";", "\t")
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column: its name in the heading, how its cells are read, whether it must be there, what it means."""

    name: str
    read: CellReader
    meaning: str
    is_needed: bool = False


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line of the list: where it begins, and the values of the cells that are not empty, by column."""

    line: int
    values: Mapping[str, object]
    where: str


def read_table(path: Path, columns: Sequence[Column], *, what: str) -> tuple[Row, ...]:
    """All rows of a list; at least one.

    Parameters
    ----------
    path : the file.
    columns : the columns it may have; those that are needed must be there and filled in.
    what : what the list is, for messages: "sleeve list".

    Raises
    ------
    UsageError
        For the first mistake found: one sentence with the file, the line and the column.
    """
    name = printable(str(path))
    text = _text(path, name=name, what=what)
    lines = _lines(text, name=name)
    heading_line, heading = next(lines, (0, []))
    if not heading:
        raise UsageError(f"{name}: the {what} is empty; write a heading and one line for each entry.")
    named = _named(heading, columns, where=f"{name}: line {heading_line}", what=what)
    rows = []
    for line, cells in lines:
        rows.append(_row(cells, named, line=line, name=name))
        if len(rows) > MAX_ROWS:
            raise UsageError(f"{name}: line {line}: the {what} has more than {MAX_ROWS} entries; shorten it.")
    if not rows:
        raise UsageError(f"{name}: the {what} has a heading but no entry; write one line for each below it.")
    return tuple(rows)


def _text(path: Path, *, name: str, what: str) -> str:
    megabytes = MAX_FILE_BYTES // 1_000_000
    content = content_of(
        path, most_bytes=MAX_FILE_BYTES, subject=f"{name}: the {what}",
        too_large=f"{name}: the file is larger than {megabytes} MB, too large for a {what}; name the right file.",
    )  # fmt: skip
    if content.startswith(_UTF16_MARKS):
        raise UsageError(f"{name}: line 1, column 1: the file is UTF-16; save it as CSV in UTF-8.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line, column = _place(content, error.start)
        raise UsageError(
            f"{name}: line {line}, column {column}: this is no UTF-8 text; save the {what} as CSV in UTF-8."
        ) from error
    if "\0" in text:
        line, column = _place(content, content.index(b"\0"))
        raise UsageError(
            f"{name}: line {line}, column {column}: this is no text file; save the {what} as CSV in UTF-8."
        )
    return text


def _place(content: bytes, offset: int) -> tuple[int, int]:
    """Line and column of a byte, both counted from 1."""
    before = content[:offset]
    return before.count(b"\n") + 1, offset - (before.rfind(b"\n") + 1) + 1


def _lines(text: str, *, name: str) -> Iterator[tuple[int, list[str]]]:
    """The lines that say something, split into cells, each with its number; the heading comes first."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    line = 1
    try:
        for cells in reader:
            cells = [cell.strip() for cell in cells]
            if any(cells) and not cells[0].startswith("#"):
                yield line, cells
            line = reader.line_num + 1
    except csv.Error as error:
        raise UsageError(
            f"{name}: line {line}: the quotes or cells cannot be told apart ({error}); correct the line."
        ) from error


def _delimiter(text: str) -> str:
    """What parts the cells: of comma, semicolon and tab the one that is most frequent in the heading."""
    heading = next((line for line in text.splitlines() if line.strip(' ",;\t') and line.lstrip(' "')[:1] != "#"), "")
    return max(DELIMITERS, key=heading.count)


def _named(heading: Sequence[str], columns: Sequence[Column], *, where: str, what: str) -> list[Column | None]:
    """The column of each cell of the heading; None for a column without a name."""
    known = {column.name: column for column in columns}
    named: list[Column | None] = []
    for number, cell in enumerate(heading, start=1):
        name = cell.lower()
        if name and name not in known:
            near = get_close_matches(name, known, n=1)
            hint = f"did you mean {near[0]}?" if near else f"the columns are {', '.join(known)}."
            raise UsageError(f"{where}, column {number}: {shown(cell)} is no column of a {what}; {hint}")
        if name and known[name] in named:
            raise UsageError(f"{where}, column {number}: {name} stands there twice; keep one of them.")
        named.append(known[name] if name else None)
    for column in columns:
        if column.is_needed and column not in named:
            raise UsageError(f"{where}: the column {column.name} is missing; add it to the heading and fill it in.")
    return named


def _row(cells: Sequence[str], named: Sequence[Column | None], *, line: int, name: str) -> Row:
    where = f"{name}: line {line}"
    if any(cells[len(named) :]):
        raise UsageError(
            f"{where}, column {len(named) + 1}: the line has {len(cells)} cells and the heading {len(named)}; is a "
            "comma within a cell? Put the cell in quotes, or use a decimal point."
        )
    values: dict[str, object] = {}
    for number, (column, cell) in enumerate(zip(named, cells, strict=False), start=1):
        place = f"{where}, column {number}"
        if column is None:
            if cell:
                raise UsageError(f"{place}: {shown(cell)} stands below no heading; name the column.")
        elif cell:
            try:
                values[column.name] = column.read(cell)
            except CellError as error:
                raise UsageError(f"{place} ({column.name}): {_sentence(error)}") from None
    for number, column in enumerate(named, start=1):
        if column is not None and column.is_needed and column.name not in values:
            raise UsageError(f"{where}, column {number} ({column.name}): the cell is empty; it must be filled in.")
    return Row(line=line, values=values, where=where)


def _sentence(error: CellError) -> str:
    text = printable(str(error))
    return text if text.endswith((".", "?")) else f"{text}."
