"""From a path to the bytes of a photo, with one clear sentence for everything that is no readable photo file."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import BinaryIO

from cardmeasure.errors import PhotoTrouble
from cardmeasure.photo.formats import photo_format, seems_to_be

HEAD_BYTES = 4096
"""Enough to tell what a file is."""
MOST_BYTES_PER_PIXEL = 16
"""Twice four channels of 16 bits: no photo of the size allowed needs more."""
EXTRA_BYTES = 1 << 28
"""Room for what phones append to a picture, such as a short film."""

_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def read_photo_file(path: Path, *, max_megapixels: float) -> bytes:
    """All bytes of a file that begins like a photo; only the head is read of any other.

    Raises PhotoTrouble: `not-found`, `not-a-file`, `unreadable`, `empty-file`, `not-a-photo`, `too-many-pixels`.
    """
    try:
        _require_file(path)
        with path.open("rb") as file:
            return _read(file, max_megapixels=max_megapixels)
    except (FileNotFoundError, NotADirectoryError, ValueError) as error:
        raise PhotoTrouble("not-found", "There is no such file.") from error
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise PhotoTrouble("unreadable", f"The file cannot be read ({reason}).") from error


def read_head(path: Path) -> bytes:
    """The first bytes of a regular file, none where there is no such file or it cannot be read."""
    try:
        # Asked first: opening a pipe would wait for whoever writes into it.
        if not stat.S_ISREG(path.stat().st_mode):
            return b""
        with path.open("rb", buffering=0) as file:
            return file.read(HEAD_BYTES) or b""
    except (OSError, ValueError):
        return b""


def _require_file(path: Path) -> None:
    mode = path.stat().st_mode
    if stat.S_ISREG(mode):
        return
    if stat.S_ISCHR(mode) and _is_null_device(path):
        raise _empty()
    kind = next((name for test, name in _KINDS if test(mode)), "something else")
    raise PhotoTrouble("not-a-file", f"This is {kind}, not a file.")


def _is_null_device(path: Path) -> bool:
    try:
        return path.samefile(os.devnull)
    except OSError:
        return False


def _read(file: BinaryIO, *, max_megapixels: float) -> bytes:
    head = file.read(HEAD_BYTES)
    if not head:
        raise _empty()
    if photo_format(head) is None:
        raise PhotoTrouble("not-a-photo", f"The file seems to be {seems_to_be(head)}, not a photo.")
    size, limit = os.fstat(file.fileno()).st_size, MOST_BYTES_PER_PIXEL * max_megapixels * 1e6 + EXTRA_BYTES
    if size > limit:
        message = f"The file holds {size / 1e9:.1f} GB, more than any photo of {max_megapixels:g} megapixels needs."
        raise PhotoTrouble("too-many-pixels", message)
    try:
        file.seek(0)
        return file.read()
    except MemoryError as error:
        message = f"The file holds {size / 1e9:.1f} GB, more than the free memory."
        raise PhotoTrouble("too-many-pixels", message) from error


def _empty() -> PhotoTrouble:
    return PhotoTrouble("empty-file", "The file is empty.")
