"""A card lies on others where what shows beside it is like it, and not where the table shows all round."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from cardmeasure.edges.looks import FACE, PARAMETERS, TABLE
from cardmeasure.outlines.pieces import Outline
from cardmeasure.outlines.regions import RAISED_MM
from cardmeasure.shapes.lying import as_they_lie
from cardmeasure.solving import Solution

CORNERS = np.array([[0.0, 0.0], [63.0, 0.0], [63.0, 88.0], [0.0, 88.0]])


def solved(on_table: list[bool], outside: list[float]) -> Solution:
    """One card with a face of light 0.6, and so much light outside its sides."""
    looks = np.zeros((4, PARAMETERS))
    looks[:, FACE], looks[:, TABLE] = 0.6, np.array(outside)[:, None]
    sides = SimpleNamespace(looks=SimpleNamespace(parameters=looks))
    edges = SimpleNamespace(on_table=np.array([on_table]), known=SimpleNamespace(sides=sides))
    return cast(Solution, SimpleNamespace(edges=edges, card_of=np.array([0])))


def height(on_table: list[bool], outside: list[float], **more: Any) -> float:
    outline = Outline(**{"corners_mm": CORNERS, "flags": (), "contour_mm": CORNERS, "exact": True, **more})
    return as_they_lie((outline,), solved(on_table, outside))[0].raised_mm


def test_beside_the_top_of_a_fan_cards_like_it_show() -> None:
    assert height([True, True, False, False], [0.1, 0.1, 0.55, 0.5]) == RAISED_MM


@pytest.mark.parametrize(
    ("on_table", "outside"),
    [
        ([True] * 4, [0.1] * 4),
        ([True, True, False, False], [0.1, 0.1, 0.55, 0.2]),  # a pattern of the table
        ([False] * 4, [0.6] * 4),  # a picture within a border
    ],
    ids=["table", "pattern", "picture"],
)
def test_what_shows_elsewhere_raises_nothing(on_table: list[bool], outside: list[float]) -> None:
    assert height(on_table, outside) == 0.0


def test_where_the_table_shows_all_round_a_region_around_it_was_a_shadow() -> None:
    assert height([True] * 4, [0.1] * 4, raised_mm=RAISED_MM, u_raised_mm=0.4) == 0.0
    assert height([True, False, True, True], [0.1, 0.3, 0.1, 0.1], raised_mm=RAISED_MM) == RAISED_MM


@pytest.mark.parametrize("other", [{"exact": False}, {"flags": ("touching",)}, {"joined": (True, False, False, False)}])
def test_only_cards_found_by_their_edges_that_none_touches_are_asked(other: dict[str, Any]) -> None:
    assert height([True, True, False, False], [0.1, 0.1, 0.55, 0.5], **other) == 0.0
