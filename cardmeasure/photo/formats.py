"""What a file is, told from its first bytes: pure functions on bytes."""

from __future__ import annotations

import codecs

JPEG, MPO, PNG, WEBP, TIFF, AVIF, HEIC = "JPEG", "MPO", "PNG", "WebP", "TIFF", "AVIF", "HEIC"

_PHOTO_MAGICS = (
    (b"\xff\xd8\xff", JPEG),
    (b"\x89PNG\r\n\x1a\n", PNG),
    (b"II*\0", TIFF),
    (b"MM\0*", TIFF),
    (b"II+\0", TIFF),
    (b"MM\0+", TIFF),
)
_AVIF_BRANDS = frozenset({b"avif", b"avis"})
_HEIC_BRANDS = frozenset({b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"hevm", b"hevs"})
_PICTURE_BRANDS = frozenset({b"mif1", b"mif2", b"msf1", b"miaf"})
"""Brands of the container alone (ISO/IEC 23008-12): the compatible brands say what is inside."""
_OTHER_MAGICS = (
    (b"%PDF", "a PDF document"),
    (b"GIF8", "a GIF picture"),
    (b"BM", "a BMP picture"),
    (b"8BPS", "a layered picture of a painting program"),
    (b"\xff\x0a", "a JPEG XL picture"),
    (b"\0\0\0\x0cJXL ", "a JPEG XL picture"),
    (b"\0\0\0\x0cjP  ", "a JPEG 2000 picture"),
    (b"\xff\x4f\xff\x51", "a JPEG 2000 picture"),
    (b"\x1aE\xdf\xa3", "a video"),
    (b"PK\x03\x04", "a ZIP archive"),
    (b"\x1f\x8b", "a compressed archive"),
    (b"7z\xbc\xaf", "a compressed archive"),
    (b"ID3", "a sound recording"),
    (b"\0\x05\x16\x07", "a file of attributes that a computer put beside the photo"),
)
_TEXT_CONTROLS = frozenset("\t\n\r\f\ufeff")


def photo_format(head: bytes) -> str | None:
    """`JPEG`, `PNG`, `WebP`, `TIFF`, `AVIF` or `HEIC` by the first bytes of a file, None for anything else."""
    for magic, name in _PHOTO_MAGICS:
        if head.startswith(magic):
            return None if name == TIFF and head[8:10] == b"CR" else name
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return WEBP
    return _format_by_brands(_brands(head))


def seems_to_be(head: bytes) -> str:
    """What a file that is no photo seems to be, in words for the user."""
    for magic, words in _OTHER_MAGICS:
        if head.startswith(magic):
            return words
    if head[:4] == b"RIFF":
        return "a video" if head[8:11] == b"AVI" else "a recording"
    if head[8:10] == b"CR" and head[:2] == b"II":
        return "a raw camera file"
    brands = _brands(head)
    if brands:
        return "a raw camera file" if brands[0] == b"crx " else "a video"
    if not head.strip(b"\0"):
        return "nothing but zeros"
    if _is_text(head):
        return "a web page" if b"<html" in head.lower() or b"<!doctype html" in head.lower() else "text"
    return "of an unknown kind"


def _is_text(head: bytes) -> bool:
    try:
        # Incremental, since the last character may go on beyond the bytes at hand.
        text = codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return False
    return bool(text) and all(character.isprintable() or character in _TEXT_CONTROLS for character in text)


def _brands(head: bytes) -> tuple[bytes, ...]:
    """Major brand and compatible brands of an ISO base media file (ISO/IEC 14496-12), none for other files."""
    if head[4:8] != b"ftyp" or len(head) < 12:
        return ()
    end = min(int.from_bytes(head[:4], "big"), len(head))
    return (head[8:12], *(head[at : at + 4] for at in range(16, end - 3, 4)))


def _format_by_brands(brands: tuple[bytes, ...]) -> str | None:
    if not brands:
        return None
    if brands[0] not in _AVIF_BRANDS | _HEIC_BRANDS | _PICTURE_BRANDS:
        return None
    inside = next((b for b in brands if b in _AVIF_BRANDS | _HEIC_BRANDS), None)
    return AVIF if inside in _AVIF_BRANDS else HEIC
