"""Whatever is no photo, or a photo that cannot be used, is one PhotoTrouble that says what was seen."""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from photo_files import (
    HEIGHT,
    WIDTH,
    deep_tiff,
    encoded,
    exif,
    heic,
    picture,
    saved,
    textured,
)
from PIL import Image

from cardmeasure.errors import TROUBLES, PhotoTrouble
from cardmeasure.photo import is_photo, read_photo
from cardmeasure.photo.native import caught_messages

DEEP = textured().astype(np.uint16) * 257
WHOLE: dict[str, bytes] = {
    "JPEG": saved(textured(), "JPEG", quality=90),
    "progressive JPEG": saved(textured(), "JPEG", quality=90, progressive=True),
    "CMYK JPEG": saved(Image.fromarray(textured()).convert("CMYK"), "JPEG", quality=90),
    "PNG": saved(textured(), "PNG"),
    "16 bit PNG": encoded(".png", DEEP),
    "WebP": saved(textured(), "WEBP"),
    "TIFF": saved(textured(), "TIFF"),
    "LZW TIFF": saved(textured(), "TIFF", compression="tiff_lzw"),
    "16 bit TIFF": deep_tiff(DEEP),
    "AVIF": saved(textured(), "AVIF"),
    "HEIC": heic(textured()),
}


def _trouble(path: Path, **options: float) -> PhotoTrouble:
    with pytest.raises(PhotoTrouble) as caught:
        read_photo(path, **options)
    trouble = caught.value
    assert trouble.code in TROUBLES
    assert trouble.message.endswith(".") and trouble.message[0].isupper()
    assert "\n" not in trouble.message
    return trouble


@pytest.fixture
def trouble_of(tmp_path: Path) -> Callable[..., PhotoTrouble]:
    def trouble_of_bytes(file: bytes, **options: float) -> PhotoTrouble:
        path = tmp_path / "photo.jpg"
        path.write_bytes(file)
        return _trouble(path, **options)

    return trouble_of_bytes


TroubleOf = Callable[..., PhotoTrouble]


def test_missing_file_is_not_found(tmp_path: Path) -> None:
    assert _trouble(tmp_path / "nosuch.jpg").code == "not-found"
    assert _trouble(tmp_path / "nosuch" / "photo.jpg").code == "not-found"
    assert _trouble(Path("a\0b.jpg")).code == "not-found"


def test_file_below_a_file_is_not_found(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"x")
    assert _trouble(tmp_path / "file" / "photo.jpg").code == "not-found"


def test_directory_named_like_a_photo_is_not_a_file(tmp_path: Path) -> None:
    (tmp_path / "folder.jpg").mkdir()
    trouble = _trouble(tmp_path / "folder.jpg")
    assert trouble.code == "not-a-file"
    assert "a folder" in trouble.message
    assert not is_photo(tmp_path / "folder.jpg")


