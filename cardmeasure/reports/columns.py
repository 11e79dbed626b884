"""Plain tables for a terminal: columns as wide as their cells, one of them giving way where the lines get too long."""

from __future__ import annotations

from collections.abc import Sequence

from cardmeasure.text import display_width, printable, shorten_middle

GAP = "  "
_LEAST = 8


def aligned(
    heading: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    width: int,
    gives_way: int = 0,
    right: Sequence[int] = (),
    gap: str = GAP,
) -> list[str]:
    """Lines of a table, each indented by two and at most `width` columns where that can be.

    Parameters
    ----------
    gives_way : the column whose cells are shortened in their middle where the lines would be too long.
    right : columns whose cells are set to the right: numbers.
    gap : what stands between two columns.
    """
    cells = [[printable(cell) for cell in row] for row in (heading, *rows)]
    widths = [max(display_width(row[i]) for row in cells) for i in range(len(heading))]
    room = width - len(GAP) - len(gap) * (len(widths) - 1) - (sum(widths) - widths[gives_way])
    widths[gives_way] = min(widths[gives_way], max(room, _LEAST))
    return [_line(row, widths=widths, right=right, gap=gap) for row in cells]


def _line(row: Sequence[str], *, widths: Sequence[int], right: Sequence[int], gap: str) -> str:
    parts = []
    for i, (cell, width) in enumerate(zip(row, widths, strict=True)):
        shown = shorten_middle(cell, width)
        space = " " * (width - display_width(shown))
        parts.append(space + shown if i in right else shown + space)
    return (GAP + gap.join(parts)).rstrip()
