"""The table seen from above, the map of what it shows, and the candidates that follow from a map."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cardmeasure.camera import Camera, project_table, rotation_matrix
from cardmeasure.detection.candidates import candidates
from cardmeasure.detection.segmentation import BOUNDARY, FACE, MODEL, TABLE, TableMap, segmented
from cardmeasure.detection.view_from_above import MOST_PX, TableView, view_from_above
from cardmeasure.geometry import side_lengths
from cardmeasure.photo.colour import response_curve

LARGEST_FILE, MOST_WEIGHTS = 3_000_000, 700_000


def _photo(pixels: np.ndarray) -> Any:
    h, w = pixels.shape[:2]
    return SimpleNamespace(
        pixels_bgr=pixels, width_px=w, height_px=h, response=response_curve(levels=256, white=255),
        halved_bgr=pixels[::2, ::2], quartered_bgr=pixels[::4, ::4],
    )  # fmt: skip


def _camera(tilt_deg: float, *, focal_px: float = 900.0) -> Camera:
    rotation = rotation_matrix(np.array([np.radians(tilt_deg), 0.0, 0.2]))
    return Camera(
        rotation=rotation, translation_mm=np.array([5.0, -8.0, 420.0]), focal_px=focal_px,
        principal_px=np.array([319.5, 239.5]), distortion=np.array([0.08, -0.05, 0.0, 0.001, -0.001]),
    )  # fmt: skip


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0, 40.0])
def test_a_dot_on_the_table_is_seen_where_the_camera_projects_it(tilt_deg: float) -> None:
    camera, at = _camera(tilt_deg), np.array([[12.0, -25.0], [-40.0, 30.0]])
    pixels = np.full((480, 640, 3), 40, np.uint8)
    for x, y in project_table(camera, at):
        cv2.circle(pixels, (round(x * 16), round(y * 16)), 5 * 16, (220, 220, 220), -1, cv2.LINE_AA, 4)
    view = view_from_above(_photo(pixels), camera, px_per_mm=900 / 420)
    bright = (view.codes[..., 1] > 130).astype(np.uint8)
    count, _, _, centres = cv2.connectedComponentsWithStats(bright)
    found = view.to_mm(centres[1:])
    assert count == 3
    for place in at:
        assert np.linalg.norm(found - place, axis=1).min() < 0.4


def test_views_are_no_larger_than_the_network_may_cost() -> None:
    view = view_from_above(_photo(np.zeros((480, 640, 3), np.uint8)), _camera(50.0), px_per_mm=2.0)
    h, w = view.codes.shape[:2]
    assert h % 32 == 0 and w % 32 == 0
    assert h * w <= 1.2 * MOST_PX


def _view(codes: np.ndarray) -> TableView:
    return TableView(codes=codes, seen=np.ones(codes.shape[:2], bool), origin_mm=np.zeros(2), per_mm=2.0)


def _drawn_view() -> TableView:
    rng = np.random.default_rng(3)
    codes = np.clip(rng.normal((40, 70, 110), 6, (320, 320, 3)), 0, 255).astype(np.uint8)
    cv2.rectangle(codes, (80, 70), (80 + 126, 70 + 176), (232, 236, 240), -1)
    cv2.ellipse(codes, (143, 158), (30, 16), 0, 0, 360, (40, 40, 200), -1)
    return _view(codes)


def test_a_card_on_a_table_is_called_a_face_and_the_table_a_table() -> None:
    table = segmented(_drawn_view())
    shown = table.likely.argmax(axis=0)
    assert np.mean(shown[45:115, 50:98] == FACE) > 0.97
    assert np.mean(shown[:, 120:] == TABLE) > 0.97


def test_the_same_view_gives_the_same_map() -> None:
    assert np.array_equal(segmented(_drawn_view()).likely, segmented(_drawn_view()).likely)


def test_places_that_the_photo_does_not_show_are_table() -> None:
    view = _drawn_view()
    view.seen[:, :160] = False
    assert (segmented(view).likely[TABLE, :, :80] == 1.0).all()


def test_the_network_is_small() -> None:
    network = cv2.dnn.readNetFromONNX(str(MODEL))
    assert MODEL.stat().st_size < LARGEST_FILE
    assert MODEL.stat().st_size / 4 < MOST_WEIGHTS + 20_000  # the names of its layers are in the file, too
    assert not network.empty()


def _drawn_map(
    rectangles: list[np.ndarray], *, per_mm: float = 1.0, side_mm: float = 220.0
) -> tuple[TableMap, TableView]:
    """A map as the network draws it about rectangles (4, 2) mm, and a view of the same."""
    n, finer = int(side_mm * per_mm), 8
    likely = np.zeros((4, n, n), np.float32)
    view = np.full((2 * n, 2 * n, 3), 60, np.uint8)
    faces, edges = np.zeros((n * finer,) * 2, np.uint8), np.zeros((n * finer,) * 2, np.uint8)
    for corners in rectangles:
        at = [np.rint(((corners * per_mm + 0.5) * finer - 0.5) * 16).astype(np.int32)]
        cv2.fillPoly(faces, at, 1, cv2.LINE_8, 4)
        cv2.polylines(edges, at, True, 1, int(1.4 * finer), cv2.LINE_8, 4)
        cv2.fillPoly(
            view, [np.rint((corners * per_mm * 2 + 0.5) * 16).astype(np.int32)], (220, 220, 220), cv2.LINE_AA, 4
        )
    faces[edges > 0] = 0
    for kind, mask in ((FACE, faces), (BOUNDARY, edges)):
        likely[kind] = cv2.resize(mask.astype(np.float32), (n, n), interpolation=cv2.INTER_AREA)
    likely[TABLE] = 1 - likely.sum(axis=0)
    table = TableMap(likely=likely, seen=np.ones((n, n), bool), origin_mm=np.zeros(2), per_mm=per_mm)
    return table, TableView(
        codes=view, seen=np.ones((2 * n, 2 * n), bool), origin_mm=np.full(2, -0.25), per_mm=2 * per_mm
    )


def _rectangle(x: float, y: float, w: float, h: float, degrees: float) -> np.ndarray:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    half = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2
    return half @ np.array([[c, s], [-s, c]]) + [x, y]


@settings(max_examples=25, deadline=None)
@given(
    st.floats(90, 130), st.floats(90, 130), st.floats(30, 75), st.floats(50, 120), st.floats(-90, 90),
    st.floats(0.7, 1.0),
)  # fmt: skip
def test_any_rectangle_in_a_map_is_outlined_to_a_millimetre(
    x: float, y: float, w: float, h: float, degrees: float, per_mm: float
) -> None:
    corners = _rectangle(x, y, w, h, degrees)
    (found,) = candidates(*_drawn_map([corners], per_mm=per_mm))
    assert found.flags == ()
    assert max(np.linalg.norm(found.corners_mm - corner, axis=1).min() for corner in corners) < 1.0


@pytest.mark.parametrize("gap_mm", [0.0, 1.0, 3.0])
def test_cards_beside_each_other_are_two(gap_mm: float) -> None:
    first, second = _rectangle(70, 100, 63, 88, 0.0), _rectangle(133 + gap_mm, 100, 63, 88, 0.0)
    found = candidates(*_drawn_map([first, second]))
    assert len(found) == 2
    for outline in found:
        assert sorted(side_lengths(outline.corners_mm)) == pytest.approx([63, 63, 88, 88], abs=1.2)


def test_what_reaches_the_end_of_the_view_is_cut() -> None:
    (found,) = candidates(*_drawn_map([_rectangle(10, 100, 63, 88, 10.0)]))
    assert found.flags == ("cut-by-frame",)


def test_papers_of_references_are_no_pieces() -> None:
    table, view = _drawn_map([_rectangle(110, 110, 80, 80, 5.0)])
    assert candidates(table, view, reference_px=[_rectangle(110, 110, 86, 86, 5.0)]) == ()