def test_pipe_is_not_a_file_and_nobody_waits_for_it(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    trouble = _trouble(tmp_path / "pipe.jpg")
    assert trouble.code == "not-a-file"
    assert "a pipe" in trouble.message
    assert not is_photo(tmp_path / "pipe.jpg")


def test_null_device_is_an_empty_file_and_other_devices_are_none(tmp_path: Path) -> None:
    assert _trouble(Path(os.devnull)).code == "empty-file"
    assert _trouble(Path("/dev/zero")).code == "not-a-file"
    assert not is_photo(Path(os.devnull))
    assert not is_photo(Path("/dev/zero"))


def test_file_that_may_not_be_read_is_unreadable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The refusal is put in the operating system's place, since the tests may run as a user who may read anything."""
    path = tmp_path / "photo.jpg"
    path.write_bytes(WHOLE["JPEG"])

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    trouble = _trouble(path)
    assert trouble.code == "unreadable"
    assert "Permission denied" in trouble.message
    assert not is_photo(path)


def test_link_to_itself_is_unreadable(tmp_path: Path) -> None:
    (tmp_path / "loop.jpg").symlink_to(tmp_path / "loop.jpg")
    assert _trouble(tmp_path / "loop.jpg").code == "unreadable"
    assert not is_photo(tmp_path / "loop.jpg")


def test_empty_file_is_said_to_be_empty(trouble_of: TroubleOf) -> None:
    assert trouble_of(b"").code == "empty-file"


@pytest.mark.parametrize(
    ("file", "words"),
    [
        (b"Dear all,\nhere are my cards.\n", "text"),
        ("Größe der Karten".encode(), "text"),
        (b"<!DOCTYPE html><html><body>Not found</body></html>", "a web page"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "a PDF document"),
        (struct.pack(">I4s4sI4s4s", 24, b"ftyp", b"isom", 0, b"isom", b"mp42") + bytes(50), "a video"),
        (struct.pack(">I4s4sI4s", 20, b"ftyp", b"qt  ", 0, b"qt  ") + bytes(50), "a video"),
        (struct.pack(">I4s4sI4s", 20, b"ftyp", b"crx ", 1, b"isom") + bytes(50), "a raw camera file"),
        (b"II*\0\x10\0\0\0CR\x02\0" + bytes(50), "a raw camera file"),
        (b"RIFF\x10\0\0\0AVI LIST", "a video"),
        (b"\x1aE\xdf\xa3" + bytes(20), "a video"),
        (b"GIF89a" + bytes(20), "a GIF picture"),
        (b"BM" + bytes(60), "a BMP picture"),
        (b"PK\x03\x04" + bytes(20), "a ZIP archive"),
        (b"\0" * 500, "nothing but zeros"),
        (bytes(range(256)) * 4, "of an unknown kind"),
        (b"\xff\xd8", "of an unknown kind"),
    ],
)
def test_file_of_another_kind_is_named(file: bytes, words: str, trouble_of: TroubleOf, tmp_path: Path) -> None:
    trouble = trouble_of(file)
    assert trouble.code == "not-a-photo"
    assert words in trouble.message
    assert not is_photo(tmp_path / "photo.jpg")


def test_container_brand_alone_is_resolved_by_the_compatible_brands(trouble_of: TroubleOf) -> None:
    """Phones write `mif1` with `heic` or `avif` among the compatible brands; both must reach their decoder."""
    for inside, name in ((b"heic", "HEIC"), (b"avif", "AVIF")):
        trouble = trouble_of(struct.pack(">I4s4sI4s4s", 24, b"ftyp", b"mif1", 0, b"mif1", inside) + bytes(100))
        assert trouble.code == "damaged"
        assert name in trouble.message


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("kind", WHOLE)
def test_truncated_file_is_said_to_be_truncated(kind: str, share: float, trouble_of: TroubleOf) -> None:
    file = WHOLE[kind]
    trouble = trouble_of(file[: int(share * len(file))])
    assert trouble.code == "truncated"
    assert kind.split()[-1] in trouble.message


def _with_thumbnail() -> bytes:
    """A JPEG with a whole JPEG of its own within the EXIF segment."""
    thumbnail = saved(picture(80, 60), "JPEG")
    assert thumbnail.endswith(b"\xff\xd9")
    tags = exif(make="Northlight").tobytes() + thumbnail
    return saved(textured(), "JPEG", quality=90, exif=tags)


def test_end_marker_of_the_thumbnail_does_not_hide_that_the_picture_is_cut(trouble_of: TroubleOf) -> None:
    file = _with_thumbnail()
    assert file.count(b"\xff\xd9") == 2
    assert trouble_of(file[:-200]).code == "truncated"
    assert trouble_of(file[: file.index(b"\xff\xd9") + 10]).code == "truncated"


@pytest.mark.parametrize("appended", [b"\0" * 3000, b"vendor data without markers" * 30, WHOLE["JPEG"][:2000]])
def test_data_that_a_phone_appends_does_no_harm(appended: bytes, tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(_with_thumbnail() + appended)
    whole = tmp_path / "whole.jpg"
    whole.write_bytes(_with_thumbnail())
    assert np.array_equal(read_photo(path).pixels_bgr, read_photo(whole).pixels_bgr)


def _corrupt_jpeg() -> bytes:
    """A JPEG with its markers whole and a stretch of one scan overwritten."""
    file = bytearray(WHOLE["JPEG"])
    at = file.index(b"\xff\xda") + 1500
    file[at : at + 400] = bytes((i * 37 + 11) % 200 for i in range(400))
    return bytes(file)


def test_corrupt_data_within_a_jpeg_are_noticed(trouble_of: TroubleOf, capfd: pytest.CaptureFixture[str]) -> None:
    """The decoder fills the picture with something and only complains on stderr, which must stay empty."""
    trouble = trouble_of(_corrupt_jpeg())
    assert trouble.code == "damaged"
    assert "corrupt" in trouble.message
    assert capfd.readouterr() == ("", "")


def test_padding_before_the_end_marker_is_no_damage(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Some cameras fill the file up with zeros; the decoder warns of extraneous bytes, the picture is whole."""
    path = tmp_path / "photo.jpg"
    path.write_bytes(WHOLE["JPEG"][:-2] + bytes(40) + b"\xff\xd9")
    padded = read_photo(path)
    path.write_bytes(WHOLE["JPEG"])
    assert np.array_equal(padded.pixels_bgr, read_photo(path).pixels_bgr)
    assert capfd.readouterr() == ("", "")


def _huge_png(side: int) -> bytes:
    """A PNG of a few hundred bytes that claims `side` x `side` pixels."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(9))) + chunk(b"IEND", b"")


def _huge_jpeg(side: int) -> bytes:
    file = bytearray(WHOLE["JPEG"])
    at = file.index(b"\xff\xc0")
    file[at + 5 : at + 9] = struct.pack(">HH", side, side)
    return bytes(file)


def _huge_tiff(side: int) -> bytes:
    file = deep_tiff(DEEP)
    for tag, length in ((256, WIDTH), (257, HEIGHT)):
        entry = struct.pack("<HHIHH", tag, 3, 1, length, 0)
        assert file.count(entry) == 1
        file = file.replace(entry, struct.pack("<HHII", tag, 4, 1, side))
    return file


def _huge_webp(side: int) -> bytes:
    file = bytearray(saved(picture(), "WEBP", exif=exif(make="Northlight")))
    assert file[12:16] == b"VP8X"
    file[24:30] = (side - 1).to_bytes(3, "little") * 2
    return bytes(file)


@pytest.mark.parametrize(("build", "side"), [(_huge_png, 60000), (_huge_jpeg, 60000), (_huge_tiff, 60000)])
def test_decompression_bomb_is_refused_by_its_header(
    build: Callable[[int], bytes], side: int, trouble_of: TroubleOf
) -> None:
    trouble = trouble_of(build(side))
    assert trouble.code == "too-many-pixels"
    assert "60000 x 60000" in trouble.message
    assert "3600.0 megapixels" in trouble.message


def test_webp_bomb_is_refused(trouble_of: TroubleOf) -> None:
    """Its canvas may have 16383 pixels a side at most."""
    trouble = trouble_of(_huge_webp(16383))
    assert trouble.code == "too-many-pixels"
    assert "179 megapixels" in trouble.message


@pytest.mark.parametrize("kind", WHOLE)
def test_limit_holds_for_every_format(kind: str, trouble_of: TroubleOf, tmp_path: Path) -> None:
    megapixels = WIDTH * HEIGHT / 1e6
    trouble = trouble_of(WHOLE[kind], max_megapixels=megapixels * 0.999)
    assert trouble.code == "too-many-pixels"
    assert f"{WIDTH} x {HEIGHT} pixels" in trouble.message
    assert read_photo(tmp_path / "photo.jpg", max_megapixels=megapixels * 1.001).width_px == WIDTH


@pytest.mark.parametrize("kind", [kind for kind in WHOLE if kind not in ("WebP", "TIFF", "LZW TIFF")])
def test_the_limit_is_ours_and_not_that_of_a_library(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Pillow warns and refuses by a limit of its own, which a user with a larger picture must not meet."""
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1000)
    path = tmp_path / "photo"
    path.write_bytes(WHOLE[kind])
    assert read_photo(path).width_px == WIDTH
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("kind", ["WebP", "TIFF", "LZW TIFF"])
def test_limit_of_a_library_that_cannot_be_raised_is_named(
    kind: str, trouble_of: TroubleOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 5000)
    trouble = trouble_of(WHOLE[kind])
    assert trouble.code == "too-many-pixels"
    assert "0.01 megapixels" in trouble.message


@pytest.mark.parametrize("size", [(99, 400), (400, 99), (1, 1)])
def test_thumbnail_is_refused_with_its_size(size: tuple[int, int], trouble_of: TroubleOf) -> None:
    trouble = trouble_of(saved(Image.new("RGB", size), "JPEG"))
    assert trouble.code == "too-few-pixels"
    assert f"{size[0]} x {size[1]} pixels" in trouble.message


def test_smallest_picture_allowed_is_read(tmp_path: Path) -> None:
    path = tmp_path / "photo.png"
    path.write_bytes(saved(Image.new("RGB", (100, 100)), "PNG"))
    assert read_photo(path).height_px == 100


def test_file_far_too_large_is_refused_unread(tmp_path: Path) -> None:
    """A sparse file of 3 GB that begins like a JPEG."""
    path = tmp_path / "photo.jpg"
    with path.open("wb") as file:
        file.write(WHOLE["JPEG"])
        file.truncate(3_000_000_000)
    trouble = _trouble(path)
    assert trouble.code == "too-many-pixels"
    assert "3.0 GB" in trouble.message


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIC", "16 bit TIFF"])
def test_want_of_memory_is_one_sentence(kind: str, trouble_of: TroubleOf, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr("cardmeasure.photo.decoding.turned", fail)
    trouble = trouble_of(WHOLE[kind])
    assert trouble.code == "too-many-pixels"
    assert "memory" in trouble.message


def test_what_a_library_prints_is_caught_and_stderr_put_back(capfd: pytest.CaptureFixture[str]) -> None:
    with caught_messages() as messages:
        os.write(2, b"from a library\n")
        assert messages() == "from a library\n"
        os.write(2, b"and more\n")
        assert messages() == "from a library\nand more\n"
    os.write(2, b"after\n")
    assert capfd.readouterr().err == "after\n"


def test_photo_is_read_where_no_temporary_file_can_be_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """What libraries print is then lost instead of kept."""
    path = tmp_path / "photo.jpg"
    path.write_bytes(_corrupt_jpeg())

    def refuse(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.TemporaryFile", refuse)
    assert read_photo(path).width_px == WIDTH
    assert capfd.readouterr() == ("", "")


def test_stderr_is_put_back_after_an_error(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ValueError, match="inside"), caught_messages():
        raise ValueError("inside")
    os.write(2, b"after\n")
    assert capfd.readouterr().err == "after\n"


def test_photo_is_read_where_there_is_no_stderr(tmp_path: Path) -> None:
    """As in a service that closed it."""
    path = tmp_path / "photo.jpg"
    path.write_bytes(WHOLE["JPEG"])
    saved_stderr = os.dup(2)
    os.close(2)
    try:
        width_px = read_photo(path).width_px
    finally:
        os.dup2(saved_stderr, 2)
        os.close(saved_stderr)
    assert width_px == WIDTH


def test_is_photo_reads_but_the_beginning(tmp_path: Path) -> None:
    for kind, file in WHOLE.items():
        (tmp_path / "head").write_bytes(file[:64])
        assert is_photo(tmp_path / "head"), kind
    assert not is_photo(tmp_path / "nosuch")
    assert not is_photo(Path("a\0b"))
