"""Sides first sought at the frame inside a dark border: found again at the card's edge, and others left alone."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from numpy.typing import NDArray
from square_pictures import developed, photo_of

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, rotation_matrix
from cardmeasure.edges.lost import _steps, found_again
from cardmeasure.edges.measuring import Conditions, EdgeMeasurement, measure_edges
from cardmeasure.edges.profiles import Profiles
from cardmeasure.edges.whole import SideLooks
from cardmeasure.photo import Photo

Floats = NDArray[np.float64]

PX_PER_MM, WIDTH_PX, HEIGHT_PX = 8.0, 800, 560
MAT, BORDER, ART, BLUR_PX = 0.13, 0.045, 0.5, 0.8
FRAME_MM = 1.5
MIDDLES_MM, SIZE_MM = ((-24.0, 1.0, 0.15), (25.0, -1.0, 0.04)), (38.0, 55.0)
CENTRE_PX = (400.3, 279.6)
U_PLACE_PX = 2.5


def _camera() -> Camera:
    return Camera(
        rotation=rotation_matrix(np.zeros(3)), translation_mm=np.array([0.0, 0.0, 400.0]), focal_px=400 * PX_PER_MM,
        principal_px=np.array(CENTRE_PX), distortion=np.zeros(5),
    )  # fmt: skip


def _quads() -> Floats:
    quads = np.zeros((2, qd.PARAMETERS))
    for quad, middle in zip(quads, MIDDLES_MM, strict=True):
        quad[: qd.HEIGHT + 1] = *middle, *SIZE_MM
    return quads


@pytest.fixture(scope="module")
def photo() -> Photo:
    """Two cards, as thin as nothing, with dark borders of 1.5 mm round bright pictures, on a mat as bright as three
    borders."""
    offset = (np.arange(4) + 0.5) / 4 - 0.5
    x, y = ((np.arange(n)[:, None] + offset).ravel() for n in (WIDTH_PX, HEIGHT_PX))
    light = np.full((len(y), len(x)), MAT)
    for quad in _quads():
        dx, dy = np.meshgrid((x - CENTRE_PX[0]) / PX_PER_MM - quad[0], (y - CENTRE_PX[1]) / PX_PER_MM - quad[1])
        c, s = np.cos(quad[qd.TURN]), np.sin(quad[qd.TURN])
        across, along = np.abs(c * dx + s * dy), np.abs(c * dy - s * dx)
        for level, inside in ((BORDER, 0.0), (ART, FRAME_MM)):
            light[(across < SIZE_MM[0] / 2 - inside) & (along < SIZE_MM[1] / 2 - inside)] = level
    return photo_of(developed(light.reshape(HEIGHT_PX, 4, WIDTH_PX, 4).mean(axis=(1, 3)), blur_px=BLUR_PX, noise=0.7))


def _measured(
    photo: Photo, quads: Floats, u_place_px: Floats | float = U_PLACE_PX, taught: SideLooks | None = None
) -> EdgeMeasurement:
    conditions = Conditions(blur_px=0.85, white=0.8, paper_mm=0.01, u_thickness_mm=0.01)
    return measure_edges(
        photo, _camera(), quads, conditions=conditions, u_place_px=u_place_px, coarse=True, taught=taught
    )


def _sought_at_the_frame(sides: tuple[int, ...]) -> Floats:
    """The second card with some of its sides moved in by the width of its border."""
    quads = _quads()
    quad = quads[1]
    for side in sides:
        upright = side % 2 == 0
        quad[qd.HEIGHT if upright else qd.WIDTH] -= FRAME_MM
        way = {0: (0, 1), 1: (-1, 0), 2: (0, -1), 3: (1, 0)}[side]
        c, s = np.cos(quad[qd.TURN]), np.sin(quad[qd.TURN])
        quad[: qd.TURN] += FRAME_MM / 2 * np.array([c * way[0] - s * way[1], s * way[0] + c * way[1]])
    return quads


@pytest.mark.parametrize("sides", [(0,), (1,), (2,), (3,), (0, 1), (0, 1, 2, 3)])
def test_a_side_sought_at_the_frame_is_found_at_the_edge(photo: Photo, sides: tuple[int, ...]) -> None:
    """The size to 0.05 mm, where a border would make it 1.5 mm too small; what else was right does not move."""
    quads = _sought_at_the_frame(sides)
    first = _measured(photo, quads)
    found, edges = found_again(
        photo,
        _camera(),
        quads,
        first,
        px_per_mm=PX_PER_MM,
        u_place_px=U_PLACE_PX,
        measured=lambda _, *there: _measured(photo, *there),
    )
    np.testing.assert_array_equal(found[0], quads[0])
    outward = edges.known.sides.looks.place_px.reshape(-1, qd.SIDES) / PX_PER_MM
    size = found[1, [qd.WIDTH, qd.HEIGHT]] + [outward[1, [1, 3]].sum(), outward[1, [0, 2]].sum()]
    np.testing.assert_allclose(size, SIZE_MM, atol=0.05)
    assert np.abs(first.known.sides.looks.place_px.reshape(-1, 4)[1, list(sides)]).max() < FRAME_MM * PX_PER_MM - 2


def test_sides_that_are_well_explained_are_not_looked_at_again(photo: Photo) -> None:
    quads = _quads()
    first = _measured(photo, quads)

    def never(*_: object) -> EdgeMeasurement:
        raise AssertionError("nothing is lost")

    found, edges = found_again(
        photo, _camera(), quads, first, px_per_mm=PX_PER_MM, u_place_px=U_PLACE_PX, measured=never
    )
    assert found is quads
    assert edges is first


def test_both_rims_of_a_wall_in_the_light_are_places_to_look_at() -> None:
    """The face ends at the nearer one, which is the fainter; they are four pixels apart."""
    d = np.arange(-8.0, 30.0)
    light = np.where(d < 2.5, 0.2, np.where(d < 6.5, 0.4, 0.05))[:, None] * np.ones(3)
    profile = SimpleNamespace(weight=np.ones((1, len(d))), distance_px=d[None], light=light[None])
    np.testing.assert_allclose(_steps(cast(Profiles, profile), 0, beyond_px=-2.0), [2.5, 6.5], atol=0.1)
