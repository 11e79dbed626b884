"""The record of real figures: rows of a CSV, and the section of the accuracy report that is made from them.

The section stands between two marks at the report's top; whoever writes the rest of the report keeps it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from calibration.study.report import table

BEGIN, END = "<!-- real photographs: begin -->", "<!-- real photographs: end -->"
COLUMNS = ("date", "version", "label", "set", "photos", "pieces", "sized", "listed", "unseen", "false",
           "wrongly_refused", "repeatability", "repeatability_with_plane", "deviation_rms_mm", "median_u_mm",
           "bent_edge_share", "silent_gross", "ratio_to_decode")  # fmt: skip
HEADS = ("date", "version", "state", "set", "photos", "pieces", "sized", "listed", "unseen", "false", "refused",
         "repeatability", "with plane", "deviation", "u", "bent", "silent", "time")  # fmt: skip
TABLES, HISTORY = "### By photograph", "### History"
Row = dict[str, str]


def row_of(figures: Mapping[str, Any], *, date: str, version: str, label: str, group: str) -> Row:
    """A row of the record."""
    row = {"date": date, "version": version, "label": label, "set": group}
    return row | {key: _text(figures[key]) for key in COLUMNS[4:]}


def _text(value: float | int | None) -> str:
    if value is None:
        return "–"
    return str(value) if isinstance(value, int) else f"{value:.3f}"


def rows_in(text: str) -> list[Row]:
    """The rows of a record's CSV."""
    return [dict(row) for row in csv.DictReader(io.StringIO(text))]


def csv_of(rows: Sequence[Row]) -> str:
    """The record's CSV."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def section_of(rows: Sequence[Row], *, words: str, now: str) -> str:
    """The section, marks included. words : what the columns mean. now : the tables of the last row."""
    history = table(HEADS, [[row[key] for key in COLUMNS] for row in rows])
    parts = ["## Real photographs", words.strip(), TABLES, now.strip(), HISTORY, history]
    return "\n\n".join([BEGIN, *parts, END])


def tables_in(section: str | None) -> str:
    """The tables of the last measured row, as a section holds them; empty where there is none."""
    if section is None:
        return ""
    return section.partition(TABLES)[2].partition(HISTORY)[0].strip()


def section_in(report: str) -> str | None:
    """The section of a report, marks included; None where it has none."""
    begin, end = report.find(BEGIN), report.find(END)
    return report[begin : end + len(END)] if 0 <= begin < end else None


def with_section(report: str, section: str | None) -> str:
    """The report with this section in place of its own, or below its title and the paragraph under that."""
    if section is None:
        return report
    own = section_in(report)
    if own is not None:
        return report.replace(own, section)
    head, _, rest = report.partition("\n\n")
    made, _, rest = rest.partition("\n\n")
    return "\n\n".join(part for part in (head, made, section, rest) if part).rstrip("\n") + "\n"


def kept_section(path: Path) -> str | None:
    """The section of a report that is there already; None where there is none."""
    return section_in(path.read_text(encoding="utf-8")) if path.is_file() else None
