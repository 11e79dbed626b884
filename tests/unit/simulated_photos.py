"""Photos without pixels, for tests of the adjustment: printed points and edge points, projected, with noise."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.bow import SQUARE_TERMS, TERMS, U_SQUARE_MM, U_TERMS_MM, Bow, flat, square_terms
from cardmeasure.camera import Camera, camera_from_homography, project, rotation_matrix, to_plane
from cardmeasure.edges.bends import bow
from cardmeasure.edges.points import EdgePoints
from cardmeasure.geometry import fit_homography
from cardmeasure.linearised import PrintedPoints
from cardmeasure.priors import (
    FLAT_SLOPE_MM,
    U_PRINCIPAL_SHARE,
    U_SHEAR_RAD,
    U_TAPER_MM,
    Priors,
    focal_prior,
    radial_covariance,
)
from cardmeasure.reference.design import SQUARE_30, SQUARE_80
from cardmeasure.reference.sheet import SHEETS
from cardmeasure.unknowns import HALOS, State

Floats = NDArray[np.float64]
Rng = np.random.Generator

WIDTH_PX, HEIGHT_PX, FOCAL_35MM = 4032, 3024, 26.0
MIDDLE_PX = np.array([(WIDTH_PX - 1) / 2, (HEIGHT_PX - 1) / 2])
ELEVATION_MM, U_ELEVATION_MM = 0.2, 0.05
U_POINT_PX, U_EDGE_PX, U_BIAS_PX, TONE_PX = 0.05, 0.15, 0.08, 0.05
U_BULGE_PX, WARP_MM = 0.3, 0.05
PER_SIDE = 12
PLACES_MM = ((85.0, 5.0), (-80.0, -30.0), (10.0, 95.0))
"""Middles of the cards, seen from the first square."""
SIZES_MM = ((63.5, 88.9), (44.0, 68.0), (70.0, 120.0))
SECOND_SQUARE = np.array([-10.0, -80.0, 0.4])


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """A photo: the true state, what was observed of it, the priors, and a start for the adjustment."""

    truth: State
    points: PrintedPoints
    edges: EdgePoints
    priors: Priors
    start: State


def priors_of(
    cards: int,
    *,
    scale: tuple[float, float] = (1.0, 1.0),
    u_scale: float = 0.003,
    u_bias_px: float = U_BIAS_PX,
    lens: float = 1.0,
    warp_mm: float = WARP_MM,
) -> Priors:
    """Priors of a phone photo that names its focal length; `lens`: u of its distortion, 1 as usual."""
    focal, u_log_focal = focal_prior(FOCAL_35MM, width_px=WIDTH_PX, height_px=HEIGHT_PX)
    return Priors(
        log_focal=float(np.log(focal)),
        u_log_focal=u_log_focal,
        principal_px=MIDDLE_PX,
        u_principal_px=U_PRINCIPAL_SHARE * float(np.hypot(WIDTH_PX, HEIGHT_PX)),
        scale=np.array(scale),
        scale_covariance=np.eye(2) * u_scale**2,
        elevation_mm=np.full(cards, ELEVATION_MM),
        u_elevation_mm=U_ELEVATION_MM,
        u_bias_px=np.full((cards, qd.SIDES), u_bias_px),
        radial_covariance=radial_covariance(float(np.hypot(WIDTH_PX, HEIGHT_PX)) / 2 / focal) * lens**2,
        u_bulge_px=U_BULGE_PX,
        u_warp_mm=np.full(len(qd.WARP), warp_mm),
        u_lift_mm=0.0,
    )


def on_a_sheet(rng: Rng, state: State) -> State:
    """The state with a bowed sheet in the place of the squares, its bow drawn from the prior."""
    bow = Bow(coefficients=U_TERMS_MM * rng.normal(size=TERMS), half_mm=SHEETS["a4"].half_mm)
    no_bends = np.zeros((0, SQUARE_TERMS))
    return replace(state, squares=state.squares[:1], camera=replace(state.camera, bow=bow), bends=no_bends)


def true_state(rng: Rng, priors: Priors, *, squares: int = 1, spread: float = 1.0) -> State:
    """A camera above some cards, all unknowns drawn from the priors; `spread` 0 puts them at the priors' means."""
    cards = len(priors.elevation_mm)
    azimuth, turn, tilt = rng.uniform(-np.pi, np.pi), rng.uniform(-np.pi, np.pi), np.radians(rng.uniform(2, 18))
    lean = rotation_matrix(tilt * np.array([np.cos(azimuth), np.sin(azimuth), 0.0]))
    rotation = lean @ rotation_matrix(np.array([0.0, 0.0, turn]))
    camera = Camera(
        rotation=rotation,
        translation_mm=-rotation @ np.array([*rng.uniform(-25, 25, 2), 0.0]) + [0.0, 0.0, rng.uniform(310, 380)],
        focal_px=float(np.exp(priors.log_focal + spread * priors.u_log_focal * rng.normal())),
        principal_px=priors.principal_px + spread * priors.u_principal_px * rng.normal(size=2),
        distortion=spread * np.append(_radial(rng, priors), priors.u_decentring * rng.normal(size=2)),
    )
    quads = np.zeros((cards, qd.PARAMETERS))
    quads[:, [qd.X, qd.Y]] = np.array(PLACES_MM)[:cards] + rng.uniform(-5, 5, (cards, 2))
    quads[:, qd.TURN] = rng.uniform(-np.pi, np.pi, cards)
    quads[:, [qd.WIDTH, qd.HEIGHT]] = np.array(SIZES_MM)[:cards] + rng.uniform(-0.5, 0.5, (cards, 2))
    quads[:, qd.SHEAR] = spread * U_SHEAR_RAD * rng.normal(size=cards)
    quads[:, [qd.WIDTH_TAPER, qd.HEIGHT_TAPER]] = spread * U_TAPER_MM * rng.normal(size=(cards, 2))
    quads[:, qd.ELEVATION] = priors.elevation_mm + spread * priors.u_elevation_mm * rng.normal(size=cards)
    quads[:, qd.WARP] = spread * priors.u_warp_mm * rng.normal(size=(cards, len(qd.WARP)))
    quads[:, [qd.SLOPE_WIDTH, qd.SLOPE_HEIGHT]] = spread * FLAT_SLOPE_MM * rng.normal(size=(cards, 2))
    return State(
        camera=camera,
        scale=priors.scale + spread * np.linalg.cholesky(priors.scale_covariance) @ rng.normal(size=2),
        squares=np.array([np.zeros(3), SECOND_SQUARE])[:squares],
        quads=quads,
        bias_px=spread * priors.u_bias_px * rng.normal(size=(cards, qd.SIDES)),
        bulge_px=spread * priors.u_bulge_px * rng.normal(size=(cards, qd.SIDES)),
        halo_px=spread * priors.u_halo_px * rng.normal(size=HALOS),
        tone=spread * float(rng.normal()),
        bends=spread * U_SQUARE_MM * rng.normal(size=(squares, SQUARE_TERMS)),
    )


