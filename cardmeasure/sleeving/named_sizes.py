"""What the name of a size on a pack tells: which cards the sleeve is sold for."""

from __future__ import annotations

from functools import lru_cache

from cardmeasure.classes.size_class import Cut
from cardmeasure.classes.table import standard_classes


@lru_cache(maxsize=1024)
def named_cuts(size_name: str | None) -> tuple[Cut, ...]:
    """The cuts of the nominal size class of that name or id, in any case; none where no class is called so."""
    name = _plain(size_name or "")
    for size_class in standard_classes():
        if name in {_plain(size_class.id), *(_plain(each) for each in size_class.names)}:
            return size_class.cuts_mm
    return ()


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("-", " ").split())
