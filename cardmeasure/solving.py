"""From sightings and outlines to a solved photo: starts, priors, and the rounds of edges and adjustment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.adjustment import Adjustment, adjust, approximate
from cardmeasure.bow import SQUARE_TERMS, flat
from cardmeasure.camera import Camera, camera_from_homography, to_plane
from cardmeasure.edges.locating import WINDOW_PX, located_quads
from cardmeasure.edges.lost import found_again
from cardmeasure.edges.measuring import MIN_CLARITY, Conditions, EdgeMeasurement, Known, measure_edges
from cardmeasure.edges.points import EdgePoints, no_edge_points
from cardmeasure.edges.scatter import with_own_scatter
from cardmeasure.edges.whole import SideLooks
from cardmeasure.errors import PhotoTrouble
from cardmeasure.geometry import apply_homography
from cardmeasure.known_pieces import NOTHING_KNOWN, KnownPiece, with_known
from cardmeasure.linearised import PrintedPoints, edge_residuals_px
from cardmeasure.outlines.pieces import Outline
from cardmeasure.photo import Photo
from cardmeasure.priors import (
    U_BULGE_MM,
    U_PRINCIPAL_SHARE,
    UNKNOWN_LENS,
    LensPrior,
    Priors,
    focal_prior,
    radial_covariance,
)
from cardmeasure.reference.finding import Sighting
from cardmeasure.reference.sheet_finding import SheetSighting
from cardmeasure.reference.sheet_look import SheetLook
from cardmeasure.settings import Settings
from cardmeasure.unknowns import State
from cardmeasure.warp import laid_flat, with_bulges, with_warp

Floats = NDArray[np.floating[Any]]

SEARCH_MM = 0.6
"""How far from its rough outline a side is sought."""
U_PLACE_MM, U_PLACE_PX = 0.25, (2.5, 0.8)
"""How far a side may be from its prediction: in the first pass so many millimetres, and pixels at least in each."""
U_BESIDE_MM = 0.12
"""Of a side beside another card's: what its own fit does not know of (from rendered scenes)."""
U_SEAM_PX = 1.2
"""How far a side that another card touches may be from the seam."""
U_JOINED_MM = 0.02
"""The same of a side that another card touches."""
MIN_CLARITY_AT_FIRST = 0.8
"""A side that shows less is not looked at again; of what is measured at last more is asked."""
MIN_USED, MIN_USED_AT_FIRST = 0.4, 0.1
"""Share of a side's stretches that must have been found for the side to count, and to be looked at again."""
ROUGHLY_BENT_MM = 0.3
"""A card that rises by this says of lens and pose but half as much, squared, as a flat one (rendered shots)."""
FARTHEST = 3.0
"""So many times what it may be, a side may be from its prediction."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """A solved photo. `found` (c,): cards all of whose sides were found; others are not in the adjustment.

    `card_of` (c,): index in the adjustment of each outline's card, -1 where it is not in it. `known`: pieces of which
    more is known than of the others, by outline. `priors`: those that it was solved with. `outlined_by`: the camera by
    which outlines were put on the table.
    """

    adjustment: Adjustment
    edges: EdgeMeasurement | None
    card_of: NDArray[np.intp]
    px_per_mm: float
    priors: Priors
    outlined_by: Camera
    known: Mapping[int, KnownPiece] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class Start:
    """A photo solved from its printed points alone, nearly, and the priors used."""

    state: State
    priors: Priors

    @property
    def camera(self) -> Camera:
        """Camera and lens as far as the printed points tell."""
        return self.state.camera


def solve_reference(
    photo: Photo, squares: tuple[Sighting, ...], settings: Settings, *, lens: LensPrior | None = None
) -> Start:
    """Camera, lens and scale from the printed points and the priors, before any card is known."""
    state, priors = _start_state(photo, squares, settings)
    if lens is not None:
        priors = replace(priors, lens=lens)
        distortion = np.array([*lens.mean[1:], 0.0, 0.0])
        camera = replace(state.camera, focal_px=float(np.exp(lens.mean[0])), distortion=distortion)
        state = replace(state, camera=camera)
    try:
        return Start(state=approximate(state, printed_points(squares), no_edge_points(0), priors), priors=priors)
    except np.linalg.LinAlgError as error:
        raise PhotoTrouble("reference-unclear", "The points of the reference square fit no camera.") from error


def _start_state(photo: Photo, squares: tuple[Sighting, ...], settings: Settings) -> tuple[State, Priors]:
    """Camera from the largest square, all else at its prior."""
    size = np.array([photo.width_px, photo.height_px], float)
    focal, u_log_focal = focal_prior(photo.camera.focal_35mm, width_px=photo.width_px, height_px=photo.height_px)
    principal = (size - 1) / 2
    camera = camera_from_homography(squares[0].homography, focal_px=focal, principal_px=principal)
    if isinstance(squares[0], SheetSighting):
        camera = replace(camera, bow=flat(squares[0].design.half_mm))
    profile = settings.print_profile
    wider = UNKNOWN_LENS if photo.camera.focal_35mm is None else 1.0
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
        bulge_px=np.zeros((0, qd.SIDES)),
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
        u_elevation_mm=np.zeros(0),
        u_bias_px=np.zeros((0, qd.SIDES)),
        radial_covariance=radial_covariance(float(np.hypot(*size)) / 2 / focal) * wider**2,
        u_bulge_px=U_BULGE_MM * squares[0].px_per_mm,
    )
    return state, priors


def printed_points(squares: tuple[Sighting, ...]) -> PrintedPoints:
    """The saddle points of all squares as observations."""
    count = [len(s.points_mm) for s in squares]
    return PrintedPoints(
        square=np.repeat(np.arange(len(squares)), count),
        mm=np.concatenate([s.points_mm for s in squares]),
        px=np.concatenate([s.points_px for s in squares]),
        u_px=np.repeat([s.u_px for s in squares], count),
    )


def solve(
    photo: Photo, squares: tuple[Sighting, ...], outlines: tuple[Outline, ...], settings: Settings,
    *, start: Start, known: Mapping[int, KnownPiece] = NOTHING_KNOWN, sheet: SheetLook | None = None,
) -> Solution:  # fmt: skip
    """Locate, then fit and adjust in passes, each with walls and lens as the one before has found them.

    known : what is known of single pieces, by outline. sheet : how the measuring sheet that the pieces lie on looks, if
    they do.
    """
    points = printed_points(squares)
    state, wanted = _located(photo, squares, outlines, start, settings, sheet)
    edges: EdgeMeasurement | None = None
    priors = start.priors
    for turn, u_least in enumerate(U_PLACE_PX):
        if not wanted:
            break
        u_place = max(u_least, U_PLACE_MM * squares[0].px_per_mm) if turn == 0 else u_least
        before = edges.known_with(edge_residuals_px(state, edges.points)) if edges else None
        last = turn == len(U_PLACE_PX) - 1
        laid = [outlines[k] for k in wanted]
        measured = partial(_measured, photo, squares, state, settings, laid, coarse=not last, known=before, sheet=sheet)
        u_places = np.where(_joined(laid), U_SEAM_PX, u_place)
        edges = measured(np.arange(len(laid)), state.quads, u_places)
        if turn == 0 and sheet is None:  # whose outlines are sure
            per_mm = squares[0].px_per_mm
            quads, edges = found_again(
                photo, state.camera, state.quads, edges, px_per_mm=per_mm, u_place_px=u_place, measured=measured,
                joined=_joined(laid), sure=_sure(laid),
            )  # fmt: skip
            state = _with_cards(state, quads)
        # on a sheet, whose outlines are sure, a line printed inside the border may still lie within a first, wide look
        clear = edges.clarity >= (MIN_CLARITY if last else MIN_CLARITY_AT_FIRST if sheet is None else 0.0)
        lies = edges.on_table | np.array([o.exact for o in laid])[:, None]
        good = (edges.used >= (MIN_USED if last else MIN_USED_AT_FIRST)) & clear & lies
        # a side that a second look finds elsewhere is not understood
        good &= np.abs(edges.known.sides.looks.place_px.reshape(-1, qd.SIDES)) < FARTHEST * u_place
        keep: NDArray[np.bool_] = np.asarray(good.all(axis=1))
        state, edges = state.of_cards(keep), edges.of_cards(keep)
        wanted = [k for k, good in zip(wanted, keep.tolist(), strict=True) if good]
        laid = [outlines[k] for k in wanted]
        edges = _less_sure(edges, laid, squares[0].px_per_mm)
        priors = with_known(_priors_for(priors, edges.points, laid, settings), wanted, known)
        if not last:
            # only now, as a bent square and a lens look alike while no card says otherwise
            state = replace(state, bends=np.zeros((0 if state.camera.bow else len(squares), SQUARE_TERMS)))
            state = approximate(state, points, edges.points, priors)
    card_of = np.full(len(outlines), -1, np.intp)
    card_of[wanted] = np.arange(len(wanted))
    if edges and wanted:
        edges = _as_they_scatter(edges, state)
        priors = replace(priors, u_bias_px=edges.points.u_bias_px)
        adjustment, priors = _adjusted(state, points, edges.points, priors, px_per_mm=squares[0].px_per_mm)
    else:
        edges, priors = None, start.priors
        adjustment = adjust(state, points, no_edge_points(0), priors)
    return Solution(
        adjustment=adjustment, edges=edges, card_of=card_of, px_per_mm=squares[0].px_per_mm, priors=priors,
        outlined_by=start.camera, known=known,
    )  # fmt: skip


def _adjusted(
    state: State, points: PrintedPoints, edges: EdgePoints, priors: Priors, *, px_per_mm: float
) -> tuple[Adjustment, Priors]:
    """The adjustment with priors of how much sides bulge and cards bend as the photo itself shows it, and these."""
    adjustment = adjust(state, points, edges, priors)
    priors = with_bulges(priors, adjustment, px_per_mm=px_per_mm)
    adjustment = adjust(adjustment.state, points, edges, priors)
    priors = with_warp(priors, adjustment)
    return adjust(adjustment.state, points, edges, priors), priors


def _as_they_scatter(edges: EdgeMeasurement, state: State) -> EdgeMeasurement:
    """With u of the points as their sides scatter, and larger on cards that rise, which no bend is exactly like."""
    points = with_own_scatter(edges.points, edge_residuals_px(state, edges.points))
    rise_mm = np.abs(state.quads[:, [qd.RISE_WIDTH, qd.RISE_HEIGHT]]).max(axis=1)
    less_sure = np.sqrt(1 + (rise_mm / ROUGHLY_BENT_MM) ** 2)
    return replace(edges, points=replace(points, u_px=points.u_px * less_sure[points.card]))


def _located(
    photo: Photo, squares: tuple[Sighting, ...], outlines: tuple[Outline, ...], start: Start, settings: Settings,
    sheet: SheetLook | None,
) -> tuple[State, list[int]]:  # fmt: skip
    """The state with all cards whose sides were found near their outlines, and which outlines these are."""
    state = start.state
    wanted = [k for k, o in enumerate(outlines) if not o.flags and not o.is_solid]
    if not wanted:
        return state, []
    laid = [outlines[k] for k in wanted]
    quads = _rough_quads(state.camera, laid, _elevations_mm(laid, settings))
    if sheet is not None:  # the outline is good to a pixel there, and so many printed points know the lens already
        return _with_cards(state, quads), wanted
    reach = max(4.0, SEARCH_MM * squares[0].px_per_mm) + WINDOW_PX
    located = located_quads(photo, state.camera, quads, reach_px=reach, deep_corners_mm=_corners_mm(laid),
                            clearest=np.array([o.exact for o in laid]), settled=_settled(laid))  # fmt: skip
    keep: NDArray[np.bool_] = np.asarray(located.found.all(axis=1))
    edges = located.points.of_cards(keep)
    wanted = [k for k, good in zip(wanted, keep.tolist(), strict=True) if good]
    state = _with_cards(state, located.quads[keep])
    # so many rough steps know the lens much better than the square alone
    priors = _priors_for(start.priors, edges, [outlines[k] for k in wanted], settings)
    return approximate(state, printed_points(squares), edges, laid_flat(priors)), wanted


def _measured(
    photo: Photo, squares: tuple[Sighting, ...], state: State, settings: Settings, outlines: list[Outline],
    which: NDArray[np.intp], quads: Floats, u_place_px: Floats, taught: SideLooks | None = None, *, coarse: bool,
    known: Known | None, sheet: SheetLook | None,
) -> EdgeMeasurement:  # fmt: skip
    conditions = replace(conditions_of(photo, squares, settings), sheet=sheet)
    return measure_edges(
        photo, state.camera, quads, conditions=conditions, u_place_px=u_place_px,
        coarse=coarse, known=known, taught=taught, deep_corners_mm=_corners_mm([outlines[k] for k in which]),
        joined=_joined([outlines[k] for k in which]),
    )  # fmt: skip


def conditions_of(photo: Photo, squares: tuple[Sighting, ...], settings: Settings) -> Conditions:
    """What the edges of a photo are seen under."""
    return Conditions(
        blur_px=squares[0].blur_px, white=float(photo.response[int(squares[0].white)]), paper_mm=settings.paper_mm,
        u_thickness_mm=settings.u_thickness_mm, colour_halved=photo.colour_halved,
        blur_covariance_px2=getattr(squares[0], "blur_covariance_px2", None),
    )  # fmt: skip


def _elevations_mm(outlines: list[Outline], settings: Settings) -> Floats:
    """Heights of the top faces above the print."""
    return np.array([_thickness_mm(o, settings)[0] + o.raised_mm - settings.paper_mm for o in outlines])


def _thickness_mm(outline: Outline, settings: Settings) -> tuple[float, float]:
    """A piece's thickness and its u: its own where they are known."""
    own, u = outline.thickness_mm, outline.u_thickness_mm
    return settings.thickness_mm if own is None else own, settings.u_thickness_mm if u is None else u


