"""The flags a result can carry: one frozen table, the single source for code, reports and documentation."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Level(StrEnum):
    """What a flag does to a size."""

    NOTE = "note"
    """The size stands; its u already covers the matter."""
    DOUBT = "doubt"
    """The size stands, but look at the picture before relying on it."""
    UNSIZED = "unsized"
    """The piece was seen, but it has no size."""


@dataclass(frozen=True)
class Flag:
    """One flag: its code, its level, and what it means, in words for the user."""

    code: str
    level: Level
    meaning: str


_FLAGS = (
    # of a shot
    Flag(
        "scale-assumed",
        Level.NOTE,
        "The print was taken for 100 %; a home printer may be off by some tenths of a per cent. Read the bars on the "
        "page (cardmeasure print-scale), or lay a bank card without payment data beside the cards, its number covered.",
    ),
    Flag(
        "scale-doubtful",
        Level.DOUBT,
        "The pieces speak for a print of another size than the one used, such as one fitted to the page; the result "
        "says which. Read the bars with a ruler, or print anew at actual size.",
    ),
    Flag(
        "bank-card-used",
        Level.NOTE,
        "The print's scale comes from a card of size ID-1 (ISO/IEC 7810) in the photo, taken for a bank card. If it is "
        "none, but only as large, measure again with --no-bank-card.",
    ),
    Flag(
        "bank-card-differs",
        Level.DOUBT,
        "A card that looks like a bank card is not as large as the readings of the print make it: read the bars again, "
        "see that the readings belong to this print, or say --no-bank-card if it is none.",
    ),
    Flag(
        "bank-card-doubtful",
        Level.NOTE,
        "Pieces of about the size of a bank card differ from each other, or are too many or too far off, to be taken "
        "for bank cards; they told nothing of the print's scale.",
    ),
    Flag("lens-profile-used", Level.NOTE, "The lens was known from other shots of the same phone."),
    Flag(
        "lens-profile-refused",
        Level.NOTE,
        "The lens profile is of another camera, lens, zoom or picture size, so the photo was measured without it.",
    ),
    Flag("focal-unknown", Level.NOTE, "The photo names no focal length, so it was solved for with a wide prior."),
    Flag("low-resolution", Level.NOTE, "Fewer than 5 pixels per millimetre: u is larger than it need be."),
    Flag("slanted", Level.NOTE, "The phone was held more than 30 degrees off: u is larger than it need be."),
    Flag("blurred", Level.NOTE, "The photo is soft: u is larger than it need be."),
    Flag(
        "reference-residuals",
        Level.DOUBT,
        "The printed points do not fit a flat sheet well: is the square bent, or does it lie on something?",
    ),
    Flag(
        "reference-covered",
        Level.DOUBT,
        "Less than half of the square's points can be seen; the rest told its place. Lay it free.",
    ),
    Flag(
        "reference-glare",
        Level.DOUBT,
        "Light is mirrored on more than half of the square; the rest told its place. Turn the lamp or the square.",
    ),
    Flag(
        "reference-blurred",
        Level.DOUBT,
        "The square is so blurred that its cells run into each other: hold the phone still, tap to focus, go nearer.",
    ),
    Flag(
        "reference-on-screen",
        Level.DOUBT,
        "The square looks as if it were shown on a screen, where it has no size of its own. If it is a print, such as "
        "one on a white desk, the sizes hold.",
    ),
    Flag(
        "square-bent",
        Level.DOUBT,
        "The square's paper bends by more than cut paper does: its bend was solved for, but not how far it stands off "
        "the table; press it flat, or glue it to card.",
    ),
    Flag(
        "geometry-strained",
        Level.DOUBT,
        "The photo does not look as a camera sees a flat table: was it cropped, straightened, stretched, stitched, or "
        "taken by a scanner app? u is enlarged as far as it misfits; use the photo as the camera took it.",
    ),
    Flag(
        "scale-strained",
        Level.DOUBT,
        "The print is not as wide for its height as it is taken to be: were its readings misread or swapped, are they "
        "of another print, or was the photo stretched? u is enlarged as far as it misfits.",
    ),
    Flag(
        "solved-together",
        Level.NOTE,
        "Lens and print scale were solved for in common with the other photos of the same phone and print.",
    ),
    # of a card, with a size
    Flag("weak-edge", Level.DOUBT, "One side hardly differs from the table; its place is uncertain."),
    Flag("few-points", Level.DOUBT, "Less than half of one side could be used."),
    Flag(
        "outline-differs",
        Level.DOUBT,
        "The sides found and the piece's rough outline differ by more than a millimetre: is the border as dark as "
        "the table, or does something lie against the card?",
    ),
    Flag("not-square", Level.DOUBT, "The corners are more than 0.5 degrees off square: bent, damaged, or not a card."),
    Flag(
        "corners-unclear",
        Level.DOUBT,
        "The corners do not fit the sides, or a side is not seen to end where it was found: look whether the outline "
        "lies on the edge of the top face, or on its foot, its shadow, a printed line or a line of the table.",
    ),
    Flag(
        "bent-edge",
        Level.DOUBT,
        "The card is bent by more than worn cards are, or a side is damaged or partly covered.",
    ),
    Flag(
        "beside-another", Level.DOUBT, "Another piece lies against it or very near: the side between is less certain."
    ),
    Flag(
        "perhaps-two",
        Level.DOUBT,
        "Two cards of a nominal size, side by side, are as large as this piece, and no single one is: if it is two, "
        "lay them apart.",
    ),
    Flag("on-another", Level.DOUBT, "It lies on other pieces; how high is not known exactly, so u is larger."),
    # of a piece without a size
    Flag("cut-by-frame", Level.UNSIZED, "The piece reaches the edge of the photo."),
    Flag(
        "off-sheet",
        Level.UNSIZED,
        "The piece reaches beyond the check of the measuring sheet, where not all its sides can be told.",
    ),
    Flag("overlapped", Level.UNSIZED, "Something covers part of the piece, or several pieces touch."),
    Flag("touching", Level.UNSIZED, "Several pieces touch, and where one ends cannot be told: lay them apart."),
    Flag(
        "doubtful-outline",
        Level.UNSIZED,
        "What may be a piece could not be told from the table for sure: lay it on something plain that contrasts with "
        "it.",
    ),
    Flag("edge-not-found", Level.UNSIZED, "At least one side could not be located in the photo."),
    Flag("not-flat", Level.UNSIZED, "A step runs across it: a die or another block, not a flat piece."),
    Flag(
        "not-a-rectangle",
        Level.UNSIZED,
        "The outline is no rectangle, circle or convex polygon whose edges could be followed all round.",
    ),
)
FLAGS: dict[str, Flag] = {flag.code: flag for flag in _FLAGS}


def is_unsized(flags: tuple[str, ...]) -> bool:
    """Whether one of the flags says that the piece has no size."""
    return any(FLAGS[code].level is Level.UNSIZED for code in flags)
