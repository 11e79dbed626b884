"""Files that users fill in by hand: opened, decoded, and refused in one sentence, whichever kind they are."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from cardmeasure.classes.reading import read_class_file
from cardmeasure.decks.reading import read_decks
from cardmeasure.errors import UsageError
from cardmeasure.lens.profile import read_lens_profiles
from cardmeasure.reference.print_profile import read_print_profile
from cardmeasure.sleeving.box_info import read_box_info
from cardmeasure.thickness.reading import read_thickness
from cardmeasure.toml_files import MAX_FILE_BYTES, FileWords, is_plain, length_mm, read_toml, whole_number

READERS = (read_class_file, read_decks, read_lens_profiles, read_print_profile, read_box_info, read_thickness)
WORDS = FileWords(subject="the lists", too_large="for a list", not_text="is no text.")


@pytest.mark.parametrize("read", READERS)
@pytest.mark.parametrize(
    "content", [b"\xff\xfe", b"a = ", b"a = " + b"9" * 5000, b"a = " + b"[" * 5000, b"#" * (MAX_FILE_BYTES + 1)]
)
def test_no_reader_breaks_on_what_is_no_file_of_its_own(
    read: Callable[[Path], object], content: bytes, tmp_path: Path
) -> None:
    """Bytes that are no text, half a line, a number of 5000 digits, endless nesting, a file of another kind."""
    path = tmp_path / "a.toml"
    path.write_bytes(content)
    with pytest.raises(UsageError) as refused:
        read(path)
    assert str(refused.value).startswith(f"{path}: ")
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("read", READERS)
def test_a_file_that_cannot_be_opened_is_named_with_the_reason(read: Callable[[Path], object], tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"none\.toml: the .* cannot be read \(No such file or directory\)\.$"):
        read(tmp_path / "none.toml")


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_and_the_mark_of_an_editor_do_not_matter(end: str, tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(b"\xef\xbb\xbf" + end.join(["a = 1", "# note", "b = 'x'", ""]).encode())
    assert read_toml(path, WORDS) == {"a": 1, "b": "x"}


def test_what_is_no_text_is_said_in_words_of_its_own_where_there_are_any(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(b"a = '\xe9'")
    with pytest.raises(UsageError, match=r"a\.toml: is no text\.$"):
        read_toml(path, WORDS)
    with pytest.raises(UsageError, match=r"is not valid TOML: 'utf-8' codec can't decode byte 0xe9"):
        read_toml(path, FileWords(subject="the lists", too_large="for a list"))


@pytest.mark.parametrize("value", [True, "1", None, float("nan"), float("inf"), -0.1, 10.1, [1.0]])
def test_a_length_is_a_number_within_its_limits(value: object) -> None:
    assert length_mm(3, limits=(0.0, 10.0), what="a: b is") == 3.0
    with pytest.raises(UsageError, match=r"^a: b is .*; it must be a number from 0 to 10 mm\.$"):
        length_mm(value, limits=(0.0, 10.0), what="a: b is")


@pytest.mark.parametrize("value", [True, "1", 1.0, 0, 11])
def test_a_count_is_a_whole_number_within_its_limits_or_missing(value: object) -> None:
    assert whole_number({}, "n", limits=(1, 10), where="a") is None
    assert whole_number({"n": 10}, "n", limits=(1, 10), where="a") == 10
    with pytest.raises(UsageError, match=r"^a: n is .*; it must be a whole number from 1 to 10\.$"):
        whole_number({"n": value}, "n", limits=(1, 10), where="a")


@pytest.mark.parametrize(
    ("text", "plain"), [("Events", True), ("a b", True), ("", False), (" ", False), ("a\n", False)]
)
def test_plain_text_is_one_line_that_can_be_shown(text: str, plain: bool) -> None:
    assert is_plain(text) is plain