def _radial(rng: Rng, priors: Priors) -> Floats:
    return rng.multivariate_normal(np.zeros(3), priors.radial_covariance)


def simulated(rng: Rng, truth: State, priors: Priors, *, noise: float = 1.0) -> Simulated:
    """What is seen of a true state. `noise`: 1 for that which u_px says, 0 for none."""
    points = _points(rng, truth, noise)
    edges = _edges(rng, truth, priors, noise)
    return Simulated(truth=truth, points=points, edges=edges, priors=priors, start=_start(rng, truth, points, priors))


def _points(rng: Rng, truth: State, noise: float) -> PrintedPoints:
    mm, square = [], []
    designs = (SQUARE_80, SQUARE_30) if truth.camera.bow is None else (SHEETS["a4"],)
    for k, design in enumerate(designs[: len(truth.squares)]):
        mm.append(design.saddles_mm if truth.camera.bow is None else design.saddles_mm[::4])
        square.append(np.full(len(mm[-1]), k, np.intp))
    all_mm, all_square = np.concatenate(mm), np.concatenate(square)
    pose = truth.squares[all_square]
    x, y = (all_mm * truth.scale).T
    c, s = np.cos(pose[:, 2]), np.sin(pose[:, 2])
    height = np.zeros(len(x))
    if len(truth.bends):
        half = np.array([np.abs(all_mm[all_square == k]).max() for k in range(len(truth.bends))])
        height = (truth.bends[all_square] * square_terms(all_mm, half[all_square])).sum(axis=1)
    world = np.column_stack([pose[:, 0] + c * x - s * y, pose[:, 1] + s * x + c * y, -height])
    px = project(truth.camera, world)
    u = np.full(len(px), U_POINT_PX)
    return PrintedPoints(square=all_square, mm=all_mm, px=px + noise * u[:, None] * rng.normal(size=px.shape), u_px=u)