def _corners_mm(outlines: list[Outline]) -> Floats:
    return np.array([outline.corner_radius_mm for outline in outlines])


def _joined(outlines: list[Outline]) -> NDArray[np.bool_]:
    """Along which sides (c, 4) others touch the pieces."""
    return np.array([outline.joined for outline in outlines], bool).reshape(-1, qd.SIDES)


def _settled(outlines: list[Outline]) -> NDArray[np.bool_]:
    """Which sides (c, 4) of the pieces have been found already."""
    return np.asarray(_joined(outlines) | _sure(outlines)[:, None])


def _sure(outlines: list[Outline]) -> NDArray[np.bool_]:
    """Which pieces (c,) a closer look has borne out."""
    return np.array([o.sure for o in outlines], bool)


def _with_cards(state: State, quads: Floats) -> State:
    return State(
        camera=state.camera, scale=state.scale, squares=state.squares, quads=quads,
        bias_px=np.zeros((len(quads), qd.SIDES)), bulge_px=np.zeros((len(quads), qd.SIDES)), tone=0.0,
        bends=state.bends,
    )  # fmt: skip


def _less_sure(edges: EdgeMeasurement, outlines: list[Outline], px_per_mm: float) -> EdgeMeasurement:
    """Wider u for the sides that lie beside other cards: their shadows and walls are not those of the rest."""
    beside = np.array([o.beside for o in outlines], bool).reshape(-1, qd.SIDES)
    more = np.where(_joined(outlines), U_JOINED_MM, np.where(beside, U_BESIDE_MM, 0.0)) * px_per_mm
    points = replace(edges.points, u_bias_px=np.hypot(edges.points.u_bias_px, more))
    return replace(edges, points=points)


