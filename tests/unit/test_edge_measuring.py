"""Edge points of whole cards, from a drawn photo: where they lie, which sides are used, and two passes in a row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm  # type: ignore[import-untyped]
from square_pictures import developed, photo_of, srgb

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, rotation_matrix
from cardmeasure.edges.measuring import U_MODEL_PX, Conditions, EdgeMeasurement, measure_edges
from cardmeasure.edges.profiles import places_and_normals
from cardmeasure.photo import Photo

Floats = NDArray[np.float64]

PX_PER_MM, WIDTH_PX, HEIGHT_PX = 5.0, 680, 400
BORDER, MAT, BLUR_PX = 0.65, 0.06, 0.8
CONDITIONS = Conditions(blur_px=0.85, white=0.8, paper_mm=0.1, u_thickness_mm=0.05)
MIDDLES_MM = ((-29.0, 1.0, 0.15), (31.0, -2.0, 1.8))


def _camera() -> Camera:
    return Camera(
        rotation=rotation_matrix(np.zeros(3)), translation_mm=np.array([0.0, 0.0, 400.0]), focal_px=400 * PX_PER_MM,
        principal_px=np.array([325.3, 199.6]), distortion=np.zeros(5),
    )  # fmt: skip


def _quads() -> Floats:
    quads = np.zeros((2, qd.PARAMETERS))
    for quad, middle in zip(quads, MIDDLES_MM, strict=True):
        quad[: qd.HEIGHT + 1] = *middle, 38.0, 55.0
    return quads


@pytest.fixture(scope="module")
def photo() -> Photo:
    """Two white cards as thin as nothing on a dark mat, from straight above, each pixel the mean over 4 x 4 places."""
    offset = (np.arange(4) + 0.5) / 4 - 0.5
    x, y = ((np.arange(n)[:, None] + offset).ravel() for n in (WIDTH_PX, HEIGHT_PX))
    light = np.full((len(y), len(x)), MAT)
    for quad in _quads():
        dx, dy = np.meshgrid((x - 325.3) / PX_PER_MM - quad[0], (y - 199.6) / PX_PER_MM - quad[1])
        c, s = np.cos(quad[qd.TURN]), np.sin(quad[qd.TURN])
        light[(np.abs(c * dx + s * dy) < 19.0) & (np.abs(c * dy - s * dx) < 27.5)] = BORDER
    return photo_of(developed(light.reshape(HEIGHT_PX, 4, WIDTH_PX, 4).mean(axis=(1, 3)), blur_px=BLUR_PX, noise=0.7))


def _grown(grown_px: float) -> Floats:
    quads = _quads()
    quads[:, [qd.WIDTH, qd.HEIGHT]] += 2 * grown_px / PX_PER_MM
    return quads


def _off(measured: EdgeMeasurement) -> Floats:
    """How far outside the true side each edge point lies, px."""
    p = measured.points
    key = p.card * qd.SIDES + p.side
    px, normal = places_and_normals(_camera(), np.repeat(_quads(), 4, axis=0), np.tile(np.arange(4), 2), np.zeros(8))
    return np.asarray(((p.px - px[key]) * normal[key]).sum(axis=1))


@pytest.mark.parametrize("coarse", [True, False])
@pytest.mark.parametrize("grown_px", [-1.5, 0.0, 1.5])
def test_edge_points_lie_on_the_edge(photo: Photo, grown_px: float, coarse: bool) -> None:
    """Each side to 0.06 px on average and each point to 0.25, on a side predicted 1.5 px too far in or out."""
    measured = measure_edges(
        photo, _camera(), _grown(grown_px), conditions=CONDITIONS, u_place_px=2.5, coarse=coarse
    )  # fmt: skip
    off, p = _off(measured), measured.points
    key = p.card * qd.SIDES + p.side
    assert np.abs(np.bincount(key, off) / np.bincount(key)).max() < 0.06
    assert np.abs(off).max() < 0.25
    assert (measured.used > 0.9).all()
    assert measured.on_table.all()
    assert (measured.clarity > 10).all()
    assert (p.u_bias_px >= U_MODEL_PX).all()


def test_a_second_pass_keeps_to_the_edge_and_takes_bends_into_account(photo: Photo) -> None:
    """With residuals that bow one side by a pixel, its uncertainty grows and that of the others does not."""
    first = measure_edges(photo, _camera(), _grown(1.0), conditions=CONDITIONS, u_place_px=2.5, coarse=True)
    none = np.zeros(len(first.points.card))
    straight = measure_edges(
        photo, _camera(), _quads(), conditions=CONDITIONS, u_place_px=0.8, known=first.known_with(none)
    )
    assert np.abs(_off(straight)).max() < 0.25
    mine = (first.points.card == 1) & (first.points.side == 2)
    bowed = np.where(mine, 1 / 3 - first.points.along**2, 0.0)
    bent = measure_edges(
        photo, _camera(), _quads(), conditions=CONDITIONS, u_place_px=0.8, known=first.known_with(bowed)
    )
    more = bent.points.u_bias_px**2 - straight.points.u_bias_px**2
    assert np.sqrt(more[1, 2]) == pytest.approx(0.33, abs=0.05)
    more[1, 2] = 0
    assert np.abs(more).max() < 0.002


def test_some_cards_of_a_measurement_are_numbered_anew(photo: Photo) -> None:
    measured = measure_edges(photo, _camera(), _quads(), conditions=CONDITIONS, u_place_px=2.5)
    second = measured.of_cards(np.array([False, True]))
    mine = measured.points.card == 1
    assert not second.points.card.any()
    np.testing.assert_array_equal(second.points.px, measured.points.px[mine])
    np.testing.assert_array_equal(second.clarity, measured.clarity[1:])
    np.testing.assert_array_equal(second.known.sides.looks.parameters, measured.known.sides.looks.parameters[4:])
    np.testing.assert_array_equal(second.points.u_bias_px, measured.points.u_bias_px[1:])


def test_a_side_whose_outside_is_no_table_is_named(photo: Photo) -> None:
    """A sheet four times as bright as the mat lies beside the right card: its side there is not on the table."""
    px, normal = places_and_normals(_camera(), _quads()[1:], np.zeros(1, np.intp), np.zeros(1))
    y, x = np.mgrid[:HEIGHT_PX, :WIDTH_PX]
    outside = (x - px[0, 0]) * normal[0, 0] + (y - px[0, 1]) * normal[0, 1]
    light = BORDER + (4 * MAT - BORDER) * norm.cdf(outside / BLUR_PX)
    codes = np.round(srgb(light) * 255)[..., None]
    under = replace(photo, pixels_bgr=np.where(outside[..., None] > -3, codes, photo.pixels_bgr).astype(np.uint8))
    measured = measure_edges(under, _camera(), _quads(), conditions=CONDITIONS, u_place_px=0.8)
    assert measured.on_table.tolist() == [[True] * 4, [False, True, True, True]]
    assert np.abs(_off(measured)).max() < 0.25


def test_without_cards_there_is_nothing_to_measure(photo: Photo) -> None:
    with pytest.raises(ValueError, match="quads is empty"):
        measure_edges(photo, _camera(), np.zeros((0, qd.PARAMETERS)), conditions=CONDITIONS, u_place_px=1.0)
