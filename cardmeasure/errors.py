"""Everything that can go wrong, with its exit code, in one place.

Three kinds of trouble, three ways: the caller's mistake is a `UsageError`; a photo that cannot be measured is a
`PhotoTrouble` that the pipeline turns into a refused row, and the batch goes on; a doubtful measurement is no error
but a flag on the result (see `flags.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class ExitCode(IntEnum):
    """What the command line returns to the shell."""

    OK = 0
    """All photos were measured."""
    USAGE = 2
    """The options or a file named by an option are wrong."""
    SOME_REFUSED = 3
    """At least one photo was measured and at least one refused."""
    NONE_MEASURED = 4
    """No photo was measured."""
    CANNOT_WRITE = 5
    """An output could not be written."""
    BUG = 70
    """An error of cardmeasure's own."""
    INTERRUPTED = 130
    """Stopped by the user."""


class CardmeasureError(Exception):
    """Root of all errors raised on purpose. Its text is one sentence for the user."""

    exit_code: ExitCode = ExitCode.BUG


class UsageError(CardmeasureError):
    """The caller's mistake: the message names the parameter, its value and what would be right."""

    exit_code = ExitCode.USAGE


class CannotWriteError(CardmeasureError):
    """An output cannot be written."""

    exit_code = ExitCode.CANNOT_WRITE


@dataclass(frozen=True)
class TroubleKind:
    """One way in which a photo cannot be measured: its code, and what the user can do."""

    code: str
    advice: str


_KINDS = (
    # the file
    TroubleKind("not-found", "Check the path."),
    TroubleKind("no-photos", "Name a folder that holds photos, or the photos themselves."),
    TroubleKind("not-a-file", "Name the photo itself, or the folder that holds it."),
    TroubleKind("unreadable", "Check that you may read the file, or copy it elsewhere first."),
    TroubleKind("empty-file", "Copy the photo from the phone again."),
    TroubleKind("not-a-photo", "Save it as JPEG, PNG, WebP, TIFF, AVIF or HEIC."),
    TroubleKind("truncated", "Copy the photo from the phone again; the end of the file is missing."),
    TroubleKind("damaged", "Copy the photo from the phone again, or take a new one."),
    TroubleKind("too-many-pixels", "Make the picture smaller, or raise the limit with --max-megapixels."),
    TroubleKind("too-few-pixels", "Send the photo in its original size, not a thumbnail."),
    TroubleKind("crashed", "Save the photo anew as JPEG with a picture program, and measure that; report the matter."),
    # the reference
    TroubleKind(
        "no-reference",
        "Lay the printed reference square flat among the cards, whole and in the light, and take the photo again.",
    ),
    TroubleKind("reference-too-small", "Go nearer, or send the photo in its original size."),
    TroubleKind(
        "reference-covered", "Lay the square free: no card, finger or glare on it, all of it inside the frame."
    ),
    TroubleKind("reference-cut", "Move the square, or the phone, until all of the square lies inside the frame."),
    TroubleKind(
        "reference-glare",
        "Turn the lamp or the square, or step aside, until no light is mirrored on the square; do not laminate it.",
    ),
    TroubleKind(
        "reference-mirrored",
        "Take the photo with the back camera, and switch mirroring off; a mirrored picture is never measured.",
    ),
    TroubleKind(
        "reference-on-screen",
        "Print the square on paper: what a screen shows has no size of its own.",
    ),
    TroubleKind("too-blurred", "Hold the phone still, tap on the square to focus, and use more light."),
    TroubleKind("too-slanted", "Hold the phone straight above the cards; 20 degrees of tilt is plenty."),
    TroubleKind("reference-unclear", "Lay the square flat, use even light, and take the photo again."),
    # the cards
    TroubleKind(
        "no-cards",
        "Lay the cards beside the square on a plain mat that contrasts with their borders, whole inside the frame.",
    ),
)
TROUBLES: dict[str, TroubleKind] = {kind.code: kind for kind in _KINDS}


class PhotoTrouble(CardmeasureError):
    """A photo that cannot be measured.

    `code` is one of `TROUBLES`; the message says what was seen; `advice` says what to do about it.
    """

    exit_code = ExitCode.NONE_MEASURED

    def __init__(self, code: str, message: str, *, advice: str | None = None) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.advice = advice or TROUBLES[code].advice