def _priors_for(priors: Priors, edges: EdgePoints, outlines: list[Outline], settings: Settings) -> Priors:
    u = np.array([np.hypot(np.hypot(_thickness_mm(o, settings)[1], o.u_raised_mm), settings.u_paper_mm)
                  for o in outlines])  # fmt: skip
    return replace(priors, elevation_mm=_elevations_mm(outlines, settings), u_elevation_mm=u, u_bias_px=edges.u_bias_px)


def _rough_quads(camera: Camera, outlines: list[Outline], elevation_mm: Floats) -> Floats:
    """The outlines (c,) lie on the plane of the print; their pieces' top faces are a little nearer: (c, 14)."""
    corners = np.array([outline.corners_mm for outline in outlines])
    centre = camera.position_mm
    raised = corners + (centre[:2] - corners) * (elevation_mm / -centre[2])[:, None, None]
    return qd.quads_from_corners(raised, elevation_mm=elevation_mm)


def _square_pose(camera: Camera, square: Sighting) -> Floats:
    """Place and turn of a square on the table of the first."""
    middle = apply_homography(square.homography, np.array([[0.0, 0.0], [5.0, 0.0]]))
    at = to_plane(camera, middle)
    way = at[1] - at[0]
    return np.array([*at[0], np.arctan2(way[1], way[0])])
