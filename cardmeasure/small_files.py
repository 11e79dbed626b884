"""Files that users write themselves, lists and settings: read whole, unless they are far larger than any of these."""

from __future__ import annotations

from pathlib import Path

from cardmeasure.errors import UsageError


def content_of(path: Path, *, most_bytes: int, subject: str, too_large: str) -> bytes:
    """What is in a file. Raises UsageError where it cannot be read, or with the words `too_large`.

    subject : what the message begins with, "FILE: the sleeve list".
    """
    try:
        with path.open("rb") as stream:
            content = stream.read(most_bytes + 1)
    except OSError as error:
        raise UsageError(f"{subject} cannot be read ({error.strerror or error}).") from error
    if len(content) > most_bytes:
        raise UsageError(too_large)
    return content
