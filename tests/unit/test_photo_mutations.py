"""Files changed at random: a picture or one PhotoTrouble comes back, nothing else, and stderr stays empty."""

from __future__ import annotations

import random
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from photo_files import (
    deep_heic,
    deep_tiff,
    encoded,
    exif,
    gamma_curve,
    heic,
    icc_profile,
    png_with_exif,
    saved,
    textured,
)
from PIL import Image

from cardmeasure.errors import TROUBLES, PhotoTrouble
from cardmeasure.photo import Photo, is_photo, read_photo

MUTATIONS = 60
PIXELS = textured(128, 104)
DEEP = PIXELS.astype(np.uint16) * 257
TAGS = exif(orientation=6, make="Northlight", model="P5", details={0xA405: 26, 0x920A: 5.7})
FEW_TAGS = exif(orientation=6, make="Northlight")
PROFILE = icc_profile(b"GRAY", gamma_curve(1.8))
SECOND = Image.fromarray(PIXELS[::-1].copy())
FILES: dict[str, bytes] = {
    "JPEG": saved(PIXELS, "JPEG", exif=TAGS, icc_profile=PROFILE),
    "progressive JPEG": saved(PIXELS, "JPEG", exif=TAGS, progressive=True),
    "CMYK JPEG": saved(Image.fromarray(PIXELS).convert("CMYK"), "JPEG", exif=TAGS, icc_profile=PROFILE),
    "MPO": saved(PIXELS, "MPO", save_all=True, append_images=[SECOND], exif=TAGS),
    "PNG": saved(PIXELS, "PNG", exif=TAGS, icc_profile=PROFILE),
    "palette PNG": saved(Image.fromarray(PIXELS).quantize(64), "PNG", transparency=3),
    "16 bit PNG": png_with_exif(encoded(".png", DEEP), TAGS),
    "WebP": saved(PIXELS, "WEBP", exif=TAGS, icc_profile=PROFILE),
    "TIFF": saved(PIXELS, "TIFF", exif=TAGS.tobytes(), icc_profile=PROFILE),
    "LZW TIFF": saved(PIXELS, "TIFF", exif=FEW_TAGS, compression="tiff_lzw"),
    "JPEG TIFF": saved(PIXELS, "TIFF", exif=FEW_TAGS, compression="jpeg"),
    "16 bit TIFF": deep_tiff(DEEP, orientation=6),
    "16 bit LZW TIFF": encoded(".tiff", DEEP),
    "AVIF": saved(PIXELS, "AVIF", exif=TAGS, icc_profile=PROFILE),
    "HEIC": heic(PIXELS, tags=TAGS),
    "10 bit HEIC": deep_heic(DEEP),
}


def _mutated(file: bytes, chance: random.Random) -> bytes:
    """The file with bytes changed (mostly near the beginning, where the structure is), cut, left out or put in."""
    changed = bytearray(file)
    reach = len(file) if chance.random() < 0.4 else min(len(file), 700)
    at = chance.randrange(reach)
    kind = chance.choice(("flip", "flip", "flip", "cut", "zero", "ones", "insert", "repeat"))
    if kind == "flip":
        for _ in range(chance.choice((1, 1, 2, 8, 30))):
            changed[chance.randrange(reach)] = chance.randrange(256)
    elif kind == "cut":
        del changed[at:]
    elif kind in ("zero", "ones"):
        length = len(changed[at : at + chance.choice((1, 4, 60))])
        changed[at : at + length] = (b"\0" if kind == "zero" else b"\xff") * length
    elif kind == "insert":
        changed[at:at] = chance.randbytes(chance.choice((1, 4, 50)))
    else:
        changed[at:at] = changed[at : at + 40]
    return bytes(changed)


def _outcome(path: Path) -> str:
    """The code of the trouble, or `photo`; the photo must keep its promises."""
    is_photo(path)
    try:
        photo = read_photo(path, max_megapixels=2)
    except PhotoTrouble as trouble:
        assert trouble.code in TROUBLES
        assert trouble.message.isprintable()
        assert len(trouble.message) < 250
        return trouble.code
    _check(photo)
    return "photo"


def _check(photo: Photo) -> None:
    assert photo.pixels_bgr.ndim == 3 and photo.pixels_bgr.shape[2] == 3
    assert photo.pixels_bgr.flags.c_contiguous
    assert photo.response.shape == (int(np.iinfo(photo.pixels_bgr.dtype).max) + 1,)
    assert min(photo.width_px, photo.height_px) >= 100
    focal = photo.camera.focal_35mm
    assert focal is None or 8 <= focal <= 400


@pytest.mark.parametrize("kind", FILES)
def test_changed_file_gives_a_photo_or_a_trouble(kind: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    chance = random.Random(kind)
    path = tmp_path / "photo"
    seen = set()
    path.write_bytes(FILES[kind])
    assert _outcome(path) == "photo"
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for _ in range(MUTATIONS):
            path.write_bytes(_mutated(FILES[kind], chance))
            seen.add(_outcome(path))
            assert capfd.readouterr() == ("", "")
    assert len(seen) >= 3, "the changes reach different parts of the reader"


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(where=st.floats(0, 1, exclude_max=True), bit=st.integers(0, 7), kind=st.sampled_from(["PNG", "16 bit PNG"]))
def test_one_bit_of_the_pixel_data_of_a_png_never_changes_silently(
    where: float, bit: int, kind: str, tmp_path: Path
) -> None:
    """Each chunk of a PNG carries a checksum."""
    file = bytearray(FILES[kind])
    start, end = file.index(b"IDAT") + 4, file.rindex(b"IEND") - 8
    file[start + int(where * (end - start))] ^= 1 << bit
    path = tmp_path / "photo"
    path.write_bytes(file)
    assert _outcome(path) != "photo"


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    head=st.sampled_from([b"", *sorted({file[:n] for file in FILES.values() for n in (4, 12, 40)})]),
    rest=st.binary(max_size=300),
)
def test_any_bytes_give_a_trouble(head: bytes, rest: bytes, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "photo"
    path.write_bytes(head + rest)
    assert _outcome(path) != "photo"
    assert capfd.readouterr() == ("", "")
