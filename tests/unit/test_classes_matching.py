"""Matching a size to the classes: probabilities, the nearest class, and behaviour far from everything."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from size_model import covariance, joint

from cardmeasure.classes import SizeClass, enabled, match_size, match_sizes, standard_classes
from cardmeasure.classes.likelihood import cut_table, likelihoods
from cardmeasure.errors import UsageError
from cardmeasure.results import SizeMatch

CLASSES = standard_classes()
CUTS = [cut for size_class in enabled(CLASSES) for cut in size_class.cuts_mm]

sides = st.floats(20.0, 300.0)
u_values = st.floats(0.005, 3.0)
correlations = st.floats(-0.95, 0.95)
offsets = st.floats(-4.0, 4.0)
near_cuts = st.builds(lambda cut, dw, dh: (cut[0] + dw, cut[1] + dh), st.sampled_from(CUTS), offsets, offsets)
sizes = st.one_of(near_cuts, st.tuples(sides, sides))
quick = settings(deadline=None, max_examples=60)


def matched(
    size: tuple[float, float],
    u: float = 0.05,
    *,
    u_height: float | None = None,
    correlation: float = 0.0,
    classes: tuple[SizeClass, ...] = CLASSES,
) -> SizeMatch:
    u_height = u if u_height is None else u_height
    return match_size(*size, u_width_mm=u, u_height_mm=u_height, correlation=correlation, classes=classes)


def assert_same(a: SizeMatch, b: SizeMatch) -> None:
    """The same match but for rounding, and for the margin's accuracy, since the rays may fall otherwise."""
    assert (a.size_class, a.runner_up, a.nearest.size_class) == (b.size_class, b.runner_up, b.nearest.size_class)
    assert a.probability == pytest.approx(b.probability, rel=1e-9)
    assert a.margin_mm == pytest.approx(b.margin_mm, abs=0.01, rel=1e-3)
    assert (a.nearest.dw_mm, a.nearest.dh_mm) == pytest.approx((b.nearest.dw_mm, b.nearest.dh_mm), abs=1e-9)


def distance_mm(size: tuple[float, float], size_class: str) -> float:
    (found,) = (c for c in CLASSES if c.id == size_class)
    return min(math.dist(sorted(size), cut) for cut in found.cuts_mm)


@quick
@given(sizes, u_values, u_values, correlations)
def test_probability_and_answers_agree_with_the_model_written_out(
    size: tuple[float, float], u_width: float, u_height: float, correlation: float
) -> None:
    match = matched(size, u_width, u_height=u_height, correlation=correlation)
    spread = covariance(u_width, u_height, correlation)
    expected = joint(np.array([size]), covariance_mm2=spread, classes=CLASSES)[0]
    expected /= expected.sum()
    ids = [*(c.id for c in enabled(CLASSES)), None]
    assert match.probability == pytest.approx(expected.max(), rel=1e-9)
    assert expected[ids.index(match.size_class)] == pytest.approx(expected.max(), rel=1e-9)
    assert expected[ids.index(match.runner_up)] == pytest.approx(np.sort(expected)[-2], rel=1e-9, abs=1e-300)


@quick
@given(st.lists(st.tuples(sizes, st.tuples(u_values, u_values), correlations), max_size=4))
def test_many_sizes_are_matched_as_each_alone(pieces: list[tuple[Any, Any, float]]) -> None:
    found = match_sizes(*([piece[k] for piece in pieces] for k in range(3)), classes=CLASSES)
    assert len(found) == len(pieces)
    for match, (size, u, correlation) in zip(found, pieces, strict=True):
        assert_same(match, matched(size, u[0], u_height=u[1], correlation=correlation))


@quick
@given(sizes, u_values, u_values, correlations)
def test_probabilities_of_all_answers_add_up_to_one(
    size: tuple[float, float], u_width: float, u_height: float, correlation: float
) -> None:
    """The probability given is the share of the best answer in the sum over all of them."""
    spread = covariance(u_width, u_height, correlation)
    log_joint = likelihoods(np.array(sorted(size)), covariance_mm2=spread, cuts=cut_table(enabled(CLASSES))).log_joint()
    total = np.exp(log_joint - log_joint.max()).sum()
    match = matched((min(size), max(size)), u_width, u_height=u_height, correlation=correlation)
    assert match.probability * total == pytest.approx(1.0, rel=1e-12)
    assert 1.0 / len(log_joint) <= match.probability <= 1.0


@quick
@given(sizes, u_values, u_values, correlations)
def test_answer_and_runner_up_differ(
    size: tuple[float, float], u_width: float, u_height: float, correlation: float
) -> None:
    match = matched(size, u_width, u_height=u_height, correlation=correlation)
    assert match.size_class != match.runner_up


@quick
@given(sizes, u_values, u_values, correlations)
def test_turning_the_card_changes_nothing(
    size: tuple[float, float], u_width: float, u_height: float, correlation: float
) -> None:
    upright = matched(size, u_width, u_height=u_height, correlation=correlation)
    turned = matched(size[::-1], u_height, u_height=u_width, correlation=correlation)
    assert_same(turned, upright)


