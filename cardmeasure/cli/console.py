"""The terminal: what is said on standard output and standard error, and the progress line."""

from __future__ import annotations

import os
import shutil
import sys
from contextlib import suppress

from cardmeasure.errors import CannotWriteError, CardmeasureError, ExitCode
from cardmeasure.text import encodable, printable

PIPE_COLUMNS = 80
_COLUMNS = (40, 100)


class StoppedError(CardmeasureError):
    """The user interrupted the run."""

    exit_code = ExitCode.INTERRUPTED


class PipeClosedError(CannotWriteError):
    """Whoever read standard output went away; nobody is there to be told."""


def say(text: str) -> None:
    """Write text to standard output at once.

    Raises PipeClosedError where its reader has gone, CannotWriteError where it cannot be written for another reason.
    """
    try:
        sys.stdout.write(encodable(text, sys.stdout.encoding or "ascii"))
        sys.stdout.flush()
    except BrokenPipeError as error:
        forget_output()
        raise PipeClosedError("Standard output was closed.") from error
    except OSError as error:
        forget_output()
        raise CannotWriteError(f"Cannot write to standard output: {error.strerror or error}.") from error


def say_error(text: str) -> None:
    """Write one line to standard error; if that is impossible, the exit code has to do."""
    with suppress(OSError, ValueError):
        sys.stderr.write(encodable(f"cardmeasure: {printable(text)}\n", sys.stderr.encoding or "ascii"))
        sys.stderr.flush()


def forget_output() -> None:
    """Let what is left for standard output go nowhere, so that the interpreter does not fail on it at its end."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def is_terminal() -> bool:
    """Whether standard output is read by a person, not by a program or a file."""
    return sys.stdout.isatty()


def columns() -> int:
    """Columns to write standard output in: those of the terminal within reason, 80 in a pipe or a file."""
    if not is_terminal():
        return PIPE_COLUMNS
    low, high = _COLUMNS
    return min(high, max(low, shutil.get_terminal_size((PIPE_COLUMNS, 24)).columns - 1))
