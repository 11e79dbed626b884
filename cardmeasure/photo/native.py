"""What image libraries write to stderr on their own, caught instead of shown."""

from __future__ import annotations

import os
import tempfile
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import FileIO
from pathlib import Path

_STDERR = 2
_LOCK = threading.Lock()


@contextmanager
def caught_messages() -> Iterator[Callable[[], str]]:
    """Within the block nothing reaches stderr; the function handed over returns what was written there so far.

    The C libraries behind the decoders print to the file descriptor itself (libjpeg only says in this way that the
    data of a picture are corrupt), and Python's warnings go the same way. Both the descriptor and the list of warning
    filters belong to the whole process: one block runs at a time, and both are put back at its end. What other threads
    write to stderr meanwhile is not shown.
    """
    with _LOCK, warnings.catch_warnings(), _sink() as sink:
        warnings.simplefilter("ignore")
        with _redirected(sink):
            yield lambda: _text(sink)


def _sink() -> FileIO:
    """A file that keeps what is written; where none can be made, one that forgets it."""
    try:
        return tempfile.TemporaryFile(buffering=0)
    except OSError:
        return Path(os.devnull).open("r+b", buffering=0)


@contextmanager
def _redirected(sink: FileIO) -> Iterator[None]:
    try:
        saved = os.dup(_STDERR)
    except OSError:  # no stderr, as in a service: nothing to catch
        yield
        return
    try:
        os.dup2(sink.fileno(), _STDERR)
        yield
    finally:
        os.dup2(saved, _STDERR)
        os.close(saved)


def _text(sink: FileIO) -> str:
    end = sink.seek(0, os.SEEK_END)
    sink.seek(0)
    text = sink.read(end).decode("utf-8", "replace")
    sink.seek(0, os.SEEK_END)
    return text
