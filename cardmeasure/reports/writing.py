"""Files are written beside their place and renamed into it, so that nobody ever sees half of one."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from uuid import uuid4

from cardmeasure.errors import CannotWriteError
from cardmeasure.text import printable


def write_beside(path: Path, data: bytes | Iterable[bytes]) -> None:
    """Write `data`, whole or part by part, beside `path`, then rename it to `path`; a link is followed.

    Raises CannotWriteError, and leaves what was there before, if any of it fails.
    """
    with _reporting(path):
        target = path.resolve()
        part = _part_in(target.parent)
        try:
            with part.open("xb") as file:
                for chunk in (data,) if isinstance(data, bytes) else data:
                    file.write(chunk)
                file.flush()
                os.fsync(file.fileno())
            part.replace(target)
        finally:
            with suppress(OSError):
                part.unlink(missing_ok=True)


def check_file(path: Path) -> None:
    """Raises CannotWriteError unless a file can be written at `path`; leaves no trace."""
    with _reporting(path):
        target = path.resolve()
        if target.is_dir():
            raise _cannot_write(path, "it is a folder; name a file")
        if target.exists() and not target.is_file():
            raise _cannot_write(path, "it is not a regular file")
        if target.exists() and not os.access(target, os.W_OK):
            raise _cannot_write(path, "the file is write-protected")
        if not target.parent.is_dir():
            raise _cannot_write(path, "its folder does not exist; make the folder first")
        _try_writing(target.parent)


def make_folder(path: Path) -> None:
    """Make the folder `path` if it is not there; raises CannotWriteError unless files can be written into it."""
    with _reporting(path):
        if path.exists() and not path.is_dir():
            raise _cannot_write(path, "it is not a folder")
        if not path.resolve().parent.is_dir():
            raise _cannot_write(path, "the folder above it does not exist; make that first")
        path.mkdir(exist_ok=True)
        _try_writing(path)


def _part_in(folder: Path) -> Path:
    return folder / f".cardmeasure-{uuid4().hex}.part"


def _try_writing(folder: Path) -> None:
    """A trial is the only sure answer: permissions say nothing of read-only disks, quotas and access lists."""
    part = _part_in(folder)
    part.touch(exist_ok=False)
    part.unlink()


@contextmanager
def _reporting(path: Path) -> Iterator[None]:
    """Turns what the operating system refuses into CannotWriteError (a circle of links is a RuntimeError)."""
    try:
        yield
    except (OSError, RuntimeError) as error:
        raise _cannot_write(path, getattr(error, "strerror", None) or str(error)) from error


def _cannot_write(path: Path, reason: str) -> CannotWriteError:
    return CannotWriteError(f"Cannot write {printable(str(path))}: {reason}.")
