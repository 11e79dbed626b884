"""Files that users fill in by hand, in TOML: opened and decoded, their values checked, each mistake in one sentence.

What a kind of file holds stands where it is read: decks, size classes, boxes, thicknesses, prints, lenses.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from reprlib import repr as shown

from cardmeasure.errors import UsageError
from cardmeasure.small_files import content_of

MAX_FILE_BYTES = 1_000_000
"""Far beyond what anyone fills in by hand; a larger file is another than was meant."""


@dataclass(frozen=True, kw_only=True)
class FileWords:
    """What messages say of one kind of file.

    `subject`: what cannot be read, "the decks"; `too_large`: what the file is too large for, "for a list of decks".
    `not_toml`: what a wrong file is, with `{error}` where the parser's own words come; `not_text`: the same where it is
    not even UTF-8 (None: `not_toml` says it).
    """

    subject: str
    too_large: str
    not_toml: str = "is not valid TOML: {error}."
    not_text: str | None = None


def read_toml(path: Path, words: FileWords) -> dict[str, object]:
    """The document in a file. Raises UsageError, which names the file, where it cannot be read or is no TOML."""
    content = content_of(
        path, most_bytes=MAX_FILE_BYTES, subject=f"{path}: {words.subject}",
        too_large=f"{path}: the file is too large {words.too_large}; name the right file.",
    )  # fmt: skip
    try:
        # line ends as any editor writes them
        return tomllib.loads(content.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n"))
    except (ValueError, RecursionError) as error:  # TOMLDecodeError is a ValueError; so is a number of 5000 digits
        not_text = words.not_text if isinstance(error, UnicodeDecodeError) else None
        raise UsageError(f"{path}: {(not_text or words.not_toml).format(error=error)}") from error


def refuse_unknown(table: Mapping[str, object], *, known: tuple[str, ...], where: str) -> None:
    """Raises UsageError for the first key of a table that is not known."""
    for key in table:
        if key not in known:
            raise UsageError(f"{where}: unknown key {shown(key)}; the keys are {', '.join(known)}.")


def length_mm(value: object, *, limits: tuple[float, float], what: str) -> float:
    """A number within limits; else UsageError. `what` begins its message: "FILE: KEY is"."""
    low, high = limits
    # not a number is never within the limits
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise UsageError(f"{what} {shown(value)}; it must be a number from {low:g} to {high:g} mm.")
    return float(value)


def whole_number(table: Mapping[str, object], key: str, *, limits: tuple[int, int], where: str) -> int | None:
    """A whole number within limits, None where the key is missing; else UsageError."""
    value = table.get(key)
    low, high = limits
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise UsageError(f"{where}: {key} is {shown(value)}; it must be a whole number from {low} to {high}.")
    return value


def is_plain(text: str) -> bool:
    """Whether a text is one line that can be shown as it is, and not empty."""
    return bool(text.strip()) and text.isprintable()
