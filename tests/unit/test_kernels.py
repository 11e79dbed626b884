"""The compiled kernels find what numpy finds, take nothing of a wrong size, and are not needed."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from types import ModuleType
from typing import Any, TypeVar

import numpy as np
import pytest
from drawn_sides import DISTANCE_PX
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from simulated_photos import on_a_sheet, priors_of, simulated, true_state
from square_pictures import photo_of

from cardmeasure import kernels
from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project, rotation_matrix, seen_along, to_plane
from cardmeasure.classes import match_size, standard_classes
from cardmeasure.edges import looks as lk
from cardmeasure.edges.channels import Channels, luma_channels, plain_channels
from cardmeasure.edges.fitting import LookPriors, fit_looks
from cardmeasure.edges.profiles import Reach, Stretches, sample_profiles
from cardmeasure.edges.shading import Shading
from cardmeasure.edges.stretches import edge_offsets
from cardmeasure.linearised import Problem, linearise
from cardmeasure.outlines.ground import _levels
from cardmeasure.outlines.means import MeansOfPicture
from cardmeasure.photo.colour import response_curve
from cardmeasure.priors import prior_rows
from cardmeasure.reference.crossings import fit_crossings

Floats = NDArray[np.float64]
Result = TypeVar("Result")

SIDES = 6
SEEDS = st.integers(0, 2**32 - 1)


def test_the_kernels_were_built_here() -> None:
    """Without them the tests below would compare numpy with itself; a C compiler and Python's headers build them."""
    assert kernels.compiled is not None


def both_ways(work: Callable[[], Result]) -> tuple[Result, Result]:
    """What some work gives with kernels and without."""
    with_them = work()
    built, kernels.compiled = kernels.compiled, None
    try:
        return with_them, work()
    finally:
        kernels.compiled = built


def sides(rng: np.random.Generator) -> tuple[Floats, Channels, Shading]:
    """Looks (n, 15) of all kinds: walls hidden and not, shadows that show and not; channels, and what shades them."""
    n = SIDES
    p = np.column_stack([
        rng.uniform(-2, 2, n), rng.uniform(0.5, 2, n), rng.uniform(-0.2, 0.8, n), rng.uniform(0, 6, n),
        rng.uniform(-3, 3, n), rng.uniform(0.1, 1, n), rng.uniform(0.02, 0.9, (n, 9)),
    ])  # fmt: skip
    face, table = p[:, lk.FACE], p[:, lk.TABLE]
    channels = plain_channels(n) if rng.random() < 0.4 else luma_channels(face, table, colour_halved=True)
    height = rng.uniform(0, 5, n) * (rng.random(n) < 0.7)
    return p, channels, Shading(softness=rng.uniform(0.05, 0.4, n), height_px=height, white=0.8)


def profiles(rng: np.random.Generator, p: Floats, shading: Shading) -> tuple[Floats, Floats, Floats]:
    """Distances (n, b), BGR light (n, b, 3) with noise, and numbers of pixels (n, b), some none."""
    x = np.tile(DISTANCE_PX, (SIDES, 1))
    light = lk.expected_light(x, p, plain_channels(SIDES), shading).transpose(0, 2, 1)
    weight = rng.integers(0, 30, x.shape) * (rng.random(x.shape) < 0.8)
    return x, light + rng.normal(size=light.shape) * 0.01, weight.astype(np.float64)


def priors_about(p: Floats) -> LookPriors:
    u = np.array([0.5, 0.1, 0.1, 1.0, 0.2, 0.2, *[0.1] * 9])
    return LookPriors(mean=p, covariance=np.tile(np.diag(u**2), (len(p), 1, 1)))


@settings(deadline=None, max_examples=60)
@given(seed=SEEDS, rounds=st.integers(1, 2))
def test_a_step_of_the_fit_is_that_of_numpy(seed: int, rounds: int) -> None:
    """Single precision and other orders of sums: steps agree to a thousandth, matrices and costs likewise.

    One or two rounds, as after more of them a cost that is nearly the same may turn one step of many the other way.
    """
    rng = np.random.default_rng(seed)
    p, channels, shading = sides(rng)
    x, light, weight = profiles(rng, p, shading)
    priors, start = priors_about(p), p + rng.normal(size=p.shape) * 0.05
    mine, theirs = both_ways(
        lambda: fit_looks(
            x, light, weight, priors=priors, start=start, rounds=rounds, channels=channels, shading=shading
        )
    )
    np.testing.assert_allclose(mine.parameters, theirs.parameters, rtol=1e-3, atol=1e-3)
    np.testing.assert_allclose(mine.cost, theirs.cost, rtol=2e-3, atol=0.05)
    size = np.sqrt(np.diagonal(theirs.normal, axis1=1, axis2=2))
    scaled = np.abs(mine.normal - theirs.normal) / (size[:, :, None] * size[:, None])
    # the places at which they are taken differ by a thousandth themselves after a round
    assert scaled.max() < (2e-3 if rounds == 1 else 4e-3)


