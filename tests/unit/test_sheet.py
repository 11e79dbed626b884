"""Cards on a measuring sheet, from rendered pixels to sizes, and the bow of its paper."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from simulated_photos import on_a_sheet, priors_of, simulated, true_state

from calibration.rig.scene import Bow, Face, Sampling
from calibration.rig.sheet_scenes import sheet_scene
from calibration.rig.shots import write_shot
from cardmeasure import quads as qd
from cardmeasure.adjustment import adjust
from cardmeasure.bow import Bow as SolvedBow
from cardmeasure.bow import flat
from cardmeasure.camera import project, to_plane
from cardmeasure.edges.points import no_edge_points
from cardmeasure.errors import PhotoTrouble
from cardmeasure.photo import Photo, read_photo
from cardmeasure.pipeline import measure
from cardmeasure.reference.finding import find_squares
from cardmeasure.reference.print_profile import PrintProfile
from cardmeasure.reference.sheet import SHEETS
from cardmeasure.reference.sheet_finding import SheetSighting
from cardmeasure.results import Card, ShotResult
from cardmeasure.settings import Settings
from cardmeasure.solving import printed_points, solve_reference

Floats = NDArray[np.float64]

STYLES = ("white-border", "black-border", "coloured-border", "full-bleed", "framed-dark")
BOW = Bow(height_mm=1.6, length_mm=300.0, azimuth_deg=35.0, phase_deg=50.0)


@dataclass(frozen=True, kw_only=True)
class SheetShot:
    """A rendered photo of cards with all kinds of borders on a bowed sheet, its truth, and what is known of it."""

    photo: Photo
    truth: dict[str, Any]
    settings: Settings

    def measured(self, photo: Photo | None = None) -> ShotResult:
        return measure(photo or self.photo, name="sheet.jpg", settings=self.settings)

    @property
    def true_points_px(self) -> Floats:
        return np.array(self.truth["reference"]["points_px"][0])


@pytest.fixture(scope="module")
def shot(tmp_path_factory: pytest.TempPathFactory) -> SheetShot:
    path = tmp_path_factory.mktemp("sheet") / "sheet.jpg"
    scene = sheet_scene(9113, width=1320, height=990, px_per_mm=4.7, cards=6, paper="letter")
    cards = tuple(
        replace(card, face=Face(style=style, seed=3)) for card, style in zip(scene.cards, STYLES, strict=False)
    )
    post = replace(scene.post, quality=92, orientation=1)
    write_shot(replace(scene, cards=cards, bow=BOW, sampling=Sampling(print=25, edge=16), post=post), path, seed=4)
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    print_scale = truth["reference"]
    profile = PrintProfile(
        scale_x=print_scale["scale_x"], scale_y=print_scale["scale_y"], u_scale_x=1e-4, u_scale_y=1e-4,
        correlation=0.0, source="entered",
    )  # fmt: skip
    return SheetShot(photo=read_photo(path), truth=truth, settings=Settings(print_profile=profile))


@pytest.fixture(scope="module")
def result(shot: SheetShot) -> ShotResult:
    return shot.measured()


def _sighted(photo: Photo) -> SheetSighting:
    (sighting,) = find_squares(photo)
    assert isinstance(sighting, SheetSighting)
    return sighting


def _matched(shot: SheetShot, result: ShotResult) -> list[tuple[dict[str, Any], Card]]:
    """Each true card with the sized piece in its place; no piece is left over."""
    sized = [card for card in result.cards if card.is_sized]
    assert len(sized) == len(shot.truth["cards"])
    pairs = []
    for true in shot.truth["cards"]:
        middle = np.mean(true["corners_px"], axis=0)
        pairs.append((true, min(sized, key=lambda c: np.linalg.norm(np.mean(c.corners_px, axis=0) - middle))))
    return pairs


def _errors_and_u(pairs: list[tuple[dict[str, Any], Card]]) -> tuple[Floats, Floats]:
    errors = [(c.width_mm - t["width_mm"], c.height_mm - t["height_mm"]) for t, c in pairs]  # type: ignore[operator]
    return np.array(errors), np.array([(c.u_width_mm, c.u_height_mm) for _, c in pairs], float)


def _index(sighting: SheetSighting) -> NDArray[np.intp]:
    mm = sighting.design.saddles_mm
    return np.array([np.abs(mm - point).sum(axis=1).argmin() for point in sighting.points_mm], np.intp)


# ---------------------------------------------------------------- the printed points


def test_saddle_points_are_found_to_a_few_hundredths_of_a_pixel(shot: SheetShot) -> None:
    sighting = _sighted(shot.photo)
    off = sighting.points_px - shot.true_points_px[_index(sighting)]
    assert sighting.design is SHEETS["letter"]
    assert np.sqrt((off**2).mean()) < 0.05
    assert np.abs(off.mean(axis=0)).max() < 0.01
    assert len(off) > 400


def test_no_hidden_saddle_point_is_taken_for_one_that_is_seen(shot: SheetShot) -> None:
    sighting = _sighted(shot.photo)
    assert np.linalg.norm(sighting.points_px - shot.true_points_px[_index(sighting)], axis=1).max() < 0.25
    covered = np.zeros(len(sighting.points_px), bool)
    every = np.zeros(len(shot.true_points_px), bool)
    for card in shot.truth["cards"]:
        outline = np.array(card["corners_px"], np.float32)
        for mask, points in ((covered, sighting.points_px), (every, shot.true_points_px)):
            mask |= [cv2.pointPolygonTest(outline, (float(x), float(y)), False) > 0 for x, y in points]
    assert every.sum() > 200, "cards cover many"
    assert not covered.any()


# ---------------------------------------------------------------- pieces and sizes


def test_cards_with_any_border_are_found_and_measured_as_well_as_stated(shot: SheetShot, result: ShotResult) -> None:
    pairs = _matched(shot, result)
    assert {true["face"] for true, _ in pairs} == set(STYLES[: len(pairs)]) and len(pairs) >= 3
    errors, u = _errors_and_u(pairs)
    assert (np.abs(errors) < 3 * u).all()
    assert np.sqrt((errors**2).mean()) < 0.08
    assert u.max() < 0.2
    assert result.reference is not None and result.reference.design == "sheet-letter"


def test_the_paper_is_no_part_of_a_cards_height_above_the_print(shot: SheetShot, result: ShotResult) -> None:
    """On a sheet the paper lies below the cards, too: how thick it is changes nothing."""
    other = replace(shot.settings, paper_mm=0.3)
    again = measure(shot.photo, name="sheet.jpg", settings=other)
    assert [card.width_mm for card in again.cards] == [card.width_mm for card in result.cards]


def test_one_corner_is_enough(shot: SheetShot, result: ShotResult) -> None:
    """With three fiducials painted over, as if something lay there, the cards keep their sizes."""
    pixels = shot.photo.pixels_bgr.copy()
    seen = _sighted(shot.photo).fiducials_px
    assert len(seen) >= 2
    for quad in seen[1:]:
        grown = quad.mean(axis=0) + 1.25 * (quad - quad.mean(axis=0))
        cv2.fillPoly(pixels, [np.round(grown).astype(np.int32)], (90, 120, 60))
    photo = replace(shot.photo, pixels_bgr=pixels)
    assert len(_sighted(photo).fiducials_px) == 1
    again = shot.measured(photo)
    pairs, again_pairs = _matched(shot, result), _matched(shot, again)
    moved, u = _errors_and_u(again_pairs)[0] - _errors_and_u(pairs)[0], _errors_and_u(pairs)[1]
    assert (np.abs(moved) < u).all()
    assert np.sqrt((moved**2).mean()) < 0.015


def test_a_card_beyond_the_end_of_the_check_has_no_size_but_a_flag(shot: SheetShot) -> None:
    pixels = shot.photo.pixels_bgr.copy()
    design, points = SHEETS["letter"], shot.true_points_px
    edge = points[np.argmin(np.abs(design.saddles_mm - [-35.0, design.area_mm[3]]).sum(axis=1))]
    box = cv2.boxPoints((tuple(float(v) for v in edge), (110.0, 90.0), 10.0))
    cv2.fillPoly(pixels, [np.round(box).astype(np.int32)], (40, 40, 200))
    cards = shot.measured(replace(shot.photo, pixels_bgr=pixels)).cards
    there = [c for c in cards if np.linalg.norm(np.mean(c.corners_px, axis=0) - edge) < 80]
    assert ("off-sheet",) in [card.flags for card in there] and not any(card.is_sized for card in there)


def test_a_sheet_that_is_covered_but_for_a_corner_is_refused(shot: SheetShot) -> None:
    pixels = shot.photo.pixels_bgr.copy()
    corner = _sighted(shot.photo).fiducials_px[0].mean(axis=0)
    y, x = np.mgrid[: pixels.shape[0], : pixels.shape[1]]
    pixels[np.hypot(x - corner[0], y - corner[1]) > 90] = 60
    with pytest.raises(PhotoTrouble) as caught:
        find_squares(replace(shot.photo, pixels_bgr=pixels))
    assert caught.value.code == "reference-covered" and "measuring sheet" in str(caught.value)


# ---------------------------------------------------------------- the bow


def _heights(bow: SolvedBow) -> Floats:
    """Heights over the page, but for level and slope, which are the camera's."""
    x, y = np.meshgrid(np.linspace(-0.8, 0.8, 15), np.linspace(-0.8, 0.8, 15))
    at = np.column_stack([x.ravel(), y.ravel()]) * bow.half_mm
    return _levelled(at, np.asarray(bow.height_mm(at), np.float64))


