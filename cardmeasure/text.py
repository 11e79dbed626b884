"""Text from outside (file names, EXIF) made safe to show: pure functions on strings."""

from __future__ import annotations

import re
import unicodedata

ELLIPSIS = "..."
_SURROGATES = re.compile("[\ud800-\udfff]")
_FIRST_BYTE = 0xDC00


def valid_text(text: str) -> str:
    r"""The text without lone surrogates, which no UTF-8 file can hold.

    A byte of a file name that is no UTF-8 stands as `\xNN`, with NN its value in hexadecimal; any other lone surrogate
    as `\uNNNN`. Everything else is left as it is, so the escape is for reading, not for finding the file again.
    """
    return _SURROGATES.sub(_escaped, text)


def printable(text: str) -> str:
    r"""The text on one line and harmless in a terminal: whatever is no visible character stands as an escape.

    Control characters, line and paragraph separators, format characters (which can reverse the direction of the
    text), unassigned and private ones become `\xNN`, `\uNNNN` or `\UNNNNNNNN`; any space becomes a plain one.
    """
    return "".join(c if c.isprintable() else _replaced(c) for c in valid_text(text))


def display_width(text: str) -> int:
    """Columns that the text takes in a terminal (Unicode Standard Annex 11; combining marks take none)."""
    return sum(_columns(c) for c in text)


def shorten_middle(text: str, width: int) -> str:
    """The text in at most `width` columns (at least 5), what is left out replaced by three dots in the middle."""
    if display_width(text) <= width:
        return text
    room = max(width, len(ELLIPSIS) + 2) - len(ELLIPSIS)
    return _head(text, room // 2) + ELLIPSIS + _head(text[::-1], room - room // 2)[::-1]


def wrapped(words: str, *, first: str, then: str, width: int) -> list[str]:
    """The words on lines of at most `width` columns, the first line after `first`, the others after `then`.

    Lines break at spaces; a word that is longer than a line is cut.
    """
    lines, line, is_bare = [], first, True
    for word in words.split():
        if not is_bare and display_width(f"{line} {word}") > width:
            lines.append(line)
            line, is_bare = then, True
        line, is_bare = (line + word if is_bare else f"{line} {word}"), False
        while display_width(line) > width:
            head = _head(line, width)
            lines.append(head)
            line = then + line[len(head) :]
    return [*lines, line.rstrip()]


def encodable(text: str, encoding: str) -> str:
    """The text in characters that `encoding` has: plus-minus in ASCII where need be, escapes for the rest."""
    try:
        text.encode(encoding)
        return text
    except UnicodeEncodeError:
        plain = text.replace("±", "+-")
        return plain.encode(encoding, "backslashreplace").decode(encoding)


def _escaped(match: re.Match[str]) -> str:
    code = ord(match[0])
    return f"\\x{code - _FIRST_BYTE:02x}" if 0xDC80 <= code <= 0xDCFF else f"\\u{code:04x}"


def _replaced(character: str) -> str:
    if unicodedata.category(character) == "Zs":
        return " "
    code = ord(character)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _columns(character: str) -> int:
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def _head(text: str, width: int) -> str:
    """The longest beginning of the text that fits in `width` columns."""
    used = 0
    for i, character in enumerate(text):
        used += _columns(character)
        if used > width:
            return text[:i]
    return text
