"""Readings that contradict each other: which was misread, or that the print is sheared."""

from __future__ import annotations

from math import cos, hypot, radians, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.errors import UsageError
from cardmeasure.reference.contradictions import misread, shear_deg
from cardmeasure.reference.print_profile import profile_from_readings
from cardmeasure.reference.readings import MARKS, Reading
from cardmeasure.reference.scale_words import SIDE_MM, scale_text

scales = st.floats(0.95, 1.03)


def read(name: str, *, x: float, y: float, shear: float = 0.0, off_mm: float = 0.0) -> Reading:
    """A mark read without error on a print with these scales, sheared by degrees, but for an error of `off_mm`."""
    mark = MARKS[name]
    a, b = mark.across_mm * x, mark.down_mm * y
    length = hypot(a + b * sin(radians(shear)), b * cos(radians(shear)))
    return Reading(name=name, reading_mm=length + off_mm, u_mm=0.08)


@given(x=scales, y=scales, shear=st.floats(-3, 3))
def test_the_diagonal_tells_the_shear(x: float, y: float, shear: float) -> None:
    marks = [read(name, x=x, y=y, shear=shear) for name in ("long_bar", "short_bar", "diagonal")]
    assert shear_deg(marks) == pytest.approx(shear, abs=1e-6)


@given(x=scales, y=scales, name=st.sampled_from(list(MARKS)), off=st.sampled_from([-2.0, -1.2, 1.2, 2.0]))
def test_of_five_readings_the_one_misread_is_named(x: float, y: float, name: str, off: float) -> None:
    readings = [read(mark, x=x, y=y, off_mm=off if mark == name else 0.0) for mark in MARKS]
    found = misread(readings)
    assert found is not None and found.name == name
    with pytest.raises(
        UsageError, match=rf"contradict each other: {name} is \d\.\d\d mm {'longer' if off > 0 else 'shorter'}"
    ):
        profile_from_readings(tuple(readings))


@given(x=scales, y=scales)
def test_readings_that_agree_name_none(x: float, y: float) -> None:
    profile = profile_from_readings(tuple(read(mark, x=x, y=y) for mark in MARKS))
    assert (profile.scale_x, profile.scale_y) == pytest.approx((x, y), abs=1e-6)


@pytest.mark.parametrize(("shear", "words"), [(0.38, "sheared by 0.4 degrees"), (1.5, "no printer shears")])
def test_bars_against_the_diagonal_are_shear_or_a_slip(shear: float, words: str) -> None:
    marks = tuple(read(name, x=1.0, y=1.0, shear=shear) for name in ("long_bar", "short_bar", "diagonal"))
    with pytest.raises(UsageError, match=rf"the diagonal is .* longer than the bars make it: .*{words}"):
        profile_from_readings(marks)


def test_two_readings_of_one_axis_that_differ_are_named() -> None:
    marks = (read("long_bar", x=1.0, y=1.0), read("calliper_down", x=1.0, y=1.0, off_mm=0.9))
    with pytest.raises(UsageError, match=r"long_bar and calliper_down contradict each other: .* than all of them"):
        profile_from_readings(marks)


def test_the_words_say_what_the_scale_means_on_a_card() -> None:
    marks = (read("long_bar", x=1.002, y=0.999), read("short_bar", x=1.002, y=0.999))
    words = " ".join(scale_text(profile_from_readings(marks), marks))
    assert "(x): 100.20 %" in words and "(y): 99.90 %" in words
    assert f"{0.002 * SIDE_MM:+.2f} mm across and {-0.001 * SIDE_MM:+.2f} mm down" in words
    assert "fitted to the paper" not in words


def test_one_axis_alone_asks_for_the_other_and_a_shrunken_page_is_told() -> None:
    marks = (read("long_bar", x=0.96, y=0.96),)
    words = " ".join(scale_text(profile_from_readings(marks), marks))
    assert "read along the other axis, too" in words and "fitted to the paper" in words
