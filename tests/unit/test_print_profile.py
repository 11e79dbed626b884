"""The print profile: scales and their uncertainties from readings, and one sentence for each mistake."""

from __future__ import annotations

import tomllib
from math import hypot, sqrt
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2  # type: ignore[import-untyped]

from cardmeasure.errors import UsageError
from cardmeasure.reference.page_texts import TABLE_EXAMPLE
from cardmeasure.reference.print_profile import (
    ASSUMED,
    PrintProfile,
    print_profile_toml,
    profile_from_readings,
    read_print_profile,
)
from cardmeasure.reference.readings import CHI_SQUARE_999, INSTRUMENTS, MARKS, U_AXES, Reading, fit_scale

scales = st.floats(0.92, 1.08)
u_values = st.floats(0.02, 0.5)
names = st.lists(st.sampled_from(sorted(MARKS)), min_size=1, unique=True)


def _read(tmp_path: Path, text: str) -> PrintProfile:
    path = tmp_path / "print.toml"
    path.write_text(text, encoding="utf-8")
    return read_print_profile(path)


def _length_mm(name: str, scale_x: float, scale_y: float) -> float:
    return hypot(MARKS[name].across_mm * scale_x, MARKS[name].down_mm * scale_y)


def test_nothing_known_is_a_hundred_per_cent_within_three_tenths_of_a_per_cent() -> None:
    assert (ASSUMED.scale_x, ASSUMED.scale_y, ASSUMED.source) == (1.0, 1.0, "assumed")
    assert (ASSUMED.u_scale_x, ASSUMED.u_scale_y, ASSUMED.correlation) == (0.003, 0.003, 0.0)


def test_each_bar_gives_the_scale_of_its_own_axis(tmp_path: Path) -> None:
    """The long bar (250 mm) runs down the page and so is y, the short one (180 mm) x; each u is that of its reading."""
    profile = _read(
        tmp_path, "long_bar = {reading_mm = 249.0, u_mm = 0.1}\nshort_bar = {reading_mm = 180.9, u_mm = 0.2}"
    )
    assert profile.scale_x == pytest.approx(180.9 / 180.0, abs=1e-9)
    assert profile.scale_y == pytest.approx(249.0 / 250.0, abs=1e-9)
    assert profile.u_scale_x == pytest.approx(0.2 / 180.0, rel=1e-6)
    assert profile.u_scale_y == pytest.approx(0.1 / 250.0, rel=1e-6)
    assert profile.correlation == pytest.approx(0.0, abs=1e-9)
    assert profile.source == "entered"


def test_calliper_pairs_across_and_down_are_x_and_y(tmp_path: Path) -> None:
    profile = _read(
        tmp_path, "[calliper_across]\nreading_mm = 76.2\nu_mm = 0.05\n[calliper_down]\nreading_mm = 75.9\nu_mm = 0.05"
    )
    assert profile.scale_x == pytest.approx(76.2 / 76.0, abs=1e-9)
    assert profile.scale_y == pytest.approx(75.9 / 76.0, abs=1e-9)


def test_two_readings_of_one_axis_are_averaged_by_weight() -> None:
    """The weighted mean by hand: weights (length / u) squared."""
    bar, lines = (
        Reading(name="long_bar", reading_mm=250.4, u_mm=0.2),
        Reading(name="calliper_down", reading_mm=76.06, u_mm=0.08),
    )
    other = Reading(name="short_bar", reading_mm=180.0, u_mm=0.1)
    profile = profile_from_readings((bar, lines, other))
    w_bar, w_lines = (250.0 / 0.2) ** 2, (76.0 / 0.08) ** 2
    assert profile.scale_y == pytest.approx((w_bar * 250.4 / 250 + w_lines * 76.06 / 76) / (w_bar + w_lines), abs=1e-9)
    assert profile.u_scale_y == pytest.approx(1 / sqrt(w_bar + w_lines), rel=1e-6)


