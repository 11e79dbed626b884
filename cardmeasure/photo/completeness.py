"""Whether the end of a photo file is missing: walks over the file's own structure, pure functions on bytes."""

from __future__ import annotations

from collections.abc import Callable

from cardmeasure.photo.formats import AVIF, HEIC, JPEG, PNG, TIFF, WEBP

_START_OF_SCAN = 0xDA
_END_OF_IMAGE = b"\xff\xd9"
_ALONE = frozenset({0x01, *range(0xD0, 0xD9)})
"""JPEG markers without a length: TEM, RST0 to RST7, SOI (ISO/IEC 10918-1, table B.1)."""


def is_cut_short(data: bytes, *, format: str) -> bool:
    """Whether the file ends before its own structure says it should. False where that cannot be told."""
    return _CHECKS[format](data)


def jpeg_end(data: bytes) -> int | None:
    """Where the end marker of the first picture of a JPEG stands; None where the end is missing.

    In the data of a scan a byte 0xFF is always followed by 0 or a restart marker, so the first end marker after the
    first scan's header is the picture's own; whatever a phone appends comes later.
    """
    scan = _first_scan(data)
    end = -1 if scan is None else data.find(_END_OF_IMAGE, scan)
    return None if end < 0 else end


def _jpeg_cut(data: bytes) -> bool:
    """Whether no end marker follows the first scan's header; that of a thumbnail within a segment does not count."""
    scan = _first_scan(data)
    # Sought from the end, where it usually stands: any end marker after the scan means that the first one is there.
    return scan is None or data.rfind(_END_OF_IMAGE, scan) < 0


def _first_scan(data: bytes) -> int | None:
    """Where the first scan's header begins, None where the file ends before or is no chain of segments."""
    at = 2
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 4 > len(data):
            return None
        marker = data[at + 1]
        if marker == _START_OF_SCAN:
            return at
        if marker in (0x00, 0xFF):
            at += 1
        elif marker in _ALONE:
            at += 2
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")


def _png_cut(data: bytes) -> bool:
    at = 8
    while at + 12 <= len(data):
        if data[at + 4 : at + 8] == b"IEND":
            return False
        at += 12 + int.from_bytes(data[at : at + 4], "big")
    return True


def _webp_cut(data: bytes) -> bool:
    return 8 + int.from_bytes(data[4:8], "little") > len(data)


def _tiff_cut(data: bytes) -> bool:
    """Whether the first directory lies beyond the end of the file. Missing strips are the decoder's to tell."""
    order = "little" if data[:2] == b"II" else "big"
    is_big = data[2:4] in (b"+\0", b"\0+")
    wide = 8 if is_big else 4
    at = int.from_bytes(data[wide : 2 * wide], order)  # type: ignore[arg-type]
    count_bytes, entry_bytes = (8, 20) if is_big else (2, 12)
    count = int.from_bytes(data[at : at + count_bytes], order)  # type: ignore[arg-type]
    return at + count_bytes + count * entry_bytes > len(data)


def _boxes_cut(data: bytes) -> bool:
    """Whether a box at the top of an ISO base media file (ISO/IEC 14496-12) reaches beyond the end."""
    at = 0
    while at + 8 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        if size == 0:
            return False
        if size == 1:
            size = int.from_bytes(data[at + 8 : at + 16], "big")
        at += max(size, 8)
    return at > len(data)


_CHECKS: dict[str, Callable[[bytes], bool]] = {
    JPEG: _jpeg_cut,
    PNG: _png_cut,
    WEBP: _webp_cut,
    TIFF: _tiff_cut,
    AVIF: _boxes_cut,
    HEIC: _boxes_cut,
}