def test_whole_fits_end_where_those_of_numpy_end() -> None:
    rng = np.random.default_rng(7)
    for _ in range(10):
        p, channels, shading = sides(rng)
        x, light, weight = profiles(rng, p, shading)
        priors, start = priors_about(p), p + rng.normal(size=p.shape) * 0.05
        mine, theirs = both_ways(
            lambda fit=(x, light, weight), more=(priors, start, channels, shading): fit_looks(
                *fit, priors=more[0], start=more[1], channels=more[2], shading=more[3]
            )
        )
        assert (np.abs(mine.place_px - theirs.place_px) < 0.02 * theirs.u_place_px).all()
        np.testing.assert_allclose(mine.u_place_px, theirs.u_place_px, rtol=5e-3)


@settings(deadline=None, max_examples=60)
@given(seed=SEEDS, rounds=st.integers(1, 3))
def test_places_on_stretches_are_those_of_numpy(seed: int, rounds: int) -> None:
    """Except where a stretch hardly shows an edge, so that its place is anything."""
    rng = np.random.default_rng(seed)
    p, channels, shading = sides(rng)
    x, light, weight = profiles(rng, p, shading)
    mine, theirs = both_ways(
        lambda: edge_offsets(x, light, weight, looks=p, channels=channels, shading=shading, rounds=rounds)
    )
    clear = theirs.u_px < 0.5
    np.testing.assert_allclose(mine.place_px[clear], theirs.place_px[clear], atol=2e-3)
    np.testing.assert_allclose(mine.u_px[clear], theirs.u_px[clear], rtol=2e-2)


@settings(deadline=None, max_examples=30)
@given(seed=SEEDS, deep=st.booleans())
def test_profiles_are_those_that_numpy_reads(seed: int, deep: bool) -> None:
    """At any turn and slant, in 8 and 16 bits, of cards that reach beyond the picture, too."""
    rng = np.random.default_rng(seed)
    levels = 65536 if deep else 256
    kind = np.uint16 if deep else np.uint8
    photo = replace(
        photo_of(np.zeros((1, 1), np.uint8)), pixels_bgr=rng.integers(0, levels, (150, 200, 3)).astype(kind),
        response=response_curve(levels=levels, white=levels - 1),
    )  # fmt: skip
    camera = Camera(
        rotation=rotation_matrix(rng.normal(size=3) * 0.1), translation_mm=np.array([0.0, 0.0, 300.0]), focal_px=600.0,
        principal_px=np.array([100.0, 75.0]), distortion=np.array([0.05, -0.02, 0.0, 0.0, 0.0]),
    )  # fmt: skip
    quads = np.zeros((3, qd.PARAMETERS))
    quads[:, :2], quads[:, qd.TURN] = rng.uniform(-40, 40, (3, 2)), rng.uniform(-np.pi, np.pi, 3)
    quads[:, [qd.WIDTH, qd.HEIGHT]] = rng.uniform(15, 40, (3, 2))
    reach, stretches = Reach(inner_px=5.0, outer_px=7.0), Stretches(every=int(rng.integers(1, 4)), fewest_lines=4)
    mine, theirs = both_ways(lambda: sample_profiles(photo, camera, quads, reach=reach, stretches=stretches))
    np.testing.assert_array_equal(mine.weight, theirs.weight)
    np.testing.assert_allclose(mine.distance_px, theirs.distance_px, atol=1e-9)
    np.testing.assert_allclose(mine.light, theirs.light, atol=1e-5)


