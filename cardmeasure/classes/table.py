"""The table of nominal size classes: the standard one, and the user's own file put to it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from cardmeasure.classes.reading import ClassFile, read_class_file
from cardmeasure.classes.size_class import Cut, SizeClass
from cardmeasure.errors import UsageError

SAME_CUT_MM = 0.1
"""Cuts nearer than this in both sides, in two classes that are on, would split every answer between the two."""
_STANDARD_FILE = Path(__file__).with_name("sizes.toml")


@lru_cache(maxsize=1)
def standard_classes() -> tuple[SizeClass, ...]:
    """The classes that come with cardmeasure, those that are off by default included (`is_on` tells)."""
    return read_class_file(_STANDARD_FILE).classes


def read_classes(path: Path) -> tuple[SizeClass, ...]:
    """The standard classes together with those of the user's own file: the whole table, ready for matching.

    The file is TOML: any number of `[[class]]` tables with `id`, `cuts_mm` and, where wanted, `names`, `u_cut_mm` or
    `limits_mm`, `source`, `on`; before them `enable` and `disable`, lists of ids of standard classes to switch on or
    off. A cut given as height x width is turned.

    Raises
    ------
    UsageError
        Where the file cannot be read or a value is wrong; the message names file and key.
    """
    own = read_class_file(path)
    table = _switched(standard_classes(), own=own, where=str(path))
    for mine in own.classes:
        _refuse_clash(mine, table=table, where=str(path))
        table = (*table, mine)
    if not enabled(table):
        raise UsageError(f"{path}: disable leaves no class on; keep at least one.")
    return table


def enabled(classes: Iterable[SizeClass]) -> tuple[SizeClass, ...]:
    """The classes that sizes are matched to."""
    return tuple(size_class for size_class in classes if size_class.is_on)


def _switched(classes: tuple[SizeClass, ...], *, own: ClassFile, where: str) -> tuple[SizeClass, ...]:
    known = {size_class.id for size_class in classes}
    for key, ids in (("enable", own.enable), ("disable", own.disable)):
        for id_ in ids:
            if id_ not in known:
                raise UsageError(
                    f"{where}: {key} names {id_!r}, which is no standard class; "
                    "`cardmeasure classes --all` lists their ids."
                )
    for id_ in own.enable:
        if id_ in own.disable:
            raise UsageError(f"{where}: {id_!r} stands in both enable and disable; take it out of one.")
    return tuple(
        replace(
            size_class, is_on=(size_class.is_on or size_class.id in own.enable) and size_class.id not in own.disable
        )
        for size_class in classes
    )


def _refuse_clash(mine: SizeClass, *, table: tuple[SizeClass, ...], where: str) -> None:
    for other in table:
        if other.id == mine.id:
            raise UsageError(f"{where}: class {mine.id!r}: id is that of a standard class; choose another id.")
        shared = [cut for cut in mine.cuts_mm if any(_are_same(cut, theirs) for theirs in other.cuts_mm)]
        if shared and mine.is_on and other.is_on:
            raise UsageError(
                f"{where}: class {mine.id!r}: cuts_mm holds {shared[0][0]:g} x {shared[0][1]:g}, which no measurement "
                f"can tell from class {other.id!r}; make them one class, or disable one of them."
            )


def _are_same(a: Cut, b: Cut) -> bool:
    return abs(a[0] - b[0]) < SAME_CUT_MM and abs(a[1] - b[1]) < SAME_CUT_MM
