"""Camera tags: what is true is read, and what cannot be true is left out."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from photo_files import (
    DIGITAL_ZOOM,
    EXIF_IFD,
    FOCAL_35MM,
    FOCAL_LENGTH,
    LENS_MODEL,
    ORIENTATION,
    exif,
    picture,
    saved,
)
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from cardmeasure.photo import CameraTags, read_photo
from cardmeasure.photo.tags import camera_tags, exif_from, orientation


def _tags(details: dict[int, object]) -> CameraTags:
    """Tags as parsed, put there without writing a file."""
    parsed = Image.Exif()
    parsed.get_ifd(EXIF_IFD).update(details)
    return camera_tags(parsed)


def test_tags_of_a_file_are_read(tmp_path: Path) -> None:
    details = {
        FOCAL_35MM: 26,
        FOCAL_LENGTH: IFDRational(57, 10),
        DIGITAL_ZOOM: IFDRational(0, 1),
        LENS_MODEL: "back camera 5.7mm f/1.6",
    }
    path = tmp_path / "photo.jpg"
    path.write_bytes(saved(picture(), "JPEG", exif=exif(make="Northlight", model="P5", details=details)))
    assert read_photo(path).camera == CameraTags(
        make="Northlight",
        model="P5",
        lens_model="back camera 5.7mm f/1.6",
        focal_35mm=26.0,
        focal_mm=5.7,
        digital_zoom=1.0,
    )


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (26, 26.0),
        (8, 8.0),
        (400, 400.0),
        (IFDRational(53, 2), 26.5),
        ((26, 0), 26.0),
        (0, None),  # unknown (CIPA DC-008)
        (7, None),
        (401, None),
        (65535, None),
        (-26, None),
        (IFDRational(0, 0), None),
        (IFDRational(26, 0), None),
        (float("inf"), None),
        ("26", None),
        (b"\x1a\x00", None),
        ((), None),
        (None, None),
        (True, None),
        ([[26]], None),
    ],
)
def test_focal_length_on_film_is_none_unless_it_can_be_true(value: object, expected: float | None) -> None:
    assert _tags({FOCAL_35MM: value}).focal_35mm == expected


@pytest.mark.parametrize(
    ("focal_mm", "expected"),
    [(5.7, 26.0), (26.0, 26.0), (50.0, 26.0), (53.0, None), (0.0, 26.0), (IFDRational(0, 0), 26.0), ("x", 26.0)],
)
def test_focal_length_on_film_cannot_be_less_than_half_the_true_one(focal_mm: object, expected: float | None) -> None:
    """It would mean a sensor twice as large as the film; a missing or senseless true one proves nothing."""
    assert _tags({FOCAL_35MM: 26, FOCAL_LENGTH: focal_mm}).focal_35mm == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [(IFDRational(0, 1), 1.0), (1, 1.0), (IFDRational(5, 2), 2.5), (0.2, None), (1e6, None), ("2x", None)],
)
def test_digital_zoom_of_zero_means_that_none_was_used(value: object, expected: float | None) -> None:
    assert _tags({DIGITAL_ZOOM: value}).digital_zoom == expected


@pytest.mark.parametrize(
    ("make", "model", "camera"),
    [
        ("Northlight", "P5", "Northlight P5"),
        ("NORTHLIGHT", "Northlight P5", "Northlight P5"),
        ("Northlight ", "  P5\0\0", "Northlight P5"),
        ("", "P5", "P5"),
        ("Northlight", "", "Northlight"),
        ("\0\0", " ", None),
        (b"North\xfflight", "P\x1b[31m5\n", "North\ufffdlight P [31m5"),
        ("x" * 5000, None, "x" * 80),
        (12, 13, None),
    ],
)
def test_camera_name_is_one_printable_line(make: object, model: object, camera: str | None) -> None:
    parsed = Image.Exif()
    for tag, value in ((0x010F, make), (0x0110, model)):
        parsed[tag] = value
    assert camera_tags(parsed).camera == camera


@pytest.mark.parametrize(
    ("value", "expected"),
    [*((n, n) for n in range(1, 9)), (0, 1), (9, 1), (-1, 1), (6.5, 1), ("6", 1), (b"\6", 1), ((6,), 6), (None, 1)],
)
def test_orientation_is_1_unless_it_is_one_of_eight(value: object, expected: int) -> None:
    parsed = Image.Exif()
    parsed[ORIENTATION] = value
    assert orientation(parsed) == expected


def test_no_place_and_no_serial_number_is_kept() -> None:
    """The record has no field that could tell where or by whom a photo was taken."""
    assert set(CameraTags.__dataclass_fields__) == {
        "make",
        "model",
        "lens_model",
        "focal_35mm",
        "focal_mm",
        "digital_zoom",
    }


@pytest.mark.filterwarnings("ignore::UserWarning")  # which reading a photo catches
@given(data=st.binary(max_size=200), put_header=st.booleans())
def test_tags_are_read_from_any_bytes_without_an_error(data: bytes, put_header: bool) -> None:
    parsed = exif_from((b"Exif\0\0II*\0\x08\0\0\0" if put_header else b"") + data)
    assert isinstance(camera_tags(parsed), CameraTags)
    assert orientation(parsed) in range(1, 9)