@settings(deadline=None, max_examples=30)
@given(seed=SEEDS)
def test_crossings_are_those_of_numpy(seed: int) -> None:
    """To a thousandth of a pixel, with noise, and with patches of noise alone among them; these end anywhere."""
    rng = np.random.default_rng(seed)
    turn, blur, radius = rng.uniform(-np.pi, np.pi), rng.uniform(0.6, 1.5), int(rng.integers(5, 25))
    normals = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    y, x = np.mgrid[:60, :200].astype(np.float64)
    place = np.array([[30.2, 30.4], [80.7, 29.6], [130.1, 30.0]]) + rng.uniform(-0.3, 0.3, (3, 2))
    light = np.full(x.shape, 100.0)
    for px, py in place[:2]:
        u, v = (n[0] * (x - px) + n[1] * (y - py) for n in normals)
        light += np.where(np.abs(x - px) < 22, 60 * np.tanh(u / blur) * np.tanh(v / blur), 0.0)
    picture = np.clip(light + rng.normal(size=x.shape) * 2, 0, 255).astype(np.uint8)
    start = place + rng.uniform(-0.3, 0.3, place.shape)
    mine, theirs = both_ways(
        lambda: fit_crossings(picture, start, np.tile(normals, (3, 1, 1)), radius_px=radius, blur_px=1.0)
    )
    np.testing.assert_array_equal(mine.ok[:2], theirs.ok[:2])
    np.testing.assert_allclose(mine.points_px[:2], theirs.points_px[:2], atol=1e-3)
    np.testing.assert_allclose(mine.blur_px[:2], theirs.blur_px[:2], atol=2e-3)
    np.testing.assert_allclose(mine.contrast[:2], theirs.contrast[:2], rtol=1e-3)


@settings(deadline=None, max_examples=30)
@given(seed=SEEDS)
def test_the_camera_sees_what_numpy_makes_it_see(seed: int) -> None:
    rng = np.random.default_rng(seed)
    camera = Camera(
        rotation=rotation_matrix(rng.normal(size=3) * 0.3), translation_mm=np.array([5.0, -3.0, 300.0]),
        focal_px=3000.0, principal_px=np.array([2016.0, 1512.0]), distortion=rng.normal(size=5) * 0.02,
    )  # fmt: skip
    points, directions = rng.uniform(-100, 100, (9, 3)), rng.normal(size=(2, 9))
    for mine, theirs in zip(*both_ways(lambda: seen_along(camera, points, directions)), strict=True):
        np.testing.assert_allclose(mine, theirs, rtol=1e-9, atol=1e-9)
    mine, theirs = both_ways(lambda: project(camera, points))
    np.testing.assert_allclose(mine, theirs, rtol=1e-12)
    np.testing.assert_allclose(*both_ways(lambda: to_plane(camera, mine, z_mm=-0.3)), rtol=1e-10)


@settings(deadline=None, max_examples=20)
@given(seed=SEEDS, cards=st.sampled_from([0, 1, 3]))
def test_rows_of_edge_points_are_those_of_numpy(seed: int, cards: int) -> None:
    """On cards that are cut askew and curl up or down."""
    rng = np.random.default_rng(seed)
    priors = priors_of(cards)
    photo = simulated(rng, true_state(rng, priors, squares=1, spread=1.0), priors, noise=1.0)
    rows = prior_rows(photo.truth, priors)
    problem = Problem(points=photo.points, edges=photo.edges, priors=rows, layout=photo.truth.layout)
    mine, theirs = both_ways(lambda: linearise(photo.truth, problem))
    size = np.abs(theirs.by_edges).max(axis=1, initial=1e-30)[:, None]
    np.testing.assert_allclose(mine.by_edges / size, theirs.by_edges / size, atol=1e-11)
    np.testing.assert_allclose(mine.edges, theirs.edges, atol=1e-7)


