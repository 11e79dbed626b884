"""The table of size classes that comes with cardmeasure."""

from __future__ import annotations

import math
import subprocess
import sys
from itertools import combinations

import pytest

from cardmeasure.classes import COMMON_PRACTICE, SizeClass, enabled, match_size, standard_classes
from cardmeasure.errors import UsageError

ON = {
    "poker",
    "bridge",
    "mini-american",
    "mini-european",
    "standard-european",
    "tarot",
    "domino",
    "square-70",
    "square-80",
    "large-103x128",
    "id-1",
}


def test_the_classes_of_games_and_id_1_are_on_and_no_other() -> None:
    assert {size_class.id for size_class in enabled(standard_classes())} == ON


def test_ids_and_names_are_unique() -> None:
    classes = standard_classes()
    names = [name for size_class in classes for name in size_class.names]
    assert len({size_class.id for size_class in classes}) == len(classes)
    assert len(set(names)) == len(names)


@pytest.mark.parametrize(
    ("size_class", "cuts"),
    [
        # common practice, no source
        ("poker", [(63.0, 88.0), (63.5, 88.9), (64.0, 89.0)]),
        ("bridge", [(57.0, 88.0), (57.0, 89.0), (57.15, 88.9), (56.0, 88.0), (56.0, 87.0)]),
        ("mini-american", [(41.0, 63.0)]),
        ("mini-european", [(44.0, 68.0)]),
        ("standard-european", [(59.0, 92.0)]),
        ("tarot", [(70.0, 120.0)]),
        ("square-70", [(70.0, 70.0)]),
        ("square-80", [(80.0, 80.0)]),
        ("large-103x128", [(103.0, 128.0)]),
    ],
)
def test_classes_hold_the_trades_cuts(size_class: str, cuts: list[tuple[float, float]]) -> None:
    (found,) = (c for c in standard_classes() if c.id == size_class)
    assert set(cuts) <= set(found.cuts_mm)
    assert found.source == COMMON_PRACTICE


def test_cuts_of_one_class_lie_together() -> None:
    """A class is one group: from each of its cuts the next is no further than 1.3 mm away."""
    for size_class in standard_classes():
        reached, left = [size_class.cuts_mm[0]], list(size_class.cuts_mm[1:])
        while left:
            near = [cut for cut in left if min(math.dist(cut, other) for other in reached) <= 1.3]
            assert near, f"{size_class.id}: {left} lie apart"
            reached += near
            left = [cut for cut in left if cut not in near]


def test_classes_that_are_on_lie_two_millimetres_apart() -> None:
    for a, b in combinations(enabled(standard_classes()), 2):
        assert min(math.dist(p, q) for p in a.cuts_mm for q in b.cuts_mm) > 2.0, (a.id, b.id)


@pytest.mark.parametrize("size_class", enabled(standard_classes()), ids=lambda size_class: size_class.id)
def test_every_cut_is_known_for_its_class(size_class: SizeClass) -> None:
    for width, height in size_class.cuts_mm:
        match = match_size(
            width, height, u_width_mm=0.04, u_height_mm=0.05, correlation=0.6, classes=standard_classes()
        )
        assert match.size_class == size_class.id
        assert match.probability > 0.98
        assert match.margin_mm > 0.5


def test_importing_the_classes_is_cheap() -> None:
    """No library beside numpy is loaded, so that the command line starts at once."""
    code = "import sys, cardmeasure.classes; print(*sorted({m.split('.')[0] for m in sys.modules}))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert "numpy" in loaded
    assert not {"scipy", "cv2", "skimage", "PIL", "reportlab", "typer"} & set(loaded)


def test_a_class_that_no_size_can_be_matched_to_is_refused() -> None:
    for cuts, u in (((), 0.3), (((88.0, 63.0),), 0.3), (((0.0, 63.0),), 0.3), (((63.0, 88.0),), 0.0)):
        with pytest.raises(UsageError, match="'mine'"):
            SizeClass(id="mine", names=("mine",), cuts_mm=cuts, u_cut_mm=u)