def _edges(rng: Rng, truth: State, priors: Priors, noise: float) -> EdgePoints:
    cards = len(truth.quads)
    index = np.arange(cards * qd.SIDES * PER_SIDE, dtype=np.intp)
    card, side = index // (qd.SIDES * PER_SIDE), index // PER_SIDE % qd.SIDES
    along: Floats = np.tile(np.linspace(-0.85, 0.85, PER_SIDE), cards * qd.SIDES)

    def seen(t: Floats) -> Floats:
        return project(truth.camera, qd.world_points(truth.quads[card], qd.side_places(side, t)))

    ahead = seen(along + 1e-3) - seen(along - 1e-3)
    ahead /= np.linalg.norm(ahead, axis=1)[:, None]
    normal = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    u = np.full(len(card), U_EDGE_PX)
    way = rng.choice([-1.0, 1.0], cards)[card]
    tone_px, brighter = TONE_PX * way, way > 0
    out = truth.bias_px[card, side] + truth.bulge_px[card, side] * bow(along) + np.where(brighter, *truth.halo_px)
    out += tone_px * truth.tone + noise * u * rng.normal(size=len(u))
    return EdgePoints(
        card=card, side=side, along=along, px=seen(along) + out[:, None] * normal,
        normal=normal, u_px=u, tone_px=tone_px, brighter=brighter, u_bias_px=priors.u_bias_px,
    )  # fmt: skip


def _start(rng: Rng, truth: State, points: PrintedPoints, priors: Priors) -> State:
    """The camera from the first square alone; the cards where their corners seem to lie, wrong by half a millimetre."""
    first = points.square == 0
    h = fit_homography(points.mm[first], points.px[first])
    camera = camera_from_homography(h, focal_px=float(np.exp(priors.log_focal)), principal_px=priors.principal_px)
    if truth.camera.bow is not None:
        camera = replace(camera, bow=flat(truth.camera.bow.half_mm))
    quads = []
    for quad in truth.quads:
        corners = to_plane(camera, project(truth.camera, qd.corners_mm(quad)), z_mm=-ELEVATION_MM)
        corners = corners + rng.uniform(-0.5, 0.5, (4, 2))
        quads.append(qd.quads_from_corners(corners, elevation_mm=ELEVATION_MM))
    return State(
        camera=camera, scale=priors.scale, squares=truth.squares + 0.0,
        quads=np.array(quads).reshape(-1, qd.PARAMETERS),
        bias_px=np.zeros_like(truth.bias_px), bulge_px=np.zeros_like(truth.bulge_px),
        tone=0.0,
        bends=np.zeros_like(truth.bends),
    )  # fmt: skip
