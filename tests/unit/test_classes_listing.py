"""The table of size classes in words, and the command that prints it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cardmeasure.classes import SizeClass, enabled, standard_classes
from cardmeasure.classes.listing import classes_text
from cardmeasure.cli import main
from cardmeasure.text import display_width

CLASSES = standard_classes()


def ids_listed(text: str) -> list[str]:
    known = {size_class.id for size_class in CLASSES}
    return [line.split()[0] for line in text.splitlines() if line.split()[:1] and line.split()[0] in known]


@pytest.mark.parametrize("width", [40, 60, 80, 100])
@pytest.mark.parametrize("with_off", [False, True])
def test_no_line_is_wider_than_asked_for(width: int, with_off: bool) -> None:
    lines = classes_text(CLASSES, width=width, with_off=with_off).splitlines()
    assert max(display_width(line) for line in lines) <= width
    assert all(line == line.rstrip() for line in lines)


@pytest.mark.parametrize("width", [40, 80])
def test_every_name_and_cut_is_listed(width: int) -> None:
    words = " ".join(classes_text(CLASSES, width=width, with_off=True).split())
    for size_class in CLASSES:
        for side in (side for cut in size_class.cuts_mm for side in cut):
            assert f"{side:g}" in words
        assert size_class.id in words
        for part in (part for name in size_class.names for part in name.split()):
            assert part in words


def test_a_cut_is_never_broken_between_lines() -> None:
    text = classes_text(CLASSES, width=80)
    for cut in ("63.5 x 88.9", "57.15 x 88.9", "69.85 x 120.65"):
        assert cut in text


def test_classes_that_are_off_are_counted_or_shown() -> None:
    off = [size_class.id for size_class in CLASSES if not size_class.is_on]
    assert ids_listed(classes_text(CLASSES, width=80)) == [c.id for c in enabled(CLASSES)]
    assert f"{len(off)} more are off; --all shows them." in classes_text(CLASSES, width=80)
    everything = classes_text(CLASSES, width=80, with_off=True)
    assert ids_listed(everything) == [c.id for c in CLASSES]
    assert "more are off" not in everything
    marked = [line.split()[0] for line in everything.splitlines() if line.endswith(" off")]
    assert marked == off


def test_heading_stands_over_its_columns() -> None:
    heading, first, *_ = classes_text(CLASSES, width=100).splitlines()
    assert heading.split("  ")[0] == "Class"
    assert heading.index("u, mm") == first.index("0.30")
    assert heading.index("Cuts, mm") == first.index("63 x 88")
    assert heading.index("Source") == first.index("practice")


@settings(deadline=None, max_examples=40)
@given(st.text(max_size=60), st.text(max_size=30), st.integers(40, 100))
def test_text_of_the_users_own_stays_on_its_lines(name: str, source: str, width: int) -> None:
    own = SizeClass(id="own", names=(name or "own",), cuts_mm=((50.0, 75.0),), u_cut_mm=0.3, source=source or "own")
    text = classes_text((*CLASSES, own), width=width)
    assert text.replace("\n", "").isprintable()
    assert sum(line.startswith("own") for line in text.splitlines()) >= 1


def test_the_command_lists_the_classes_that_are_on(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["classes"]) == 0
    printed = capsys.readouterr()
    assert ids_listed(printed.out) == [c.id for c in enabled(CLASSES)]
    assert printed.err == ""


def test_the_command_lists_all_classes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["classes", "--all"]) == 0
    assert ids_listed(capsys.readouterr().out) == [c.id for c in CLASSES]


def test_the_command_adds_the_users_own_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.toml"
    file.write_text('disable = ["tarot"]\n[[class]]\nid = "map-tile"\ncuts_mm = [[75, 110]]\n', encoding="utf-8")
    assert main(["classes", "--classes", str(file)]) == 0
    listed = capsys.readouterr().out
    assert "map-tile" in listed
    assert "75 x 110" in listed
    assert "tarot" not in listed


def test_the_command_refuses_a_wrong_file_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.toml"
    file.write_text('[[class]]\nid = "map-tile"\ncuts_mm = [[-75, 110]]\n', encoding="utf-8")
    assert main(["classes", "--classes", str(file)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert "class 'map-tile': cuts_mm holds -75" in printed.err