def _levelled(at: Floats, height: Floats) -> Floats:
    basis = np.column_stack([np.ones(len(at)), at])
    return np.asarray(height - basis @ np.linalg.lstsq(basis, height, rcond=None)[0])


def test_the_bow_of_a_rendered_sheet_is_solved_from_its_points(shot: SheetShot) -> None:
    """Without it the points would not fit; with it they do to their noise, and its shape is that of the wave, by a few
    times its u at most: the points alone hardly know the lens."""
    sighting = _sighted(shot.photo)
    start = solve_reference(shot.photo, (sighting,), shot.settings)
    bow = start.camera.bow
    assert bow is not None

    def misfit_px(solved: SolvedBow) -> float:
        state = replace(start.state, camera=replace(start.camera, bow=solved))
        x, y, turn = state.squares[0]
        way = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        mm = sighting.points_mm * state.scale @ way + [x, y]
        off = project(state.camera, np.column_stack([mm, np.zeros(len(mm))])) - sighting.points_px
        return float(np.sqrt((off**2).mean()))

    assert misfit_px(bow) < 0.06
    assert misfit_px(flat(bow.half_mm)) > 5 * misfit_px(bow)
    # the wave runs in world axes, in which the sheet is turned
    square = shot.truth["reference"]["squares"][0]
    x, y = np.meshgrid(np.linspace(-0.8, 0.8, 15), np.linspace(-0.8, 0.8, 15))
    at = np.column_stack([x.ravel(), y.ravel()]) * bow.half_mm
    turn = np.radians(square["turn_deg"])
    world = at @ np.array([[np.cos(turn), np.sin(turn)], [np.sin(turn), -np.cos(turn)]])
    way = np.radians(BOW.azimuth_deg)
    phase = 2 * np.pi / BOW.length_mm * world @ [np.cos(way), np.sin(way)] + np.radians(BOW.phase_deg)
    true, found = _levelled(at, BOW.height_mm / 2 * np.cos(phase)), _heights(bow)
    error = float(np.sqrt(np.mean((found - true) ** 2)))
    solved = adjust(start.state, printed_points((sighting,)), no_edge_points(0), start.priors)
    rows = solved.state.layout.bow_at
    terms = _levelled(at, bow.terms_and_slope(at)[0])
    u = float(np.sqrt(np.einsum("ni,ij,nj->n", terms, solved.covariance[rows, rows], terms).mean()))
    assert error < 3 * u
    assert error < 0.3 * np.sqrt(np.mean(true**2))


