"""The table of size classes against the figures of the standards."""

from __future__ import annotations

import math

import pytest

from cardmeasure.classes import SizeClass, standard_classes

INCH_MM = 25.4
"""International inch, exactly."""

# ISO 216:2007, tables 1 and 2: trimmed sizes, mm
ISO_216 = {
    "ISO A4": (210, 297),
    "ISO A5": (148, 210),
    "ISO A6": (105, 148),
    "ISO A7": (74, 105),
    "ISO A8": (52, 74),
    "ISO B4": (250, 353),
    "ISO B5": (176, 250),
    "ISO B6": (125, 176),
    "ISO B7": (88, 125),
    "ISO B8": (62, 88),
}
# ISO/IEC 7810: nominal sizes, mm
ISO_7810 = {"ID-1": (53.98, 85.60), "ID-2": (74, 105), "ID-3": (88, 125), "ID-000": (15, 25)}
# ISO/IEC 7810:2019: limits of an unused ID-1 card, mm
ID_1_WIDTH_LIMITS_MM = (85.47, 85.72)
ID_1_HEIGHT_LIMITS_MM = (53.92, 54.03)


def class_named(name: str) -> SizeClass:
    (found,) = (size_class for size_class in standard_classes() if name in size_class.names)
    return found


@pytest.mark.parametrize(("name", "cut"), [*ISO_216.items(), *ISO_7810.items()])
def test_formats_have_the_standards_sizes(name: str, cut: tuple[float, float]) -> None:
    assert class_named(name).cuts_mm == (cut,)


@pytest.mark.parametrize("name", ISO_216)
def test_paper_formats_name_iso_216_as_their_source(name: str) -> None:
    assert "ISO 216" in class_named(name).source


@pytest.mark.parametrize("name", ISO_7810)
def test_identification_cards_name_iso_7810_as_their_source(name: str) -> None:
    assert "ISO/IEC 7810" in class_named(name).source


def test_no_other_class_claims_these_standards() -> None:
    claimed = {name for size_class in standard_classes() if "ISO" in size_class.source for name in size_class.names}
    assert claimed == {*ISO_216, *ISO_7810, "bank card"}


@pytest.mark.parametrize("name", ISO_216)
def test_paper_is_cut_to_the_trimming_tolerance_of_iso_216(name: str) -> None:
    """ISO 216: 1.5 mm either way to 150 mm, 2 mm to 600 mm; taken as rectangular (JCGM 100, 4.3.7)."""
    size_class = class_named(name)
    limit = 1.5 if size_class.cuts_mm[0][1] <= 150 else 2.0
    assert size_class.u_cut_mm == pytest.approx(limit / math.sqrt(3), abs=1e-12)


@pytest.mark.parametrize(("large", "small"), [("ISO A4", "ISO A5"), ("ISO A5", "ISO A6"), ("ISO B4", "ISO B5")])
def test_halving_a_sheet_gives_the_next_format(large: str, small: str) -> None:
    """ISO 216: each format is the one before cut in half across its longer side, rounded down to a millimetre."""
    width, height = class_named(large).cuts_mm[0]
    assert class_named(small).cuts_mm[0] == (math.floor(height / 2), width)


def test_id_1_is_wider_than_the_limits_of_an_unused_card() -> None:
    """An unused card at either limit lies within 1.5 standard deviations of the cut."""
    id_1 = class_named("ID-1")
    (width, height) = id_1.cuts_mm[0]
    for limit in ID_1_WIDTH_LIMITS_MM:
        assert abs(limit - height) < 1.5 * id_1.u_cut_mm
    for limit in ID_1_HEIGHT_LIMITS_MM:
        assert abs(limit - width) < 1.5 * id_1.u_cut_mm


def test_paper_is_off_and_id_1_is_on() -> None:
    assert not any(class_named(name).is_on for name in (*ISO_216, "US Letter", "ID-2", "ID-3", "ID-000"))
    assert class_named("ID-1").is_on


@pytest.mark.parametrize(
    ("name", "inches"),
    [
        ("US Letter", (8.5, 11.0)),  # ANSI/ASME Y14.1, size A; from memory
        ("poker", (2.5, 3.5)),  # common practice, no source
        ("bridge", (2.25, 3.5)),  # common practice, no source
        ("tarot", (2.75, 4.75)),  # common practice, from memory
        ("domino", (1.75, 3.5)),  # common practice, from memory
        ("American business card", (2.0, 3.5)),  # common practice, from memory
    ],
)
def test_inch_formats_are_exact(name: str, inches: tuple[float, float]) -> None:
    cut = (round(inches[0] * INCH_MM, 6), round(inches[1] * INCH_MM, 6))
    assert cut in class_named(name).cuts_mm
