"""The sleeve list to begin with: every column explained, and invented entries that show how it is filled in."""

from __future__ import annotations

import csv
import io

from cardmeasure.sleeving.sleeve_list import COLUMNS

_HEAD = (
    "Sleeve list for cardmeasure. Lines that begin with # are passed over, as are empty ones.",
    "One line for each pack in each shop; columns may stand in any order, and those you do not need may be left out.",
    "Commas, semicolons or tabs between the cells; decimal points or commas. A comma within a cell needs quotes.",
    "All but maker, product and the size may be empty; what is not known widens the answer.",
    "",
)
_TAIL = ("", "The entries below are invented. Replace them.")
_ENTRIES = (
    {
        "maker": "Marrowby", "product": "Clear 63", "size_name": "standard", "width_mm": "63.5", "height_mm": "88",
        "quoted": "card", "film_um": "50", "material": "PP", "finish": "clear", "mark": "none", "packaging": "bag",
        "pack_count": "100", "price": "2.40", "currency": "EUR", "shop": "Corner Shop", "in_stock": "yes",
        "date": "2026-03-02",
    },
    {
        "maker": "Marrowby", "product": "Clear 63", "size_name": "standard", "width_mm": "63.5", "height_mm": "88",
        "quoted": "card", "film_um": "50", "material": "PP", "finish": "clear", "mark": "none", "packaging": "bag",
        "pack_count": "100", "price": "2.10", "currency": "EUR", "shop": "Second Shop", "in_stock": "4",
        "date": "2026-03-02", "notes": "the same sleeve in another shop",
    },
    {
        "maker": "Tillwick", "product": "Tight 65", "width_mm": "65", "height_mm": "90", "quoted": "inside",
        "tolerance_mm": "0.3", "opening": "short", "film_um": "60", "pack_count": "55", "price": "1.95",
        "currency": "EUR", "shop": "Second Shop", "at_home": "20", "trial": "went on tight", "trial_card": "63 x 88",
    },
    {"maker": "Ollerby", "product": "Unknown 66", "width_mm": "66", "height_mm": "92", "notes": "all else not known"},
)  # fmt: skip


def starter_list_text() -> str:
    """The list as CSV."""
    explained = [f"{c.name}: {c.meaning}{' (needed)' if c.is_needed else ''}" for c in COLUMNS]
    text = io.StringIO(newline="")
    for line in (*_HEAD, *explained, *_TAIL):
        text.write(f"# {line}".rstrip() + "\n")
    writer = csv.DictWriter(text, [column.name for column in COLUMNS], restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(_ENTRIES)
    return text.getvalue()
