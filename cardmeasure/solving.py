"""From sightings and outlines to a solved photo: starts, priors, and the rounds of edges and adjustment."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.adjustment import Adjustment, adjust, approximate
from cardmeasure.camera import Camera, camera_from_homography, to_plane
from cardmeasure.edges.locating import WINDOW_PX, located_quads
from cardmeasure.edges.measuring import Conditions, EdgeMeasurement, Known, measure_edges
from cardmeasure.edges.points import EdgePoints, no_edge_points
from cardmeasure.errors import PhotoTrouble
from cardmeasure.geometry import apply_homography
from cardmeasure.linearised import PrintedPoints, edge_residuals_px
from cardmeasure.outlines.pieces import Outline
from cardmeasure.photo import Photo
from cardmeasure.priors import U_DISTORTION, U_PRINCIPAL_SHARE, UNKNOWN_LENS, Priors, focal_prior
from cardmeasure.reference.finding import SquareSighting
from cardmeasure.settings import Settings
from cardmeasure.unknowns import State

Floats = NDArray[np.floating[Any]]

U_POINT_PX = 0.03
SEARCH_MM = 0.6
"""How far from its rough outline a side is sought."""
U_PLACE_MM, U_PLACE_PX = 0.25, (2.5, 0.8)
"""How far a side may be from its prediction: in the first pass so many millimetres, and pixels at least in each."""
U_BESIDE_MM = 0.12
"""Of a side beside another card's: what its own fit does not know of (from rendered scenes)."""
MIN_USED = 0.4
"""Share of a side's stretches that must have been found for the side to count."""
MIN_CLARITY = 1.5
FARTHEST = 3.0
"""So many times what it may be, a side may be from its prediction."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """A solved photo. `found` (c,): cards all of whose sides were found; others are not in the adjustment.

    `card_of` (c,): index in the adjustment of each outline's card, -1 where it is not in it.
    """

    adjustment: Adjustment
    edges: EdgeMeasurement | None
    card_of: NDArray[np.intp]
    px_per_mm: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Start:
    """A photo solved from its printed points alone, nearly, and the priors used."""

    state: State
    priors: Priors

    @property
    def camera(self) -> Camera:
        """Camera and lens as far as the printed points tell."""
        return self.state.camera


def solve_reference(photo: Photo, squares: tuple[SquareSighting, ...], settings: Settings) -> Start:
    """Camera, lens and scale from the printed points and the priors, before any card is known."""
    state, priors = _start_state(photo, squares, settings)
    try:
        return Start(state=approximate(state, printed_points(squares), no_edge_points(0), priors), priors=priors)
    except np.linalg.LinAlgError as error:
        raise PhotoTrouble("reference-unclear", "The points of the reference square fit no camera.") from error


def _start_state(photo: Photo, squares: tuple[SquareSighting, ...], settings: Settings) -> tuple[State, Priors]:
    """Camera from the largest square, all else at its prior."""
    size = np.array([photo.width_px, photo.height_px], float)
    focal, u_log_focal = focal_prior(photo.camera.focal_35mm, width_px=photo.width_px, height_px=photo.height_px)
    principal = (size - 1) / 2
    camera = camera_from_homography(squares[0].homography, focal_px=focal, principal_px=principal)
    profile = settings.print_profile
    covariance = np.array(
        [
            [profile.u_scale_x**2, profile.correlation * profile.u_scale_x * profile.u_scale_y],
            [profile.correlation * profile.u_scale_x * profile.u_scale_y, profile.u_scale_y**2],
        ]
    )
    state = State(
        camera=camera,
        scale=np.array([profile.scale_x, profile.scale_y]),
        squares=np.array([_square_pose(camera, s) for s in squares]),
        quads=np.zeros((0, qd.PARAMETERS)),
        bias_px=np.zeros((0, qd.SIDES)),
        tone=0.0,
    )
    priors = Priors(
        log_focal=float(np.log(focal)),
        u_log_focal=u_log_focal,
        principal_px=principal,
        u_principal_px=U_PRINCIPAL_SHARE * float(np.hypot(*size)),
        scale=state.scale,
        scale_covariance=covariance,
        elevation_mm=np.zeros(0),
        u_elevation_mm=float(np.hypot(settings.u_thickness_mm, settings.u_paper_mm)),
        u_bias_px=np.zeros((0, qd.SIDES)),
        u_distortion=U_DISTORTION * (UNKNOWN_LENS if photo.camera.focal_35mm is None else 1.0),
        curl_yields=photo.camera.focal_35mm is not None,
    )
    return state, priors


def printed_points(squares: tuple[SquareSighting, ...]) -> PrintedPoints:
    """The saddle points of all squares as observations."""
    count = [len(s.points_mm) for s in squares]
    return PrintedPoints(
        square=np.repeat(np.arange(len(squares)), count),
        mm=np.concatenate([s.points_mm for s in squares]),
        px=np.concatenate([s.points_px for s in squares]),
        u_px=np.full(sum(count), U_POINT_PX),
    )


def solve(
    photo: Photo, squares: tuple[SquareSighting, ...], outlines: tuple[Outline, ...], settings: Settings,
    *, start: Start,
) -> Solution:  # fmt: skip
    """Locate, then fit and adjust in passes, each with walls and lens as the one before has found them."""
    points = printed_points(squares)
    elevation = settings.thickness_mm - settings.paper_mm
    state, wanted = _located(photo, squares, outlines, start, elevation)
    edges: EdgeMeasurement | None = None
    priors = start.priors
    for turn, u_least in enumerate(U_PLACE_PX):
        if not wanted:
            break
        u_place = max(u_least, U_PLACE_MM * squares[0].px_per_mm) if turn == 0 else u_least
        known = edges.known_with(edge_residuals_px(state, edges.points)) if edges else None
        last = turn == len(U_PLACE_PX) - 1
        edges = _measured(photo, squares, state, settings, u_place=u_place, coarse=not last, known=known)
        good = (edges.used >= MIN_USED) & (edges.clarity >= MIN_CLARITY)
        good &= edges.on_table | np.array([outlines[k].exact for k in wanted])[:, None]
        # a side that a second look finds elsewhere is not understood
        good &= np.abs(edges.known.sides.looks.place_px.reshape(-1, qd.SIDES)) < FARTHEST * u_place
        keep: NDArray[np.bool_] = np.asarray(good.all(axis=1))
        state, edges = state.of_cards(keep), edges.of_cards(keep)
        wanted = [k for k, good in zip(wanted, keep.tolist(), strict=True) if good]
        edges = _less_sure(edges, np.array([outlines[k].beside for k in wanted], bool), squares[0].px_per_mm)
        priors = _priors_for(priors, edges.points, elevation)
        if not last:
            state = approximate(state, points, edges.points, priors)
    edges = edges if wanted else None
    card_of = np.full(len(outlines), -1, np.intp)
    card_of[wanted] = np.arange(len(wanted))
    adjustment = adjust(state, points, edges.points if edges else no_edge_points(0), priors if edges else start.priors)
    return Solution(adjustment=adjustment, edges=edges, card_of=card_of, px_per_mm=squares[0].px_per_mm)


def _located(
    photo: Photo, squares: tuple[SquareSighting, ...], outlines: tuple[Outline, ...], start: Start, elevation: float
) -> tuple[State, list[int]]:
    """The state with all cards whose sides were found near their outlines, and which outlines these are."""
    state = start.state
    wanted = [k for k, o in enumerate(outlines) if not o.flags]
    if not wanted:
        return state, []
    quads = np.array([_rough_quad(state.camera, outlines[k], elevation) for k in wanted])
    reach = max(4.0, SEARCH_MM * squares[0].px_per_mm) + WINDOW_PX
    clearest = np.array([outlines[k].exact for k in wanted])
    located = located_quads(photo, state.camera, quads, reach_px=reach, clearest=clearest)
    keep: NDArray[np.bool_] = np.asarray(located.found.all(axis=1))
    edges = located.points.of_cards(keep)
    state = _with_cards(state, located.quads[keep])
    # so many rough steps know the lens much better than the square alone
    state = approximate(state, printed_points(squares), edges, _priors_for(start.priors, edges, elevation))
    return state, [k for k, good in zip(wanted, keep.tolist(), strict=True) if good]


def _measured(
    photo: Photo, squares: tuple[SquareSighting, ...], state: State, settings: Settings,
    *, u_place: float, coarse: bool, known: Known | None,
) -> EdgeMeasurement:  # fmt: skip
    conditions = Conditions(
        blur_px=squares[0].blur_px, white=float(photo.response[int(squares[0].white)]), paper_mm=settings.paper_mm,
        u_thickness_mm=settings.u_thickness_mm,
    )  # fmt: skip
    return measure_edges(
        photo, state.camera, state.quads, conditions=conditions, u_place_px=u_place, coarse=coarse, known=known
    )


def _with_cards(state: State, quads: Floats) -> State:
    return State(
        camera=state.camera, scale=state.scale, squares=state.squares, quads=quads,
        bias_px=np.zeros((len(quads), qd.SIDES)), tone=0.0,
    )  # fmt: skip


def _less_sure(edges: EdgeMeasurement, beside: NDArray[np.bool_], px_per_mm: float) -> EdgeMeasurement:
    """Wider u for the sides of cards (c,) that lie beside others: their shadows and walls are not those of the rest."""
    more = np.where(beside, U_BESIDE_MM * px_per_mm, 0.0)[:, None]
    points = replace(edges.points, u_bias_px=np.hypot(edges.points.u_bias_px, more))
    return replace(edges, points=points)


def _priors_for(priors: Priors, edges: EdgePoints, elevation_mm: float) -> Priors:
    u_bias = edges.u_bias_px
    return replace(priors, elevation_mm=np.full(len(u_bias), elevation_mm), u_bias_px=u_bias)


def _rough_quad(camera: Camera, outline: Outline, elevation_mm: float) -> Floats:
    """The outline lies on the plane of the print; its piece's top face is a little nearer."""
    corners = outline.corners_mm
    centre = camera.position_mm
    raised = corners + (centre[:2] - corners) * (elevation_mm / -centre[2])
    return qd.quad_from_corners(raised, elevation_mm=elevation_mm)


def _square_pose(camera: Camera, square: SquareSighting) -> Floats:
    """Place and turn of a square on the table of the first."""
    middle = apply_homography(square.homography, np.array([[0.0, 0.0], [5.0, 0.0]]))
    at = to_plane(camera, middle)
    way = at[1] - at[0]
    return np.array([*at[0], np.arctan2(way[1], way[0])])