@quick
@given(sizes, st.floats(0.01, 1.0), st.floats(0.5, 2.0))
@example((60.0, 87.0), 0.01, 0.838061019977903)
def test_answer_does_not_depend_on_the_unit(size: tuple[float, float], u: float, factor: float) -> None:
    """Sizes, cuts and uncertainties in another unit give the same answer, probability and, in that unit, margin."""
    scaled = tuple(
        replace(c, cuts_mm=tuple((w * factor, h * factor) for w, h in c.cuts_mm), u_cut_mm=c.u_cut_mm * factor)
        for c in CLASSES
    )
    here = matched(size, u)
    assume(here.probability > 0.5 + 1e-6)
    away = sorted(np.hypot(*(np.sort(size) - np.sort(cut))) for c in enabled(CLASSES) for cut in c.cuts_mm)
    assume(away[1] - away[0] > 1e-6)  # of two that are equally near either may be named
    there = matched((size[0] * factor, size[1] * factor), u * factor, classes=scaled)
    assert (there.size_class, there.nearest.size_class) == (here.size_class, here.nearest.size_class)
    assert there.probability == pytest.approx(here.probability, rel=1e-6)
    assert there.nearest.dw_mm == pytest.approx(here.nearest.dw_mm * factor, abs=1e-9)
    if here.margin_mm < 400.0:
        assert there.margin_mm == pytest.approx(here.margin_mm * factor, abs=0.01, rel=2e-3)


@quick
@given(sizes)
def test_nearest_class_is_named_with_signed_distances(size: tuple[float, float]) -> None:
    nearest = matched(size).nearest
    distance = math.hypot(nearest.dw_mm, nearest.dh_mm)
    assert distance == pytest.approx(distance_mm(size, nearest.size_class), abs=1e-9)
    assert distance == pytest.approx(min(distance_mm(size, c.id) for c in enabled(CLASSES)), abs=1e-9)
    cut = (min(size) - nearest.dw_mm, max(size) - nearest.dh_mm)
    assert any(cut == pytest.approx(known, abs=1e-9) for known in CUTS)


def test_distances_are_measured_minus_nominal() -> None:
    nearest = matched((63.4, 87.7)).nearest
    assert nearest.size_class == "poker"
    assert (round(nearest.dw_mm, 6), round(nearest.dh_mm, 6)) == (0.4, -0.3)


@quick
@given(sizes, st.floats(0.005, 50.0))
def test_a_size_five_millimetres_off_is_never_surely_of_a_class(size: tuple[float, float], u: float) -> None:
    """Whatever u: a small one rules the class out, a large one makes others as likely.

    At d = 5 mm the odds of one class among 11 against odd are greatest where u^2 = d^2 / 2, and then 0.018 w h / d^2
    (twice that for a square): 10 to 1 at most.
    """
    match = matched(size, u)
    if match.size_class is not None and distance_mm(size, match.nearest.size_class) >= 5.0:
        assert match.probability < 0.95


@quick
@given(st.sampled_from(CUTS), st.floats(0.08, 0.5))
def test_a_wide_u_spreads_the_probability(cut: tuple[float, float], relative_u: float) -> None:
    """With u 8 % of the size a lone class among 11 is 3.9 times as probable as odd (0.5 / 11 / (2 pi u^2) against
    1 / (w h ln(6.4)^2)), a square one twice that: 0.887 at most, and less beside other classes."""
    u = relative_u * math.sqrt(cut[0] * cut[1])
    assert len(enabled(CLASSES)) == 11
    assert matched(cut, u).probability < 0.887 < 0.98 < matched(cut, 0.05).probability


@quick
@given(st.sampled_from(CUTS), st.floats(0.01, 0.25))
def test_small_u_knows_every_cut(cut: tuple[float, float], u: float) -> None:
    match = matched(cut, u)
    assert match.size_class == matched(cut, 0.01).size_class is not None
    assert match.probability > 0.95


@pytest.mark.parametrize("u", [0.005, 0.05, 0.5, 5.0])
@pytest.mark.parametrize(
    "size", [(1.0, 1.0), (0.001, 0.002), (1.0, 900.0), (900.0, 900.0), (1e6, 2e6), (5.0, 5.0), (300.0, 400.0)]
)
def test_absurd_sizes_are_odd(size: tuple[float, float], u: float) -> None:
    match = matched(size, u)
    assert match.size_class is None
    assert 0.999 < match.probability <= 1.0
    assert match.runner_up is not None
    assert 30.0 < match.margin_mm <= 1000.0


@pytest.mark.parametrize("u", [100.0, 1e4, 1e8])
def test_an_absurd_u_gives_no_sure_class(u: float) -> None:
    match = matched((63.0, 88.0), u)
    assert match.size_class is None or match.probability < 0.5
    assert 0.0 <= match.margin_mm <= 1000.0


