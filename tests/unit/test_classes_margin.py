"""The margin: how far a measurement can move before the answer changes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from size_model import answers, covariance

from cardmeasure.classes import SizeClass, enabled, match_size, standard_classes
from cardmeasure.classes.likelihood import cut_table, likelihoods
from cardmeasure.classes.margin import MARGIN_LIMIT_MM, Change, nearest_changes

Floats = NDArray[np.float64]

CLASSES = standard_classes()
CHOICES = enabled(CLASSES)
CUTS = [cut for size_class in CHOICES for cut in size_class.cuts_mm]
DIRECTIONS = np.linspace(0.0, 2.0 * math.pi, 120, endpoint=False)
ACCURACY_MM = 0.01

offsets = st.floats(-4.0, 4.0)
near_cuts = st.builds(lambda cut, dw, dh: (cut[0] + dw, cut[1] + dh), st.sampled_from(CUTS), offsets, offsets)
sizes = st.one_of(near_cuts, st.tuples(st.floats(25.0, 160.0), st.floats(25.0, 160.0)))
u_values = st.one_of(st.floats(0.01, 0.3), st.floats(0.3, 1.5))
ratios = st.floats(0.5, 2.0)
correlations = st.floats(-0.9, 0.9)


def change_of(size: tuple[float, float], spread: Floats, *, answer: str | None) -> Change:
    ids = [*(c.id for c in CHOICES), None]
    field = likelihoods(np.array([size]), covariance_mm2=spread[None], cuts=cut_table(CHOICES))
    (change,) = nearest_changes(field, answers=np.array([ids.index(answer)]))
    return change


def moved(size: tuple[float, float], *, directions: Floats, distances: Floats) -> Floats:
    steps = np.stack([np.outer(np.cos(directions), distances), np.outer(np.sin(directions), distances)], axis=-1)
    return np.asarray(np.array(size) + steps.reshape(-1, 2))


@settings(deadline=None, max_examples=50)
@given(sizes, u_values, ratios, correlations)
def test_moving_by_less_than_the_margin_never_changes_the_answer(
    size: tuple[float, float], u_width: float, ratio: float, correlation: float
) -> None:
    """In 120 directions at 10 distances each, by the model written out."""
    spread = covariance(u_width, u_width * ratio, correlation)
    (answer,) = answers(np.array([size]), covariance_mm2=spread, classes=CLASSES)
    margin = change_of(size, spread, answer=answer).distance_mm
    assume(margin > ACCURACY_MM)
    distances = (margin - ACCURACY_MM) * np.linspace(0.0, 1.0, 11)[1:]
    around = moved(size, directions=DIRECTIONS, distances=distances)
    assert set(answers(around, covariance_mm2=spread, classes=CLASSES)) == {answer}


@settings(deadline=None, max_examples=50)
@given(sizes, u_values, ratios, correlations)
def test_moving_a_little_further_in_the_found_direction_changes_the_answer(
    size: tuple[float, float], u_width: float, ratio: float, correlation: float
) -> None:
    spread = covariance(u_width, u_width * ratio, correlation)
    (answer,) = answers(np.array([size]), covariance_mm2=spread, classes=CLASSES)
    change = change_of(size, spread, answer=answer)
    assert change.distance_mm < MARGIN_LIMIT_MM
    beyond = moved(
        size, directions=np.array([change.direction_rad]), distances=np.array([change.distance_mm + ACCURACY_MM])
    )
    assert answers(beyond, covariance_mm2=spread, classes=CLASSES) != [answer]


@settings(deadline=None, max_examples=50)
@given(sizes, u_values, ratios, correlations, st.floats(0.0, 2.0 * math.pi), st.floats(0.0, 1.0))
def test_matching_the_moved_measurement_gives_the_same_class(
    size: tuple[float, float], u_width: float, ratio: float, correlation: float, direction: float, share: float
) -> None:
    """The same through the public function, which turns a card that has become wider than high."""

    def matched(width: float, height: float) -> str | None:
        return match_size(
            width, height, u_width_mm=u_width, u_height_mm=u_width * ratio, correlation=correlation, classes=CLASSES
        ).size_class

    here = match_size(*size, u_width_mm=u_width, u_height_mm=u_width * ratio, correlation=correlation, classes=CLASSES)
    step = max(0.0, share * here.margin_mm - ACCURACY_MM)
    there = (size[0] + step * math.cos(direction), size[1] + step * math.sin(direction))
    assume(min(there) > 1.0)
    assert matched(*there) == here.size_class


@pytest.mark.parametrize("u", [0.01, 0.05, 0.3, 1.0])
@pytest.mark.parametrize("size", [(63.0, 88.0), (57.0, 88.4), (44.2, 67.9), (85.7, 53.9), (70.0, 70.2), (66.0, 96.5)])
def test_margin_is_the_shortest_way_found_by_bisection(size: tuple[float, float], u: float) -> None:
    """Against 120 directions in 30 steps each, then ten more about each of the best, and bisection."""
    size = (min(size), max(size))
    spread = covariance(u, 1.3 * u, 0.4)
    (answer,) = answers(np.array([size]), covariance_mm2=spread, classes=CLASSES)
    margin = match_size(*size, u_width_mm=u, u_height_mm=1.3 * u, correlation=0.4, classes=CLASSES).margin_mm
    assert margin == pytest.approx(
        _by_bisection(size, spread, answer=answer, reach=2.0 * margin + 0.1), abs=ACCURACY_MM
    )


def _by_bisection(size: tuple[float, float], spread: Floats, *, answer: str | None, reach: float) -> float:
    directions, low, high = DIRECTIONS, 0.0, reach
    for opening in (2.0 * math.pi / len(DIRECTIONS), 0.2 * math.pi / len(DIRECTIONS)):
        distances = np.linspace(low, high, 31)
        there = moved(size, directions=directions, distances=distances)
        found = answers(there, covariance_mm2=spread, classes=CLASSES)
        changed = np.array([other != answer for other in found]).reshape(len(directions), -1)
        first = int(changed.any(axis=0).argmax())
        low, high = float(distances[max(first - 2, 0)]), float(distances[first])
        directions = (directions[changed[:, first], None] + opening * np.linspace(-1.0, 1.0, 11)).ravel()
    low = 0.0
    for _ in range(16):
        middle = 0.5 * (low + high)
        there = moved(size, directions=directions, distances=np.array([middle]))
        same = set(answers(there, covariance_mm2=spread, classes=CLASSES)) == {answer}
        low, high = (middle, high) if same else (low, middle)
    return high


def test_margin_of_a_lone_round_class_is_known_in_closed_form() -> None:
    """One cut, equal u, no correlation: odd takes over where the Gaussian meets the (nearly level) density of odd."""
    lone = (SizeClass(id="lone", names=("lone",), cuts_mm=((60.0, 100.0),), u_cut_mm=0.3),)
    variance = 0.3**2 + 0.04**2
    peak = 0.5 / (2.0 * math.pi * variance)
    odd = 0.5 * 2.0 / (math.log(160.0 / 25.0) ** 2 * 60.0 * 100.0)
    expected = math.sqrt(2.0 * variance * math.log(peak / odd))
    match = match_size(60.0, 100.0, u_width_mm=0.04, u_height_mm=0.04, correlation=0.0, classes=lone)
    assert match.margin_mm == pytest.approx(expected, abs=ACCURACY_MM)


def test_margin_is_the_middle_between_two_equal_classes() -> None:
    """Equal prior and scatter: the answer changes half way, here 0.6 mm from a cut, far inside the reach of odd."""
    pair = tuple(
        SizeClass(id=id_, names=(id_,), cuts_mm=((w, 100.0),), u_cut_mm=0.3) for id_, w in (("a", 60.0), ("b", 61.2))
    )
    match = match_size(60.0, 100.0, u_width_mm=0.05, u_height_mm=0.05, correlation=0.0, classes=pair)
    assert (match.size_class, match.runner_up) == ("a", "b")
    assert match.margin_mm == pytest.approx(0.6, abs=ACCURACY_MM)


def test_margin_shrinks_to_nothing_towards_the_change() -> None:
    """Along the way to the nearest change the margin falls by as much as one has gone."""
    spread = covariance(0.05, 0.05, 0.0)
    change = change_of((63.0, 88.0), spread, answer="poker")
    for share in (0.25, 0.5, 0.9):
        width = 63.0 + share * change.distance_mm * math.cos(change.direction_rad)
        height = 88.0 + share * change.distance_mm * math.sin(change.direction_rad)
        left = change_of((width, height), spread, answer="poker").distance_mm
        assert left == pytest.approx((1.0 - share) * change.distance_mm, abs=ACCURACY_MM)


def test_nothing_changes_an_answer_beyond_the_limit() -> None:
    match = match_size(5000.0, 7000.0, u_width_mm=0.1, u_height_mm=0.1, correlation=0.0, classes=CLASSES)
    assert (match.size_class, match.margin_mm) == (None, MARGIN_LIMIT_MM)


def test_a_class_nearer_by_changes_the_margin_of_odd() -> None:
    """66 x 96.5 is odd; a class of one's own two millimetres away takes the margin down to less than that."""
    own = SizeClass(id="own", names=("own",), cuts_mm=((66.0, 98.5),), u_cut_mm=0.3)
    without, beside = (
        match_size(66.0, 96.5, u_width_mm=0.05, u_height_mm=0.05, correlation=0.0, classes=classes)
        for classes in (CLASSES, (*CLASSES, own))
    )
    assert without.size_class is beside.size_class is None
    assert without.margin_mm > 5.0
    assert 0.5 < beside.margin_mm < 2.0
    assert (beside.runner_up, beside.nearest.size_class) == ("own", "own")
    off = (*CLASSES, replace(own, is_on=False))
    assert match_size(66.0, 96.5, u_width_mm=0.05, u_height_mm=0.05, correlation=0.0, classes=off) == without
