"""Measure cards in millimetres from one phone photo, with an honest uncertainty.

The public names below are loaded when they are first used, so that `import cardmeasure` and `cardmeasure --help` cost
next to nothing::

    from pathlib import Path
    from cardmeasure import Settings, measure_photo

    shot = measure_photo(Path("table.jpg"), settings=Settings(thickness_mm=0.32))
    for card in shot.cards:
        print(card.number, card.width_mm, card.height_mm, card.u_width_mm, card.flags)
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cardmeasure.batch import FoundPhoto, find_photos, measure_found, profiles_beside
    from cardmeasure.batch.journal import Journal
    from cardmeasure.classes import SizeClass, read_classes, standard_classes
    from cardmeasure.decks import Deck, DeckSummary, read_decks, summarised
    from cardmeasure.errors import TROUBLES, CannotWriteError, CardmeasureError, ExitCode, PhotoTrouble, UsageError
    from cardmeasure.flags import FLAGS, Flag, Level
    from cardmeasure.lens.profile import LensProfile, read_lens_profiles
    from cardmeasure.pipeline import measure_photo
    from cardmeasure.reference.print_profile import PrintProfile, read_print_profile
    from cardmeasure.reports.reading_json import read_results
    from cardmeasure.results import (
        Card,
        Contribution,
        NearestClass,
        PhotoFacts,
        ReferenceFacts,
        ShotResult,
        SizeMatch,
        Trouble,
    )
    from cardmeasure.settings import Settings

__version__ = "0.4.0"

__all__ = [
    "FLAGS",
    "TROUBLES",
    "CannotWriteError",
    "Card",
    "CardmeasureError",
    "Contribution",
    "Deck",
    "DeckSummary",
    "ExitCode",
    "Flag",
    "FoundPhoto",
    "Journal",
    "LensProfile",
    "Level",
    "NearestClass",
    "PhotoFacts",
    "PhotoTrouble",
    "PrintProfile",
    "ReferenceFacts",
    "Settings",
    "ShotResult",
    "SizeClass",
    "SizeMatch",
    "Trouble",
    "UsageError",
    "__version__",
    "find_photos",
    "measure_found",
    "measure_photo",
    "profiles_beside",
    "read_classes",
    "read_decks",
    "read_lens_profiles",
    "read_print_profile",
    "read_results",
    "standard_classes",
    "summarised",
]

_NAMES_BY_MODULE = {
    "cardmeasure.batch": ("FoundPhoto", "find_photos", "measure_found", "profiles_beside"),
    "cardmeasure.classes": ("SizeClass", "read_classes", "standard_classes"),
    "cardmeasure.batch.journal": ("Journal",),
    "cardmeasure.decks": ("Deck", "DeckSummary", "read_decks", "summarised"),
    "cardmeasure.reports.reading_json": ("read_results",),
    "cardmeasure.errors": (
        "TROUBLES",
        "CannotWriteError",
        "CardmeasureError",
        "ExitCode",
        "PhotoTrouble",
        "UsageError",
    ),
    "cardmeasure.flags": ("FLAGS", "Flag", "Level"),
    "cardmeasure.lens.profile": ("LensProfile", "read_lens_profiles"),
    "cardmeasure.pipeline": ("measure_photo",),
    "cardmeasure.reference.print_profile": ("PrintProfile", "read_print_profile"),
    "cardmeasure.results": (
        "Card",
        "Contribution",
        "NearestClass",
        "PhotoFacts",
        "ReferenceFacts",
        "ShotResult",
        "SizeMatch",
        "Trouble",
    ),
    "cardmeasure.settings": ("Settings",),
}
_MODULE_OF = {name: module for module, names in _NAMES_BY_MODULE.items() for name in names}


def __getattr__(name: str) -> object:
    """Load a public name from the module that defines it."""
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(_MODULE_OF[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """The public names, loaded or not."""
    return sorted({*globals(), *__all__})
