"""Where pictures go: names of their own, never over a photo; and how a picture is told from a photo."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import count
from pathlib import Path

MARK = b"drawn by cardmeasure"
"""Stands in the JPEG's comment, so that a picture is never taken for a photo or a photo for a picture."""

_HEAD_BYTES = 512
_MAX_LETTERS = 60
_UNSAFE = re.compile(r"[^\w.\- ]")


def picture_names(files: Sequence[str]) -> tuple[str, ...]:
    """A name for the picture of each photo, from the photo's name in the results; no two alike, not even in case."""
    taken: set[str] = set()
    names = []
    for file in files:
        name = next(name for name in _numbered(_stem(file)) if name.casefold() not in taken)
        taken.add(name.casefold())
        names.append(name)
    return tuple(names)


def picture_path(folder: Path, name: str) -> Path:
    """Where to write the picture `name`: over an older picture of ours, but never over any other file."""
    paths = (folder / numbered for numbered in _numbered(Path(name).stem))
    return next(path for path in paths if not path.exists() or is_own_picture(path))


def is_own_picture(path: Path) -> bool:
    """Whether the file is a picture that cardmeasure wrote."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError:
        return False
    return head.startswith(b"\xff\xd8") and MARK in head


def _stem(file: str) -> str:
    """The folders and the name without its suffix, joined; what some file system refuses is replaced."""
    parts = [part for part in file.split("/") if part not in ("", ".", "..")]
    stem = _UNSAFE.sub("_", "__".join(parts).rpartition(".")[0])
    return stem[-_MAX_LETTERS:].strip(". ") or "photo"


def _numbered(stem: str) -> Iterator[str]:
    """`stem.jpg`, `stem-2.jpg`, `stem-3.jpg` and so on."""
    yield f"{stem}.jpg"
    yield from (f"{stem}-{number}.jpg" for number in count(2))