@quick
@given(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5), st.floats(0.01, 0.4), st.floats(0.01, 0.4))
@example(0.02, -0.01, 0.05, 0.05)
def test_a_square_card_is_the_same_either_way(dw: float, dh: float, u_width: float, u_height: float) -> None:
    """Which side is the shorter one by a hair must not matter: the answer is even in the difference of the sides."""
    size = (70.0 + dw, 70.0 + dh)
    match = matched(size, u_width, u_height=u_height)
    assert_same(match, matched(size[::-1], u_height, u_height=u_width))
    assert match.nearest.size_class == "square-70"


def test_probability_has_no_step_at_the_diagonal() -> None:
    below = matched((70.0, 70.0 + 1e-9), 0.1, u_height=0.3)
    above = matched((70.0, 70.0 - 1e-9), 0.1, u_height=0.3)
    assert below.probability == pytest.approx(above.probability, abs=1e-9)


def test_densities_are_densities() -> None:
    """Over all sorted sizes each class integrates to its prior, so neither more cuts nor a square cut favours it."""
    choices = tuple(c for c in enabled(CLASSES) if c.id in {"square-70", "poker", "mini-european"})
    spread, cuts, step = covariance(0.2, 0.3, 0.5), cut_table(choices), 0.2
    for index, size_class in enumerate(choices):
        w, h = size_class.cuts_mm[0]
        total = 0.0
        for width in np.arange(w - 3.0, w + 4.0, step):
            for height in np.arange(h - 3.0, h + 4.0, step):
                share = 1.0 if width < height - 1e-9 else 0.5 if width < height + 1e-9 else 0.0
                field = likelihoods(np.array([width, height]), covariance_mm2=spread, cuts=cuts)
                total += share * float(np.exp(field.log_joint()[index])) * step**2
        assert total == pytest.approx(0.5 / len(choices), rel=1e-3), size_class.id


def test_poker_and_its_metric_cut_are_one_answer() -> None:
    """63.2 x 88.4 lies between the two, and is poker without doubt."""
    match = matched((63.2, 88.4))
    assert (match.size_class, match.runner_up) == ("poker", None)
    assert match.probability > 0.99


def test_a_size_between_two_classes_is_unclear_and_names_both() -> None:
    """Half way between bridge (57.15 x 88.9) and standard European (59 x 91), measured badly."""
    match = matched((58.1, 89.95), 0.8)
    assert {match.size_class, match.runner_up} == {"bridge", "standard-european"}
    assert match.probability < 0.95


def test_an_odd_size_names_a_class_as_runner_up_and_nearest() -> None:
    match = matched((66.0, 96.5))
    assert (match.size_class, match.runner_up, match.nearest.size_class) == (None, "poker", "poker")
    assert match.probability > 0.999


def test_classes_that_are_off_have_no_say() -> None:
    """ISO B8 lies a millimetre from poker; the answer is poker as long as B8 is off, and B8 beside it once it is on."""
    with_b8 = tuple(replace(c, is_on=True) if c.id == "iso-b8" else c for c in CLASSES)
    off, on = matched((62.0, 88.0)), matched((62.0, 88.0), classes=with_b8)
    assert (off.size_class, off.nearest.size_class) == ("poker", "poker")
    assert (on.size_class, on.nearest.size_class) == ("iso-b8", "iso-b8")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("width_mm", 0.0),
        ("width_mm", -63.0),
        ("width_mm", math.nan),
        ("height_mm", math.inf),
        ("u_width_mm", -0.1),
        ("u_width_mm", math.nan),
        ("u_height_mm", math.inf),
        ("correlation", 1.1),
        ("correlation", math.nan),
    ],
)
def test_a_value_that_no_measurement_has_is_named(name: str, value: float) -> None:
    good = {"width_mm": 63.0, "height_mm": 88.0, "u_width_mm": 0.1, "u_height_mm": 0.1, "correlation": 0.0}
    values = good | {name: value}
    with pytest.raises(UsageError, match=f"{name} is {value:g}"):
        match_size(
            values["width_mm"],
            values["height_mm"],
            u_width_mm=values["u_width_mm"],
            u_height_mm=values["u_height_mm"],
            correlation=values["correlation"],
            classes=CLASSES,
        )


def test_a_table_with_nothing_on_is_refused() -> None:
    with pytest.raises(UsageError, match="no class that is on"):
        matched((63.0, 88.0), classes=tuple(replace(c, is_on=False) for c in CLASSES))


def test_a_table_with_an_id_twice_is_refused() -> None:
    with pytest.raises(UsageError, match="same id twice"):
        matched((63.0, 88.0), classes=(*CLASSES, *CLASSES))


@pytest.mark.parametrize("correlation", [-1.0, 1.0])
def test_u_of_zero_and_full_correlation_are_allowed(correlation: float) -> None:
    assert matched((63.0, 88.0), 0.0, correlation=correlation).size_class == "poker"
    assert matched((63.0, 88.0), 0.5, correlation=correlation).size_class == "poker"


@quick
@given(sizes, st.floats(0.01, 1.0))
def test_a_lone_class_competes_with_odd_alone(size: tuple[float, float], u: float) -> None:
    (poker,) = (c for c in CLASSES if c.id == "poker")
    match = matched(size, u, classes=(poker,))
    assert {match.size_class, match.runner_up} == {"poker", None}
    assert match.probability >= 0.5
