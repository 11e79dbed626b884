"""The user's own file of size classes: what it can say, and one sentence for every mistake in it."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cardmeasure.classes import SizeClass, enabled, match_size, read_classes, standard_classes
from cardmeasure.errors import UsageError

WHOLE = """
enable = ["iso-a7"]
disable = ["tarot", "domino"]

[[class]]
id = "map-tile"
names = ["map tile", "landscape"]
cuts_mm = [[110, 75.5], [75, 110]]
limits_mm = 0.6
source = "the print shop's order"

[[class]]
id = "token-card"
cuts_mm = [[30.0, 45.0]]
on = false
"""


@pytest.fixture
def written(tmp_path: Path) -> Path:
    return tmp_path / "classes.toml"


def by_id(classes: tuple[SizeClass, ...]) -> dict[str, SizeClass]:
    return {size_class.id: size_class for size_class in classes}


def test_own_classes_stand_behind_the_standard_ones(written: Path) -> None:
    written.write_text(WHOLE, encoding="utf-8")
    classes = read_classes(written)
    assert [c.id for c in classes] == [*(c.id for c in standard_classes()), "map-tile", "token-card"]


def test_everything_that_a_class_can_say_is_read(written: Path) -> None:
    written.write_text(WHOLE, encoding="utf-8")
    tile = by_id(read_classes(written))["map-tile"]
    assert tile == SizeClass(
        id="map-tile",
        names=("map tile", "landscape"),
        cuts_mm=((75.5, 110.0), (75.0, 110.0)),
        u_cut_mm=0.6 / math.sqrt(3.0),
        source="the print shop's order",
        is_on=True,
    )


def test_what_a_class_leaves_out_has_a_default(written: Path) -> None:
    written.write_text(WHOLE, encoding="utf-8")
    token = by_id(read_classes(written))["token-card"]
    assert (token.names, token.u_cut_mm, token.source, token.is_on) == (("token-card",), 0.3, "the user's own", False)


def test_standard_classes_can_be_switched(written: Path) -> None:
    written.write_text(WHOLE, encoding="utf-8")
    on = {c.id for c in enabled(read_classes(written))}
    assert on == {c.id for c in enabled(standard_classes())} - {"tarot", "domino"} | {"iso-a7", "map-tile"}


def test_reading_a_file_leaves_the_standard_table_as_it_was(written: Path) -> None:
    before = standard_classes()
    written.write_text(WHOLE, encoding="utf-8")
    read_classes(written)
    assert standard_classes() == before


def test_sizes_are_matched_to_own_classes(written: Path) -> None:
    written.write_text(WHOLE, encoding="utf-8")
    match = match_size(75.1, 110.0, u_width_mm=0.05, u_height_mm=0.05, correlation=0.0, classes=read_classes(written))
    assert match.size_class == "map-tile"


def test_a_standard_class_can_be_replaced_by_disabling_it(written: Path) -> None:
    written.write_text('disable = ["poker"]\n[[class]]\nid = "mine"\ncuts_mm = [[63, 88]]\n', encoding="utf-8")
    match = match_size(63.0, 88.0, u_width_mm=0.05, u_height_mm=0.05, correlation=0.0, classes=read_classes(written))
    assert match.size_class == "mine"


def test_an_empty_file_gives_the_standard_classes(written: Path) -> None:
    written.write_bytes(b"")
    assert read_classes(written) == standard_classes()


def test_a_byte_order_mark_is_no_obstacle(written: Path) -> None:
    written.write_bytes(b"\xef\xbb\xbf" + WHOLE.encode())
    assert "map-tile" in by_id(read_classes(written))


def a_class(**lines: str) -> str:
    """A class that is right but for the keys given, as TOML; an empty value leaves the key out."""
    keys = {"id": '"mine"', "cuts_mm": "[[50.0, 75.0]]"} | lines
    return "[[class]]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items() if value)


MISTAKES = {
    "not TOML": ("id = poker", "is not valid TOML"),
    "cut short": ("[[class]", "is not valid TOML"),
    "key twice": (a_class() + 'id = "mine"\n', "is not valid TOML"),
    "number of 5000 digits": (a_class(u_cut_mm="1" * 5000), "is not valid TOML"),
    "unknown key at the top": ("colour = 1\n" + a_class(), "unknown key 'colour'"),
    "unknown key of a class": (a_class(colour='"red"'), "class 'mine': unknown key 'colour'"),
    "class not a table": ("class = 3", r"class must be written as \[\[class\]\] tables"),
    "class a single table": ("[class]\nid = 'mine'", r"class must be written as \[\[class\]\] tables"),
    "no id": (a_class(id=""), "class 1: id is missing"),
    "id not text": (a_class(id="7"), "id must be lower-case letters"),
    "id with blanks": (a_class(id='"my size"'), "id must be lower-case letters"),
    "id in capitals": (a_class(id='"Mine"'), "id must be lower-case letters"),
    "id too long": (a_class(id='"' + "a" * 41 + '"'), "id must be lower-case letters"),
    "id reserved": (a_class(id='"odd"'), "'odd' has a meaning of its own"),
    "id used twice": (a_class() + a_class(cuts_mm="[[20, 30]]"), "class 'mine': id is used twice"),
    "id of a standard class": (a_class(id='"poker"'), "class 'poker': id is that of a standard class"),
    "names empty": (a_class(names="[]"), "names is empty"),
    "names not a list": (a_class(names='"mine"'), "names is 'mine'"),
    "name blank": (a_class(names='[" "]'), "names is"),
    "name with a line break": (a_class(names='["a\\nb"]'), "names is"),
    "name that moves the cursor": (a_class(names='["a\\u001b[2Jb"]'), "names is"),
    "no cuts": (a_class(cuts_mm=""), "cuts_mm is missing"),
    "cuts empty": (a_class(cuts_mm="[]"), "cuts_mm is"),
    "cuts not nested": (a_class(cuts_mm="[63, 88]"), "cuts_mm is"),
    "cut of three sides": (a_class(cuts_mm="[[63, 88, 1]]"), "cuts_mm is"),
    "cut not a number": (a_class(cuts_mm='[["63", 88]]'), "cuts_mm holds '63'"),
    "cut true": (a_class(cuts_mm="[[true, 88]]"), "cuts_mm holds True"),
    "cut negative": (a_class(cuts_mm="[[-50.0, 88]]"), "cuts_mm holds -50"),
    "cut zero": (a_class(cuts_mm="[[0, 88]]"), "cuts_mm holds 0"),
    "cut too large": (a_class(cuts_mm="[[63, 88000]]"), "cuts_mm holds 88000; it must be a number from 5 to 1000 mm"),
    "cut not a finite number": (a_class(cuts_mm="[[nan, inf]]"), "cuts_mm holds nan"),
    "cut twice": (a_class(cuts_mm="[[50, 75], [75, 50]]"), "cuts_mm holds the same cut twice"),
    "u of zero": (a_class(u_cut_mm="0"), "u_cut_mm holds 0"),
    "u negative": (a_class(u_cut_mm="-0.1"), "u_cut_mm holds -0.1"),
    "u not a number": (a_class(u_cut_mm='"small"'), "u_cut_mm holds 'small'"),
    "limits too wide": (a_class(limits_mm="11"), "limits_mm holds 11"),
    "u and limits": (a_class(u_cut_mm="0.3", limits_mm="0.5"), "keep one of them"),
    "source not text": (a_class(source="1"), "source is 1"),
    "on not true or false": (a_class(on='"yes"'), "on is 'yes'"),
    "enable not a list": ('enable = "tarot"', "enable is 'tarot'"),
    "enable unknown": ('enable = ["nosuch"]', "enable names 'nosuch'"),
    "disable own class": ('disable = ["mine"]\n' + a_class(), "disable names 'mine'"),
    "enabled and disabled": ('enable = ["iso-b8"]\ndisable = ["iso-b8"]', "both enable and disable"),
    "cut of a standard class": (a_class(cuts_mm="[[50, 75], [88.05, 63]]"), "holds 63 x 88.05, .* class 'poker'"),
    "cut of another own class": (a_class() + a_class(id='"yours"'), "class 'yours': cuts_mm .* class 'mine'"),
    "all disabled": (
        f"disable = [{', '.join(repr(c.id) for c in enabled(standard_classes()))}]",
        "disable leaves no class on",
    ),
}


@pytest.mark.parametrize(("content", "words"), MISTAKES.values(), ids=MISTAKES)
def test_every_mistake_is_named_with_file_and_key(written: Path, content: str, words: str) -> None:
    written.write_text(content, encoding="utf-8")
    with pytest.raises(UsageError, match=words) as caught:
        read_classes(written)
    message = str(caught.value)
    assert message.startswith(f"{written}: ")
    assert len(message) < len(str(written)) + 250
    assert message.endswith(".")


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"\xff\xfe[\x00", "is not a text file"), (b"#" * 1_000_001, "too large for a table of size classes")],
    ids=["not UTF-8", "too large"],
)
def test_what_is_no_table_of_classes_is_refused(written: Path, content: bytes, words: str) -> None:
    written.write_bytes(content)
    with pytest.raises(UsageError, match=words):
        read_classes(written)


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"nosuch\.toml: the size classes cannot be read"):
        read_classes(tmp_path / "nosuch.toml")


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="the size classes cannot be read"):
        read_classes(tmp_path)


values = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-200, 200),
        st.floats(-200, 200),
        st.sampled_from(["nan", "inf", "-inf", "1979-05-27", '"poker"', '"mine"', '""']),
    ).map(lambda value: str(value).lower()),
    lambda inner: st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
    max_leaves=4,
)
keys = st.sampled_from(["id", "names", "cuts_mm", "u_cut_mm", "limits_mm", "source", "on", "other"])
tables = st.dictionaries(keys, values, max_size=5).map(
    lambda table: "[[class]]\n" + "".join(f"{key} = {value}\n" for key, value in table.items())
)
tops = st.dictionaries(st.sampled_from(["enable", "disable", "other"]), values, max_size=2).map(
    lambda table: "".join(f"{key} = {value}\n" for key, value in table.items())
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.one_of(st.tuples(tops, st.lists(tables, max_size=3)).map(lambda t: t[0] + "".join(t[1])), st.text()))
def test_any_file_gives_a_usable_table_or_a_usage_error(written: Path, content: str) -> None:
    written.write_text(content, encoding="utf-8", errors="replace")
    try:
        classes = read_classes(written)
    except UsageError as error:
        assert str(written) in str(error)
    else:
        match = match_size(60.0, 90.0, u_width_mm=0.1, u_height_mm=0.1, correlation=0.0, classes=classes)
        assert 0.0 < match.probability <= 1.0