def test_sizes_on_simulated_bowed_sheets_are_as_true_as_stated() -> None:
    """Bows, lenses and cards drawn from the priors; a flat sheet in the bow's place would be wrong by several u."""
    errors, flat_errors, heights = [], [], []
    for seed in range(20):
        rng = np.random.default_rng([seed, 77])
        priors = priors_of(2, u_scale=1e-4)
        photo = simulated(rng, on_a_sheet(rng, true_state(rng, priors)), priors)
        solved = adjust(photo.start, photo.points, photo.edges, priors)
        level = replace(photo.start, camera=replace(photo.start.camera, bow=None))
        unbowed = adjust(level, photo.points, photo.edges, priors)
        rows = [solved.state.layout.quad_at(card, k) for card in range(2) for k in (qd.WIDTH, qd.HEIGHT)]
        u, true = np.sqrt(np.diag(solved.covariance)[rows]), photo.truth.quads[:, [qd.WIDTH, qd.HEIGHT]].ravel()
        errors.append((solved.state.quads[:, [qd.WIDTH, qd.HEIGHT]].ravel() - true) / u)
        flat_errors.append((unbowed.state.quads[:, [qd.WIDTH, qd.HEIGHT]].ravel() - true) / u)
        assert photo.truth.camera.bow is not None and solved.state.camera.bow is not None
        off = _heights(solved.state.camera.bow) - _heights(photo.truth.camera.bow)
        heights.append(np.sqrt(np.mean(off**2)) / np.sqrt(np.mean(_heights(photo.truth.camera.bow) ** 2)))
        assert "paper bow" in solved.shares
    assert 0.75 < np.sqrt(np.mean(np.square(errors))) < 1.3
    assert np.sqrt(np.mean(np.square(flat_errors))) > 3
    assert np.median(heights) < 0.1


def test_places_on_a_bowed_sheet_come_back_from_their_pixels() -> None:
    rng = np.random.default_rng(3)
    camera = on_a_sheet(rng, true_state(rng, priors_of(1))).camera
    at = rng.uniform(-90, 90, (200, 2))
    for height in (0.0, 0.3, 2.5):
        px = project(camera, np.column_stack([at, np.full(len(at), -height)]))
        np.testing.assert_allclose(to_plane(camera, px, z_mm=-height), at, atol=2e-4)
