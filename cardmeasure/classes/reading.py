"""Reading a file of nominal size classes (TOML), with one clear sentence for every mistake in it."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from reprlib import repr as shown

from cardmeasure.classes.size_class import Cut, SizeClass
from cardmeasure.errors import UsageError

MAX_FILE_BYTES = 1_000_000
SIDE_LIMITS_MM = (5.0, 1000.0)
U_CUT_LIMITS_MM = (0.01, 10.0)
DEFAULT_U_CUT_MM = 0.3
"""Of cut board; common practice, no source."""
DEFAULT_SOURCE = "the user's own"
_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_ID_LENGTH = 40
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
    document = _document(path)
    _refuse_unknown(document, known=_TOP_KEYS, where=str(path))
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


def _document(path: Path) -> dict[str, object]:
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{path}: the size classes cannot be read ({error.strerror or error}).") from error
    if len(content) > MAX_FILE_BYTES:
        raise UsageError(f"{path}: the file is too large for a table of size classes; name the right file.")
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: is not a text file; write the size classes as TOML in UTF-8.") from error
    except (ValueError, RecursionError) as error:  # TOMLDecodeError is a ValueError; so is a number of 5000 digits
        raise UsageError(f"{path}: is not valid TOML: {error}.") from error


def _size_class(table: Mapping[str, object], *, where: str) -> SizeClass:
    _refuse_unknown(table, known=_KEYS, where=where)
    id_ = _id(table, where=where)
    names = _texts(table.get("names", [id_]), key="names", where=where)
    if not names:
        raise UsageError(f"{where}: names is empty; write at least one name, or leave the key out.")
    source = table.get("source", DEFAULT_SOURCE)
    if not isinstance(source, str) or not _is_plain(source):
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
        sides = sorted(_number(side, key="cuts_mm", limits=SIDE_LIMITS_MM, where=where) for side in cut)
        checked.append((sides[0], sides[1]))
    if len(set(checked)) < len(checked):
        raise UsageError(f"{where}: cuts_mm holds the same cut twice; write each cut once.")
    return tuple(checked)


def _u_cut(table: Mapping[str, object], *, where: str) -> float:
    if "limits_mm" not in table:
        return _number(table.get("u_cut_mm", DEFAULT_U_CUT_MM), key="u_cut_mm", limits=U_CUT_LIMITS_MM, where=where)
    if "u_cut_mm" in table:
        raise UsageError(f"{where}: u_cut_mm and limits_mm say the same thing in two ways; keep one of them.")
    # limits without more are a rectangular distribution: JCGM 100, 4.3.7
    return _number(table["limits_mm"], key="limits_mm", limits=U_CUT_LIMITS_MM, where=where) / math.sqrt(3.0)


def _number(value: object, *, key: str, limits: tuple[float, float], where: str) -> float:
    low, high = limits
    # not a number is never within the limits
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise UsageError(f"{where}: {key} holds {shown(value)}; it must be a number from {low:g} to {high:g} mm.")
    return float(value)


def _texts(value: object, *, key: str, where: str) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(item, str) and _is_plain(item) for item in value):
        raise UsageError(f"{where}: {key} is {shown(value)}; it must be a list of texts, each in one line.")
    return tuple(value)


def _is_plain(text: str) -> bool:
    return bool(text.strip()) and text.isprintable()


def _refuse_unknown(table: Mapping[str, object], *, known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            raise UsageError(f"{where}: unknown key {shown(key)}; the keys are {', '.join(known)}.")
