"""What is known of a photo before it is measured, as pseudo-observations with a name each.

The figures describe phone cameras and cut board in general (common practice, no source, unless one is named) and are
settings of the method, not results.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import camera as cam
from cardmeasure import quads as qd
from cardmeasure.unknowns import Layout, State

Floats = NDArray[np.floating[Any]]

FULL_FRAME_DIAGONAL_MM = 43.2666
"""Diagonal of the 36 x 24 mm frame that the 35 mm equivalent refers to (CIPA DCG-001)."""
U_FOCAL_ROUNDING_MM = 0.29
"""The EXIF value is a whole number: 1 mm / sqrt(12)."""
U_FOCAL_RELATIVE = 0.012
"""Focusing near, stabilisation and cropping on top of the rounding."""
FOCAL_UNKNOWN_SHARE, U_FOCAL_UNKNOWN = 0.62, 0.25
"""Without EXIF: focal length over picture diagonal of a 26 mm equivalent, and its relative u."""
U_PRINCIPAL_SHARE = 0.005
"""Of the picture's diagonal: 25 px at 12 MP."""
U_DISTORTION = np.array([0.08, 0.06, 0.03, 0.0003, 0.0003])
U_SHEAR_RAD = np.radians(0.1)
U_TAPER_MM = 0.05
U_ANYWHERE = 100.0
GROUP_NAMES = ("focal length", "principal point", "lens distortion", "print scale", "card thickness", "squareness",
               "edge model", "tone curve")  # fmt: skip
"""Names of the priors' lines in a budget."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Priors:
    """Means and standard uncertainties of the priors.

    scale_covariance (2, 2), relative. elevation_mm: of the cards' top faces above the print. u_bias_px (c, 4).
    """

    log_focal: float
    u_log_focal: float
    principal_px: Floats
    u_principal_px: float
    scale: Floats
    scale_covariance: Floats
    elevation_mm: Floats
    u_elevation_mm: float
    u_bias_px: Floats


def focal_prior(focal_35mm: float | None, *, width_px: int, height_px: int) -> tuple[float, float]:
    """Focal length in pixels and its relative standard uncertainty, from the EXIF tag or without it."""
    diagonal = float(np.hypot(width_px, height_px))
    if focal_35mm is None:
        return FOCAL_UNKNOWN_SHARE * diagonal, U_FOCAL_UNKNOWN
    u = float(np.hypot(U_FOCAL_ROUNDING_MM / focal_35mm, U_FOCAL_RELATIVE))
    return focal_35mm * diagonal / FULL_FRAME_DIAGONAL_MM, u


def prior_rows(state: State, priors: Priors) -> tuple[Floats, Floats, list[str]]:
    """Weighted residuals (m,), Jacobian (m, n) and the group of each row."""
    at = Layout(squares=len(state.squares), cards=len(state.quads))
    cards = len(state.quads)
    camera, p = state.camera, priors
    blocks: list[tuple[str, NDArray[np.intp], Floats, Floats]] = []

    def add(name: str, columns: object, difference: object, u: object) -> None:
        index = np.atleast_1d(np.asarray(columns, np.intp))
        full = np.ones(len(index))
        blocks.append((name, index, np.asarray(difference, float) * full, np.asarray(u, float) * full))

    add("focal length", cam.LOG_FOCAL, p.log_focal - np.log(camera.focal_px), p.u_log_focal)
    add("principal point", [7, 8], p.principal_px - camera.principal_px, p.u_principal_px)
    add("lens distortion", np.arange(9, 14), -camera.distortion, U_DISTORTION)
    first = at.quads_at.start + qd.PARAMETERS * np.arange(cards)
    elevation = state.quads[:, qd.ELEVATION]
    add("card thickness", first + qd.ELEVATION, p.elevation_mm - elevation, p.u_elevation_mm)
    add("squareness", first + qd.SHEAR, -state.quads[:, qd.SHEAR], U_SHEAR_RAD)
    add("squareness", first + qd.WIDTH_TAPER, -state.quads[:, qd.WIDTH_TAPER], U_TAPER_MM)
    add("squareness", first + qd.HEIGHT_TAPER, -state.quads[:, qd.HEIGHT_TAPER], U_TAPER_MM)
    # so weak that it says nothing, but a card all of whose points turn out to be outliers must not break the solution
    add("squareness", (first[:, None] + np.arange(qd.SHEAR)).ravel(), np.zeros(5 * cards), U_ANYWHERE)
    bias = np.arange(at.bias_at.start, at.bias_at.stop)
    add("edge model", bias, -state.bias_px.reshape(-1), p.u_bias_px.reshape(-1))
    add("tone curve", at.tone_at, -state.tone, 1.0)
    index = np.concatenate([b[1] for b in blocks])
    r = np.concatenate([b[2] / b[3] for b in blocks])
    j = np.zeros((len(r), at.size))
    j[np.arange(len(r)), index] = 1.0 / np.concatenate([b[3] for b in blocks])
    names = [b[0] for b in blocks for _ in b[1]]
    whitener = np.linalg.inv(np.linalg.cholesky(p.scale_covariance))
    j_scale = np.zeros((2, at.size))
    j_scale[:, at.scale_at] = whitener
    return (
        np.concatenate([r, whitener @ (p.scale - state.scale)]),
        np.concatenate([j, j_scale]),
        [*names, "print scale", "print scale"],
    )
