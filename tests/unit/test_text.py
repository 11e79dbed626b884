"""Text from outside made safe: escapes, widths and shortening."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.text import display_width, encodable, printable, shorten_middle, valid_text, wrapped
from tests.made_results import any_names


@given(any_names())
def test_printable_text_is_one_line_of_visible_characters_and_stays_as_it_is(name: str) -> None:
    once = printable(name)
    assert once.isprintable()
    assert printable(once) == once


@given(any_names())
def test_valid_text_can_be_written_as_utf8_and_differs_only_where_it_could_not(name: str) -> None:
    valid_text(name).encode()
    try:
        name.encode()
    except UnicodeEncodeError:
        assert valid_text(name) != name
    else:
        assert valid_text(name) == name


def test_a_byte_of_a_name_that_is_no_utf8_stands_as_its_hexadecimal_value() -> None:
    assert valid_text(b"caf\xe9.jpg".decode("utf-8", "surrogateescape")) == "caf\\xe9.jpg"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("a\nb", "a\\x0ab"),
        ("\x1b[31m", "\\x1b[31m"),
        ("\u202egpj", "\\u202egpj"),
        ("naïve 😀", "naïve 😀"),
        ("3\u202fPM", "3 PM"),
    ],
)
def test_what_a_terminal_would_obey_stands_as_an_escape(text: str, shown: str) -> None:
    assert printable(text) == shown


@given(any_names().map(printable), st.integers(5, 60))
def test_shortened_text_fits_and_keeps_both_ends(text: str, width: int) -> None:
    short = shorten_middle(text, width)
    assert display_width(short) <= width
    if short != text:
        dots = [k for k in range(len(short)) if short.startswith("...", k)]
        assert any(text.startswith(short[:k]) and text.endswith(short[k + 3 :]) for k in dots)


def test_wide_characters_count_twice_and_combining_marks_not_at_all() -> None:
    assert display_width("札a\u0301") == 3


def test_a_stream_without_the_character_gets_plain_signs_and_escapes() -> None:
    assert encodable("63.04 ± 0.08 札", "ascii") == "63.04 +- 0.08 \\u672d"
    assert encodable("63.04 ± 0.08", "utf-8") == "63.04 ± 0.08"


@given(any_names().map(printable), st.integers(12, 60))
def test_wrapped_words_fit_and_none_is_lost(words: str, width: int) -> None:
    lines = wrapped(words, first="  a: ", then="     ", width=width)
    assert all(display_width(line) <= width for line in lines)
    assert "".join(line[5:].replace(" ", "") for line in lines) == words.replace(" ", "")


def test_lines_break_at_spaces_and_only_a_longer_word_is_cut() -> None:
    assert wrapped("one two three", first="- ", then="  ", width=9) == ["- one two", "  three"]
    assert wrapped("abcdefghij k", first="- ", then="  ", width=7) == ["- abcde", "  fghij", "  k"]
