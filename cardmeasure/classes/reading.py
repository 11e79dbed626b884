"""Reading a file of nominal size classes (TOML), with one clear sentence for every mistake in it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from reprlib import repr as shown

from cardmeasure.classes.size_class import Cut, SizeClass
from cardmeasure.errors import UsageError
from cardmeasure.toml_files import FileWords, is_plain, length_mm, read_toml, refuse_unknown

SIDE_LIMITS_MM = (5.0, 1000.0)
U_CUT_LIMITS_MM = (0.01, 10.0)
DEFAULT_U_CUT_MM = 0.3
"""Of cut board; common practice, no source."""
DEFAULT_SOURCE = "the user's own"
_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_ID_LENGTH = 40
_WORDS = FileWords(
    subject="the size classes", too_large="for a table of size classes",
    not_text="is not a text file; write the size classes as TOML in UTF-8.",
)  # fmt: skip
_RESERVED_IDS = frozenset({"odd"})
_KEYS = ("id", "names", "cuts_mm", "u_cut_mm", "limits_mm", "source", "on")
_TOP_KEYS = ("class", "enable", "disable")


@dataclass(frozen=True, kw_only=True)
class ClassFile:
    """What a file says: its classes, and the ids of standard classes that it switches on or off."""

    classes: tuple[SizeClass, ...]
    enable: tuple[str, ...]
    disable: tuple[str, ...]


def read_class_file(path: Path) -> ClassFile:
    """Read and check a file of classes.

    Raises
    ------
    UsageError
        Where the file cannot be read, is no TOML, or holds a wrong key or value; the message names file and key.
    """
    document = read_toml(path, _WORDS)
    refuse_unknown(document, known=_TOP_KEYS, where=str(path))
    tables = document.get("class", [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise UsageError(f"{path}: class must be written as [[class]] tables, one for each class.")
    classes: list[SizeClass] = []
    for number, table in enumerate(tables, start=1):
        size_class = _size_class(table, where=f"{path}: class {shown(table.get('id', number))}")
        if any(size_class.id == earlier.id for earlier in classes):
            raise UsageError(f"{path}: class {size_class.id!r}: id is used twice; give each class its own.")
        classes.append(size_class)
    enable, disable = (_texts(document.get(key, []), key=key, where=str(path)) for key in ("enable", "disable"))
    return ClassFile(classes=tuple(classes), enable=enable, disable=disable)


def _size_class(table: Mapping[str, object], *, where: str) -> SizeClass:
    refuse_unknown(table, known=_KEYS, where=where)
    id_ = _id(table, where=where)
    names = _texts(table.get("names", [id_]), key="names", where=where)
    if not names:
        raise UsageError(f"{where}: names is empty; write at least one name, or leave the key out.")
    source = table.get("source", DEFAULT_SOURCE)
    if not isinstance(source, str) or not is_plain(source):
        raise UsageError(f"{where}: source is {shown(source)}; it must be text in one line.")
    is_on = table.get("on", True)
    if not isinstance(is_on, bool):
        raise UsageError(f"{where}: on is {shown(is_on)}; it must be true or false.")
    return SizeClass(
        id=id_,
        names=names,
        cuts_mm=_cuts(table, where=where),
        u_cut_mm=_u_cut(table, where=where),
        source=source,
        is_on=is_on,
    )


def _id(table: Mapping[str, object], *, where: str) -> str:
    if "id" not in table:
        raise UsageError(f"{where}: id is missing; every class needs one.")
    id_ = table["id"]
    if not isinstance(id_, str) or not _ID.fullmatch(id_) or len(id_) > _ID_LENGTH:
        raise UsageError(
            f"{where}: id must be lower-case letters, digits and single hyphens, at most {_ID_LENGTH} characters."
        )
    if id_ in _RESERVED_IDS:
        raise UsageError(f"{where}: id {id_!r} has a meaning of its own in results; choose another.")
    return id_


def _cuts(table: Mapping[str, object], *, where: str) -> tuple[Cut, ...]:
    example = "for example cuts_mm = [[63.0, 88.0]]"
    if "cuts_mm" not in table:
        raise UsageError(f"{where}: cuts_mm is missing; write {example}.")
    cuts = table["cuts_mm"]
    if not isinstance(cuts, list) or not cuts or not all(isinstance(cut, list) and len(cut) == 2 for cut in cuts):
        raise UsageError(f"{where}: cuts_mm is {shown(cuts)}; it must be a list of pairs, {example}.")
    checked: list[Cut] = []
    for cut in cuts:
        sides = sorted(length_mm(side, limits=SIDE_LIMITS_MM, what=f"{where}: cuts_mm holds") for side in cut)
        checked.append((sides[0], sides[1]))
    if len(set(checked)) < len(checked):
        raise UsageError(f"{where}: cuts_mm holds the same cut twice; write each cut once.")
    return tuple(checked)


def _u_cut(table: Mapping[str, object], *, where: str) -> float:
    if "limits_mm" not in table:
        u_cut = table.get("u_cut_mm", DEFAULT_U_CUT_MM)
        return length_mm(u_cut, limits=U_CUT_LIMITS_MM, what=f"{where}: u_cut_mm holds")
    if "u_cut_mm" in table:
        raise UsageError(f"{where}: u_cut_mm and limits_mm say the same thing in two ways; keep one of them.")
    # limits without more are a rectangular distribution: JCGM 100, 4.3.7
    return length_mm(table["limits_mm"], limits=U_CUT_LIMITS_MM, what=f"{where}: limits_mm holds") / math.sqrt(3.0)


def _texts(value: object, *, key: str, where: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(item, str) and is_plain(item) for item in value):
        raise UsageError(f"{where}: {key} is {shown(value)}; it must be a list of texts, each in one line.")
    return tuple(value)
