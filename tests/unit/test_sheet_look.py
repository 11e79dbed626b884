"""The predicted look of a sheet, and the table made even behind the sides of cards on it."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from cardmeasure.edges.backdrop import both_kinds, by_kind
from cardmeasure.reference.sheet import DARK, LIGHT, SHEETS
from cardmeasure.reference.sheet_levels import FLOOR
from cardmeasure.reference.sheet_look import STEP_PX, SheetLook

Floats = NDArray[np.float64]

CONTRAST = np.array([0.7, 0.8, 0.9])


def _look() -> SheetLook:
    """A sheet seen straight from above at 8 px/mm, its middle at pixel (400, 300), lit brighter to the right."""
    h, w = 40, 54
    x, y = np.meshgrid(np.arange(w) * float(STEP_PX), np.arange(h) * float(STEP_PX))
    light = np.stack([-1.5 + 1e-3 * x, -1.4 + 1e-3 * x, -1.6 + 1e-3 * x], axis=2)
    nodes = np.concatenate([np.stack([(x - 400) / 8, (y - 300) / 8], axis=2), light], axis=2)
    return SheetLook(
        design=SHEETS["a4"], nodes=nodes, contrast=CONTRAST, white=0.8, black=-1.6, blur_mm=0.1,
    )  # fmt: skip


def test_cells_are_predicted_where_the_design_has_them_and_half_and_half_where_they_meet() -> None:
    look, design = _look(), SHEETS["a4"]
    rng = np.random.default_rng(1)
    mm = rng.uniform(-60, 60, (4000, 2))
    around = [design.kind_at(mm + 0.5 * np.array(way)) for way in ((1, 0), (-1, 0), (0, 1), (0, -1))]
    kind = design.kind_at(mm)
    inside = np.all([kind == other for other in around], axis=0)
    share = look.share(mm)
    assert share[inside & (kind == LIGHT)].min() > 0.999
    assert share[inside & (kind == DARK)].max() < 1e-3
    np.testing.assert_allclose(look.share(design.saddles_mm), 0.5, atol=1e-6)


def test_light_is_that_of_the_cells_by_colour() -> None:
    look = _look()
    mm, half_way = look.at(np.array([[400.0, 300.0], [407.3, 291.5]]))
    np.testing.assert_allclose(mm, [[0, 0], [7.3 / 8, -8.5 / 8]], atol=1e-9)
    light, dark = look.light_of(LIGHT, half_way), look.light_of(DARK, half_way)
    np.testing.assert_allclose(np.log(light + FLOOR) - np.log(dark + FLOOR), [CONTRAST, CONTRAST])
    np.testing.assert_allclose(half_way[1], half_way[0] + 7.3e-3)


def test_a_raster_holds_the_same_as_its_pixels_one_by_one() -> None:
    look, rng = _look(), np.random.default_rng(2)
    x, y = np.sort(rng.uniform(0, 800, 7)), np.sort(rng.uniform(0, 600, 5))
    grid = np.array([(a, b) for b in y for a in x])
    both = look.on_raster(x, y).reshape(-1, 5)
    np.testing.assert_allclose(both, np.concatenate(look.at(grid), axis=1), atol=1e-9)


@given(data=st.data(), lines=st.integers(1, 30))
def test_means_over_a_group_of_lines_are_those_over_each_kind_of_cell(data: st.DataObject, lines: int) -> None:
    """Where a group has one kind only, all its colours are that; `both_kinds` tells these groups."""
    light = data.draw(hnp.arrays(np.float64, (lines, 3), elements=st.floats(0.01, 1.0)))
    better = data.draw(hnp.arrays(np.bool_, lines))
    group = np.sort(data.draw(hnp.arrays(np.intp, lines, elements=st.integers(0, 3))))
    colours = by_kind(light, better, group).reshape(lines, 3, 3)
    for one in np.unique(group):
        mine = group == one
        mean = colours[mine].mean(axis=0)
        for column, kind in ((0, ~better), (1, better), (2, better)):
            of_kind = mine & kind if (mine & kind).any() else mine
            np.testing.assert_allclose(mean[:, column], light[of_kind].mean(axis=0))
        if not ((mine & better).any() and (mine & ~better).any()):
            assert not both_kinds(mean[None]).any()
