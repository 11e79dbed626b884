"""Whether the end of a photo file is missing: walks over the file's own structure, pure functions on bytes."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator

from cardmeasure.photo.formats import AVIF, HEIC, JPEG, PNG, TIFF, WEBP

_START_OF_SCAN = 0xDA
_END_OF_IMAGE = b"\xff\xd9"
_ALONE = frozenset({0x01, *range(0xD0, 0xD9)})
"""JPEG markers without a length: TEM, RST0 to RST7, SOI (ISO/IEC 10918-1, table B.1)."""

_PART_OFFSETS, _PART_SIZES = (273, 324), (279, 325)
"""TIFF tags: where the strips or the tiles begin, and how many bytes they have."""
_TIFF_KINDS = {3: "H", 4: "I", 16: "Q"}


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


def has_wrong_checksum(data: bytes) -> bool:
    """Whether a chunk of pixel data of a whole PNG file has not the checksum it names (PNG, third edition, 5.3)."""
    view = memoryview(data)
    return any(
        kind == b"IDAT" and zlib.crc32(view[start:end], zlib.crc32(kind)) != int.from_bytes(view[end : end + 4], "big")
        for kind, start, end in _png_chunks(data)
    )


def _png_cut(data: bytes) -> bool:
    return all(kind != b"IEND" for kind, _, _ in _png_chunks(data))


def _png_chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Kind, start and end of the body of each chunk that begins within the file, to the one that ends the picture."""
    at, kind = 8, b""
    while at + 12 <= len(data) and kind != b"IEND":
        kind, start = data[at + 4 : at + 8], at + 8
        end = start + int.from_bytes(data[at : at + 4], "big")
        yield kind, start, end
        at = end + 4


def _webp_cut(data: bytes) -> bool:
    return 8 + int.from_bytes(data[4:8], "little") > len(data)


def _tiff_cut(data: bytes) -> bool:
    """Whether the first directory of a TIFF, or a strip or tile of its picture, reaches beyond the end (TIFF 6.0)."""
    order = "<" if data[:2] == b"II" else ">"
    is_big = data[2:4] in (b"+\0", b"\0+")
    wide, entry = ("Q", f"{order}HHQ8s") if is_big else ("I", f"{order}HHI4s")
    try:
        (at,) = struct.unpack_from(order + wide, data, struct.calcsize(wide))
        (count,) = struct.unpack_from(order + ("Q" if is_big else "H"), data, at)
        at += 8 if is_big else 2
        # A directory names each tag once, so there are never more than this.
        entries = [struct.unpack_from(entry, data, at + i * struct.calcsize(entry)) for i in range(min(count, 65536))]
        values = {
            tag: _tiff_values(data, kind=kind, count=n, field=field, order=order, wide=wide)
            for tag, kind, n, field in entries
            if tag in (*_PART_OFFSETS, *_PART_SIZES)
        }
    except (struct.error, OverflowError):  # the bytes asked for lie beyond the end
        return True
    offsets, sizes = (next((values[t] for t in tags if t in values), ()) for tags in (_PART_OFFSETS, _PART_SIZES))
    return any(start + size > len(data) for start, size in zip(offsets, sizes, strict=False))


def _tiff_values(data: bytes, *, kind: int, count: int, field: bytes, order: str, wide: str) -> tuple[int, ...]:
    """The whole numbers of a directory entry, which stand in its field or where the field points to."""
    form = f"{order}{count}{_TIFF_KINDS.get(kind, 'I')}"
    if count > len(data):
        raise struct.error("more values than the file has bytes")
    if struct.calcsize(form) <= len(field):
        return struct.unpack_from(form, field)
    return struct.unpack_from(form, data, struct.unpack(order + wide, field)[0])


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