@settings(deadline=None, max_examples=20)
@given(
    seed=SEEDS, cards=st.sampled_from([0, 1, 3]), squares=st.sampled_from([1, 2]), sheet=st.booleans(),
    damping=st.sampled_from([1e-9, 0.1]),
)  # fmt: skip
def test_a_step_of_the_adjustment_is_that_of_numpy(
    seed: int, cards: int, squares: int, sheet: bool, damping: float
) -> None:
    """In standard uncertainties, as the unknowns have units of their own; and so is its length."""
    rng = np.random.default_rng(seed)
    priors = priors_of(cards)
    truth = true_state(rng, priors, squares=squares)
    photo = simulated(rng, on_a_sheet(rng, truth) if sheet else truth, priors)
    start = photo.truth.moved(1e-4 * rng.normal(size=photo.truth.layout.size))
    of_priors = prior_rows(start, priors)
    rows = linearise(start, Problem(points=photo.points, edges=photo.edges, priors=of_priors, layout=start.layout))
    weights = [rng.uniform(0.1, 1.0, len(part)) for part in (rows.points, rows.edges, rows.priors)]
    sums = of_priors.sums(rows.parts, weights[2], rows.priors)
    quick = rows.step_by_kernel(points_weight=weights[0], edges_weight=weights[1], priors=sums, damping=damping)
    normal = rows.points_normal(weights[0]) + rows.edges_normal(weights[1])
    normal += of_priors.normal(rows.parts, weights[2], rows.priors)
    step, length = normal.step(damping=damping)
    u = np.sqrt(np.diag(normal.covariance()))
    assert quick is not None
    np.testing.assert_allclose(quick[0] / u, step / u, rtol=1e-6, atol=1e-6)
    assert quick[1] == pytest.approx(length, rel=1e-6, abs=1e-6)


def test_a_step_of_equations_without_a_solution_is_left_to_numpy() -> None:
    """Nothing is known of the edges' cards where all weights and priors are none."""
    rng = np.random.default_rng(5)
    priors = priors_of(1)
    photo = simulated(rng, true_state(rng, priors), priors)
    of_priors = prior_rows(photo.truth, priors)
    problem = Problem(points=photo.points, edges=photo.edges, priors=of_priors, layout=photo.truth.layout)
    rows = linearise(photo.truth, problem)
    sums = of_priors.sums(rows.parts, np.zeros(len(rows.priors)), rows.priors)
    weights = {"points_weight": np.ones(len(rows.points)), "edges_weight": np.zeros(len(rows.edges))}
    assert rows.step_by_kernel(**weights, priors=sums, damping=0.0) is None


@settings(deadline=None, max_examples=60)
@given(
    width=st.floats(30, 100), height=st.floats(30, 150), u=st.floats(0.01, 0.6), ratio=st.floats(0.5, 2),
    correlation=st.floats(-0.9, 0.9),
)  # fmt: skip
def test_margins_are_those_of_numpy(width: float, height: float, u: float, ratio: float, correlation: float) -> None:
    mine, theirs = both_ways(
        lambda: match_size(
            width, height, u_width_mm=u, u_height_mm=u * ratio, correlation=correlation, classes=standard_classes()
        )
    )
    assert mine.size_class == theirs.size_class
    assert mine.margin_mm == pytest.approx(theirs.margin_mm, rel=2e-4, abs=1e-2)


@settings(deadline=None, max_examples=30)
@given(seed=SEEDS)
def test_what_is_no_table_is_so_for_numpy(seed: int) -> None:
    """Pixels of all levels and in shadow; where a distance lies on a limit to rounding, either may be right."""
    rng = np.random.default_rng(seed)
    picture = (rng.normal(size=(70, 53, 3)) * rng.choice([1, 3, 8], (70, 53, 1))).astype(np.float32)
    coefficients, half = rng.normal(size=(10, 3)), rng.normal(size=(3, 3))
    means = MeansOfPicture(picture=picture)
    mine, theirs = both_ways(lambda: _levels(means, coefficients, half @ half.T + np.eye(3)))
    assert set(np.unique(theirs)) == {0, 1, 2, 3}
    assert np.count_nonzero(mine != theirs) <= 2


def test_arrays_of_a_wrong_size_are_refused() -> None:
    with pytest.raises(ValueError, match="should hold"):
        kernels.compiled.edge_offsets((1, 4, 1), (0.0, 1.0, 1.35), (2.5, 2.5, 1.0, 1), *[np.zeros(3)] * 9)
    with pytest.raises(ValueError, match="room"):
        kernels.compiled.edge_offsets((1, 4000, 1), (0.0, 1.0, 1.35), (2.5, 2.5, 1.0, 1), *[np.zeros(3)] * 9)


@pytest.mark.parametrize("attributes", [{"INTERFACE": kernels.INTERFACE + 1}, {}], ids=["other", "unknown"])
def test_a_build_for_another_version_is_left_alone(attributes: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    module = ModuleType("cardmeasure_kernels")
    vars(module).update(attributes)
    monkeypatch.setitem(sys.modules, "cardmeasure_kernels", module)
    assert kernels._loaded() is None


def test_without_a_build_there_are_no_kernels(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "cardmeasure_kernels", None)
    assert kernels._loaded() is None