def test_the_u_of_an_instrument_holds_its_limits_and_the_placing_of_both_ends(tmp_path: Path) -> None:
    """JIS B 7516 class 1: +-0.15 mm to 500 mm; DIN 862: +-0.02 mm to 100 mm; placing: common practice, no source."""
    rule = _read(tmp_path, '[long_bar]\nreading_mm = 250\ninstrument = "steel-rule"')
    calliper = _read(tmp_path, '[calliper_across]\nreading_mm = 76\ninstrument = "calliper"')
    assert rule.u_scale_y * 250 == pytest.approx(sqrt((0.15**2 + 2 * 0.2**2) / 3), rel=1e-6)
    assert calliper.u_scale_x * 76 == pytest.approx(sqrt((0.02**2 + 2 * 0.1**2) / 3), rel=1e-6)


def test_one_rule_for_both_bars_correlates_the_scales_and_own_u_does_not() -> None:
    same = [Reading(name=n, reading_mm=MARKS[n].length_mm, instrument="steel-rule") for n in ("long_bar", "short_bar")]
    profile = profile_from_readings(tuple(same))
    own, shared = same[0].u_parts_mm
    assert profile.correlation == pytest.approx(shared**2 / (own**2 + shared**2), rel=1e-6)
    mixed = (same[0], Reading(name="short_bar", reading_mm=180.0, instrument="ruler"))
    assert profile_from_readings(mixed).correlation == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("name", "known", "open_"), [("long_bar", "y", "x"), ("calliper_across", "x", "y")])
def test_an_axis_that_was_not_read_follows_the_other_with_a_wide_u(name: str, known: str, open_: str) -> None:
    """A print fitted to the page shrinks along both axes: the axis that was not read is not taken for 100 %."""
    profile = profile_from_readings((Reading(name=name, reading_mm=0.95 * MARKS[name].length_mm, u_mm=0.05),))
    assert profile.scale_x == pytest.approx(0.95, abs=1e-9) and profile.scale_y == pytest.approx(0.95, abs=1e-9)
    u_known, u_open = getattr(profile, f"u_scale_{known}"), getattr(profile, f"u_scale_{open_}")
    assert u_known == pytest.approx(0.05 / MARKS[name].length_mm, rel=1e-6)
    assert u_open == pytest.approx(hypot(u_known, U_AXES), rel=1e-6)


@given(names=names, scale_x=scales, scale_y=scales, u_mm=u_values)
def test_readings_without_error_give_the_true_scales(
    names: list[str], scale_x: float, scale_y: float, u_mm: float
) -> None:
    """Whatever was read; where the readings leave one direction open, along the one they do determine."""
    readings = [Reading(name=n, reading_mm=_length_mm(n, scale_x, scale_y), u_mm=u_mm) for n in names]
    fit = fit_scale(readings)
    for name in names:
        assert _length_mm(name, *fit.scale) == pytest.approx(_length_mm(name, scale_x, scale_y), abs=2e-6 * 250)
    if len({(MARKS[n].across_mm > 0, MARKS[n].down_mm > 0) for n in names}) >= 2:
        assert fit.scale == pytest.approx([scale_x, scale_y], abs=1e-7)
        assert fit.chi_square == pytest.approx(0.0, abs=1e-6)


@given(names=names, scale_x=scales, scale_y=scales, u_mm=u_values)
def test_one_more_reading_never_makes_u_larger(names: list[str], scale_x: float, scale_y: float, u_mm: float) -> None:
    base = [n for n in ("long_bar", "short_bar") if n not in names]
    fewer = [Reading(name=n, reading_mm=_length_mm(n, scale_x, scale_y), u_mm=0.2) for n in (*base, *names)]
    bars = [r for r in fewer if r.name in ("long_bar", "short_bar")]
    assert (np.diag(fit_scale(fewer).covariance) <= np.diag(fit_scale(bars).covariance) * (1 + 1e-9)).all()


