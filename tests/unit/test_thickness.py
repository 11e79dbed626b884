"""Thickness by class, shape, size and number: rules as written, files, and which rule holds for which piece."""

from __future__ import annotations

from pathlib import Path

import pytest

from cardmeasure.errors import UsageError
from cardmeasure.settings import Settings
from cardmeasure.thickness.reading import thickness_of_options, with_thickness, with_thickness_beside
from cardmeasure.thickness.rules import SeenPiece, ThicknessRule, parse_rule, rule_for

TILE = SeenPiece(number=3, shape="rectangle", size_mm=(44.9, 45.6), size_class=None)
BESIDE = Settings(uses_thickness_beside=True)


def rule(what: str, value: float) -> ThicknessRule:
    return ThicknessRule(what=what, thickness_mm=value)


def test_options_give_one_thickness_for_all_and_others_for_some() -> None:
    found = thickness_of_options(["0.31", "tarot=0.35", "circle=2.2±0.1", "45×45=2,5", "#3=2"])
    assert found.thickness_mm == 0.31
    assert found.rules == (
        rule("tarot", 0.35),
        ThicknessRule(what="circle", thickness_mm=2.2, u_thickness_mm=0.1),
        rule("45x45", 2.5),
        rule("#3", 2.0),
    )


@pytest.mark.parametrize("values", [["0.3", "0.4"], ["thick"], ["-1"], ["21"], ["=2"], ["#0=2"], ["a b=2"], ["tarot="]])
def test_what_is_no_thickness_is_refused(values: list[str]) -> None:
    with pytest.raises(UsageError, match="--thickness"):
        thickness_of_options(values)


def test_a_class_that_does_not_exist_is_refused_by_name() -> None:
    with pytest.raises(UsageError, match="no size class 'tarrot'"):
        with_thickness(Settings(), thickness_of_options(["tarrot=0.35"]))


@pytest.mark.parametrize(
    ("what", "holds"),
    [("#3", True), ("#4", False), ("45x45", True), ("46x45", True), ("48x45", False), ("rectangle", True),
     ("circle", False), ("tarot", False)],
)  # fmt: skip
def test_a_rule_holds_for_the_pieces_it_names(what: str, holds: bool) -> None:
    assert (rule_for(TILE, [rule(what, 2.0)]) is not None) is holds


def test_the_rule_that_names_a_piece_most_narrowly_goes_first() -> None:
    rules = [rule("#3", 1.0), rule("rectangle", 4.0), rule("45x45", 2.0)]
    found = [rule_for(TILE, rules[k:]) for k in range(3)]
    assert [one.thickness_mm for one in found if one] == [1.0, 2.0, 2.0]


def test_a_file_beside_the_photos_holds_for_its_folder_and_names_single_pieces_of_one_photo(tmp_path: Path) -> None:
    text = 'thickness_mm = 0.32\nu_thickness_mm = 0.02\n[pieces]\ncircle = "2.2±0.1"\n"table.jpg#3" = 2.0\n'
    (tmp_path / "thickness.toml").write_text(text, encoding="utf-8")
    one, other = (with_thickness_beside(BESIDE, tmp_path / name) for name in ("table.jpg", "chair.jpg"))
    assert (one.thickness_mm, one.u_thickness_mm) == (0.32, 0.02)
    assert [r.what for r in one.thickness_rules] == ["circle", "#3"]
    assert [r.what for r in other.thickness_rules] == ["circle"]
    assert with_thickness_beside(BESIDE, tmp_path / "deeper" / "table.jpg") == BESIDE
    assert with_thickness_beside(Settings(), tmp_path / "table.jpg") == Settings()


@pytest.mark.parametrize(
    "text",
    [
        "thickness_mm = ",
        "thick = 1",
        "thickness_mm = true",
        "thickness_mm = 40",
        "pieces = 3",
        "[pieces]\ncircle = [1]",
    ],
)
def test_a_wrong_file_is_refused_by_its_name(tmp_path: Path, text: str) -> None:
    path = tmp_path / "thickness.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=r"thickness\.toml"):
        with_thickness_beside(BESIDE, tmp_path / "table.jpg")


def test_a_rule_says_where_it_was_written() -> None:
    with pytest.raises(UsageError, match=r"^somewhere: "):
        parse_rule("circle", "wide", where="somewhere")