def test_the_covariance_is_that_of_repeated_readings() -> None:
    """Monte Carlo: 3000 sets of all five readings with errors of their instruments, shared parts included."""
    rng = np.random.default_rng(7)
    instruments = ["steel-rule"] * 3 + ["calliper"] * 2
    u = {name: (INSTRUMENTS[name].u_placing_mm, INSTRUMENTS[name].u_own_mm) for name in INSTRUMENTS}
    fits = []
    for _ in range(3000):
        shared = {name: rng.normal(0, own) for name, (_, own) in u.items()}
        readings = [
            Reading(name=n, instrument=i, reading_mm=_length_mm(n, 1.004, 0.997) + shared[i] + rng.normal(0, u[i][0]))
            for n, i in zip(MARKS, instruments, strict=True)
        ]
        fits.append(fit_scale(readings))
    found = np.cov(np.array([fit.scale for fit in fits]).T)
    stated = fits[0].covariance
    assert np.sqrt(np.diag(found)) == pytest.approx(np.sqrt(np.diag(stated)), rel=0.06)  # 4.5 standard errors
    assert found[0, 1] == pytest.approx(stated[0, 1], abs=0.08 * sqrt(stated[0, 0] * stated[1, 1]))
    assert np.mean([fit.chi_square for fit in fits]) == pytest.approx(3.0, abs=0.2)
    assert np.mean([fit.agrees for fit in fits]) >= 0.996


def test_chi_square_limits_are_those_of_the_distribution() -> None:
    for freedom, limit in CHI_SQUARE_999.items():
        assert limit == pytest.approx(chi2.ppf(0.999, freedom), abs=0.005)


@given(
    readings=st.lists(
        st.builds(
            Reading,
            name=st.sampled_from(sorted(MARKS)),
            reading_mm=st.floats(1, 300),
            instrument=st.one_of(st.none(), st.sampled_from(sorted(INSTRUMENTS))),
            u_mm=st.one_of(st.none(), st.floats(0.001, 5)),
        ),
        unique_by=lambda reading: reading.name,
    )
)
def test_the_file_text_holds_exactly_the_readings(readings: list[Reading]) -> None:
    tables = tomllib.loads(print_profile_toml(tuple(readings)))
    assert [Reading(name=name, **table) for name, table in tables.items()] == readings


def test_a_written_file_is_read_back_to_the_same_profile(tmp_path: Path) -> None:
    readings = (
        Reading(name="long_bar", reading_mm=249.4, instrument="steel-rule"),
        Reading(name="short_bar", reading_mm=180.2, u_mm=0.15),
        Reading(name="diagonal", reading_mm=249.7, instrument="ruler"),
    )
    assert _read(tmp_path, print_profile_toml(readings)) == profile_from_readings(readings)


def test_the_example_printed_on_the_page_can_be_read(tmp_path: Path) -> None:
    profile = _read(tmp_path, "\n".join(TABLE_EXAMPLE))
    assert profile.scale_y == pytest.approx(249.8 / 250.0, abs=1e-9)


def test_a_byte_order_mark_and_comments_are_no_trouble(tmp_path: Path) -> None:
    profile = _read(
        tmp_path, "\ufeff# office printer, 80 g\n[long_bar]\nreading_mm = 250 # a whole number\nu_mm = 0.2\n"
    )
    assert profile.scale_y == pytest.approx(1.0, abs=1e-9)


def test_a_print_fitted_to_the_page_is_legal(tmp_path: Path) -> None:
    profile = _read(
        tmp_path, "long_bar = {reading_mm = 235.0, u_mm = 0.2}\nshort_bar = {reading_mm = 169.2, u_mm = 0.2}"
    )
    assert profile.scale_x == pytest.approx(0.94, abs=1e-9) and profile.scale_y == pytest.approx(0.94, abs=1e-9)


def test_contradicting_readings_are_named(tmp_path: Path) -> None:
    """A print 1 mm too long on the diagonal for its bars: 0.4 %, where 0.2 mm were stated."""
    text = "".join(
        f"[{name}]\nreading_mm = {reading}\nu_mm = 0.2\n"
        for name, reading in (("long_bar", 250.0), ("short_bar", 180.0), ("diagonal", 251.2))
    )
    message = _sentence(tmp_path, text)
    assert "long_bar, short_bar and diagonal contradict each other" in message and "mm longer" in message
    agreeing = text.replace("251.2", "250.5")
    assert _read(tmp_path, agreeing).source == "entered"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ("holds no reading", "long_bar, short_bar, diagonal")),
        ("long bar = 3", ("not valid TOML", "line 1")),
        ("[longbar]\nreading_mm = 250", ("longbar is not a reading", "long_bar")),
        ("long_bar = 250.1", ("long_bar must be a table", "[long_bar]")),
        ("[long_bar]\nlength = 250.1\nu_mm = 0.1", ("long_bar.length is not known", "reading_mm, instrument and u_mm")),
        ("[long_bar]\nu_mm = 0.1", ("long_bar.reading_mm is missing",)),
        ("[long_bar]\nreading_mm = 250.1", ("long_bar has no uncertainty", '"steel-rule"', "u_mm")),
        (
            '[long_bar]\nreading_mm = "250.1"\nu_mm = 0.1',
            ("long_bar.reading_mm is '250.1'", "a number from 225 to 275"),
        ),
        ("[long_bar]\nreading_mm = true\nu_mm = 0.1", ("long_bar.reading_mm is True", "a number")),
        ("[long_bar]\nreading_mm = nan\nu_mm = 0.1", ("long_bar.reading_mm is nan", "225 to 275")),
        ("[long_bar]\nreading_mm = 25.01\nu_mm = 0.01", ("long_bar.reading_mm is 25.01", "within 10 % of the 250 mm")),
        ("[short_bar]\nreading_mm = 250.1\nu_mm = 0.1", ("short_bar.reading_mm is 250.1", "162 to 198")),
        ("[long_bar]\nreading_mm = 250.1\nu_mm = 0", ("long_bar.u_mm is 0", "from 0.001 to 5 mm")),
        ("[long_bar]\nreading_mm = 250.1\nu_mm = -0.1", ("long_bar.u_mm is -0.1",)),
        ("[long_bar]\nreading_mm = 250.1\nu_mm = inf", ("long_bar.u_mm is inf",)),
        (
            '[long_bar]\nreading_mm = 250.1\ninstrument = "tape"',
            ("long_bar.instrument is 'tape'", '"calliper" or "ruler"'),
        ),
        ("[long_bar]\nreading_mm = 250.1\ninstrument = 3", ("long_bar.instrument is 3", '"steel-rule"')),
        ('[long_bar]\nreading_mm = 250.1\ninstrument = "calliper"', ("hold up to 100 mm only", "u_mm")),
    ],
)
def test_each_mistake_is_one_sentence_with_file_key_and_remedy(
    tmp_path: Path, text: str, words: tuple[str, ...]
) -> None:
    message = _sentence(tmp_path, text)
    for word in words:
        assert word in message


def test_a_file_that_is_missing_a_folder_or_no_text_is_named(tmp_path: Path) -> None:
    binary = tmp_path / "photo.toml"
    binary.write_bytes(b"\xff\xd8\xff\xe0")
    for path in (tmp_path / "nosuch.toml", tmp_path, binary):
        with pytest.raises(UsageError) as caught:
            read_print_profile(path)
        assert str(caught.value).startswith(f"{path}: the print profile ")


def _sentence(tmp_path: Path, text: str) -> str:
    with pytest.raises(UsageError) as caught:
        _read(tmp_path, text)
    message = str(caught.value)
    assert message.startswith(f"{tmp_path / 'print.toml'}: ") and message.endswith(".") and "\n" not in message
    return message


def test_a_whole_number_too_large_for_a_float_is_refused_in_a_short_sentence(tmp_path: Path) -> None:
    path = tmp_path / "print.toml"
    path.write_text(f"[long_bar]\nreading_mm = {'9' * 400}\n", encoding="utf-8")
    with pytest.raises(UsageError, match="must be a number") as caught:
        read_print_profile(path)
    assert len(str(caught.value)) < 250
