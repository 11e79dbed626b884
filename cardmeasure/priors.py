"""What is known of a photo before it is measured, as pseudo-observations with a name each.

The figures describe phone cameras and cut board in general (common practice, no source, unless one is named) and are
settings of the method, not results.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cardmeasure import camera as cam
from cardmeasure import quads as qd
from cardmeasure.bow import U_SQUARE_MM, U_TERMS_MM
from cardmeasure.normal_equations import OWN, Normal, Parts, PriorSums
from cardmeasure.unknowns import State

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
UNKNOWN_LENS = 3.0
"""Factor on these for a photo that names no focal length: it may come from a webcam or a wide lens."""
U_SHEAR_RAD = np.radians(0.2) / np.sqrt(3)
"""Cards are cut out of square by up to 0.2 degrees, any of it alike."""
U_TAPER_MM = 0.02
"""As scissors and punches leave it (from memory). The rendered cards are drawn with 0.03 mm in one direction, and none
in the other, which is as much at the root of the mean square."""
U_RISE_MM, RISE_ROBUST_AT, MOST_RISE_MM = 0.01, 1.5, 0.3
"""How far pressed cards' rims or middles stand up; those that rise more, beyond so many u, are believed to (Cauchy), up
to what curled cards do (standard deviation)."""
U_ANYWHERE = 100.0
CURL_GROUP, BEND_GROUP = "card curl", "square's bend"
GROUP_NAMES = ("focal length", "principal point", "lens distortion", "print scale", "card thickness", CURL_GROUP,
               "squareness", "edge model", "tone curve", BEND_GROUP)  # fmt: skip
"""Names of the priors' lines in a budget."""
BANK_CARD = "bank card"
"""Name of the line that comes in where a card of known size lies in the photo."""
BOW_GROUP = "paper bow"
"""One line more where the reference is a sheet."""
LENS_PROFILE = "lens profile"
"""Name of the line that stands for focal length and radial distortion where a lens profile was used."""
RADIAL = [cam.LOG_FOCAL, 9, 10, 11]


@dataclass(frozen=True, kw_only=True, eq=False)
class LensPrior:
    """What a lens profile says: mean (4,) and covariance (4, 4) of log focal length (px), k1, k2, k3."""

    mean: Floats
    covariance: Floats


@dataclass(frozen=True, kw_only=True)
class KnownSize:
    """A card whose size is known beforehand: its place among the cards, short and long side with their u, mm."""

    card: int
    sides_mm: tuple[float, float]
    u_sides_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class Priors:
    """Means and standard uncertainties of the priors.

    scale_covariance (2, 2), relative. elevation_mm, u_elevation_mm: of the cards' top faces above the print, (c,), and
    their u, one for all or (c,). u_bias_px (c, 4). known_sizes: cards whose sizes are known. lens: goes before
    log_focal and the radial part of u_distortion, where there is one.
    u_distortion (5,): k1, k2, k3, p1, p2, whose means are none. curl_yields: whether cards may curl beyond the prior;
    not where nothing is known of the lens, whose bows look the same.
    """

    log_focal: float
    u_log_focal: float
    principal_px: Floats
    u_principal_px: float
    scale: Floats
    scale_covariance: Floats
    elevation_mm: Floats
    u_elevation_mm: Floats | float
    u_bias_px: Floats
    u_distortion: Floats = field(default_factory=lambda: U_DISTORTION)
    curl_yields: bool = True
    known_sizes: tuple[KnownSize, ...] = ()
    lens: LensPrior | None = None


def focal_prior(focal_35mm: float | None, *, width_px: int, height_px: int) -> tuple[float, float]:
    """Focal length in pixels and its relative standard uncertainty, from the EXIF tag or without it."""
    diagonal = float(np.hypot(width_px, height_px))
    if focal_35mm is None:
        return FOCAL_UNKNOWN_SHARE * diagonal, U_FOCAL_UNKNOWN
    u = float(np.hypot(U_FOCAL_ROUNDING_MM / focal_35mm, U_FOCAL_RELATIVE))
    return focal_35mm * diagonal / FULL_FRAME_DIAGONAL_MM, u


@dataclass(frozen=True, kw_only=True, eq=False)
class PriorRows:
    """The priors as rows: linear in the unknowns, so built once.

    mean (n,): of the vector of unknowns; NaN where a row only keeps its unknown from diverging. columns, sharpness
    (s,): unknown and 1 / u of each of the first rows, which know of one only. blocks: unknowns (b,) and rows (b, b) of
    those that are known together; they are common to all cards. groups: the name of each row; robust (k,): whether it
    yields to what the photo shows.
    """

    mean: Floats
    columns: NDArray[np.intp]
    sharpness: Floats
    blocks: tuple[tuple[NDArray[np.intp], Floats], ...]
    groups: tuple[str, ...]
    robust: NDArray[np.bool_]

    @cached_property
    def jacobian(self) -> Floats:
        """All rows (k, n), in units of u."""
        jacobian = np.zeros((len(self.groups), len(self.mean)))
        row = len(self.columns)
        jacobian[np.arange(row), self.columns] = self.sharpness
        for places, rows in self.blocks:
            jacobian[row : row + len(places), places] = rows
            row += len(places)
        return jacobian

    @cached_property
    def _anywhere(self) -> NDArray[np.intp]:
        """Unknowns whose rows only keep them from diverging."""
        return np.flatnonzero(np.isnan(self.mean))

    @cached_property
    def _soft(self) -> NDArray[np.intp]:
        return np.flatnonzero(self.robust)

    def weights(self, residuals: Floats) -> Floats:
        """Weights (k,) of the rows with such residuals."""
        weights = np.ones(len(residuals))
        soft = residuals[self._soft] / RISE_ROBUST_AT
        weights[self._soft] = np.maximum(1 / (1 + soft**2), (U_RISE_MM / MOST_RISE_MM) ** 2)
        return weights

    def sums(self, parts: Parts, weights: Floats, residuals: Floats) -> PriorSums:
        """What they add to the normal equations, with weights and residuals (k,)."""
        n, single = len(self.mean), len(self.columns)
        weighted = weights[:single] * self.sharpness
        diagonal: Floats = np.bincount(self.columns, weighted * self.sharpness, minlength=n).astype(np.float64)
        right: Floats = np.bincount(self.columns, weighted * residuals[:single], minlength=n).astype(np.float64)
        whole = np.diag(diagonal[: len(parts.common) - 1])
        first = single
        for places, rows in self.blocks:
            right[places] += rows.T @ residuals[first : first + len(places)]
            whole[places[:, None], places] += rows.T @ rows
            first += len(places)
        common = np.zeros((len(parts.common), len(parts.common)))
        common[:-1, :-1], common[-1, -1] = whole, diagonal[parts.layout.tone_at]
        return PriorSums(
            common=common, own=diagonal[parts.own], right_common=right[parts.common], right_own=right[parts.own]
        )

    def normal(self, parts: Parts, weights: Floats, residuals: Floats) -> Normal:
        """Their normal matrix and right side, with weights and residuals (k,)."""
        add = self.sums(parts, weights, residuals)
        return Normal(
            parts=parts, common=add.common, own=add.own[..., None] * np.eye(OWN),
            mixed=np.zeros((*parts.own.shape, len(add.common))),
            right_common=add.right_common, right_own=add.right_own,
        )  # fmt: skip

    def residuals(self, state: State) -> Floats:
        """Residuals (k,) in units of u."""
        off = self.mean - state.vector
        off[self._anywhere] = 0.0
        return np.concatenate(
            [off[self.columns] * self.sharpness, *(rows @ off[places] for places, rows in self.blocks)]
        )

    @cached_property
    def _of_groups(self) -> dict[str, list[int]]:
        """Which of the rows are each group's."""
        mine: dict[str, list[int]] = {}
        for row, name in enumerate(self.groups):
            mine.setdefault(name, []).append(row)
        return mine

    def rows_of(self, group: str) -> list[int]:
        """Which rows are a group's, in the order of `times`."""
        return self._of_groups[group]

    def times(self, group: str, weights: Floats, matrix: Floats) -> Floats:
        """Rows of the Jacobian that belong to a group, times the roots of their weights (k,), times a matrix (n, m)."""
        first = len(self.columns)
        single = [row for row in self._of_groups[group] if row < first]
        out = [matrix[self.columns[single]] * (self.sharpness[single] * np.sqrt(weights[single]))[:, None]]
        for places, rows in self.blocks:
            if self.groups[first] == group:
                out.append(rows @ matrix[places])
            first += len(places)
        return np.concatenate(out)


def prior_rows(state: State, priors: Priors) -> PriorRows:
    """The rows for a state's unknowns."""
    at, p = state.layout, priors
    mean = np.full(at.size, np.nan)
    known = _known_rows(state, p.known_sizes)
    groups: list[str] = []
    columns: list[NDArray[np.intp]] = []
    sharpness: list[Floats] = []

    def add(name: str, index: ArrayLike, value: ArrayLike, u: ArrayLike) -> None:
        at_columns = np.atleast_1d(np.asarray(index, np.intp))
        mean[at_columns] = value
        groups.extend([name] * len(at_columns))
        columns.append(at_columns)
        sharpness.append(1.0 / (np.asarray(u, float) + np.zeros(len(at_columns))))

    if p.lens is None:
        add("focal length", cam.LOG_FOCAL, p.log_focal, p.u_log_focal)
        add("lens distortion", np.arange(9, 12), 0.0, p.u_distortion[:3])
    add("principal point", [7, 8], p.principal_px, p.u_principal_px)
    add("lens distortion", [12, 13], 0.0, p.u_distortion[3:])
    first = at.quads_at.start + qd.PARAMETERS * np.arange(at.cards)
    add("card thickness", first + qd.ELEVATION, p.elevation_mm, p.u_elevation_mm)
    for rise in (qd.RISE_WIDTH, qd.RISE_HEIGHT):
        add(CURL_GROUP, first + rise, 0.0, U_RISE_MM)
    add("squareness", first + qd.SHEAR, 0.0, U_SHEAR_RAD)
    add("squareness", first + qd.WIDTH_TAPER, 0.0, U_TAPER_MM)
    add("squareness", first + qd.HEIGHT_TAPER, 0.0, U_TAPER_MM)
    # so weak that it says nothing, but a card all of whose points turn out to be outliers must not break the solution
    anywhere = (first[:, None] + np.arange(qd.SHEAR)).ravel()
    if known:
        anywhere = anywhere[~np.isin(anywhere, [row[0] for row in known])]
    add("squareness", anywhere, np.nan, U_ANYWHERE)
    for index, side_mm, u_mm in known:
        add(BANK_CARD, index, side_mm, u_mm)
    add("edge model", np.arange(at.bias_at.start, at.bias_at.stop), 0.0, p.u_bias_px.reshape(-1))
    add("tone curve", at.tone_at, 0.0, 1.0)
    if at.bends:
        add(BEND_GROUP, np.arange(at.bends_at.start, at.bends_at.stop), 0.0, U_SQUARE_MM)
    if at.bow:
        add(BOW_GROUP, np.arange(at.bow_at.start, at.bow_at.stop), 0.0, U_TERMS_MM)
    scale = np.arange(at.scale_at.start, at.scale_at.stop)
    blocks = [("print scale", scale, p.scale, p.scale_covariance)]
    if p.lens is not None:
        blocks.append((LENS_PROFILE, np.array(RADIAL), p.lens.mean, p.lens.covariance))
    for name, places, value, _ in blocks:
        mean[places] = value
        groups.extend([name] * len(places))
    return PriorRows(
        mean=mean, columns=np.concatenate(columns), sharpness=np.concatenate(sharpness), groups=tuple(groups),
        blocks=tuple((places, np.linalg.inv(np.linalg.cholesky(covariance))) for _, places, _, covariance in blocks),
        robust=np.array([name == BEND_GROUP or (name == CURL_GROUP and p.curl_yields) for name in groups]),
    )  # fmt: skip


def _known_rows(state: State, known: tuple[KnownSize, ...]) -> list[tuple[int, float, float]]:
    """Place in the vector of unknowns, value and u of each side that is known; the longer one is the longer one."""
    rows = []
    for size in known:
        sides = [qd.WIDTH, qd.HEIGHT]
        if state.quads[size.card, qd.WIDTH] > state.quads[size.card, qd.HEIGHT]:
            sides.reverse()
        places = [state.layout.quad_at(size.card, side) for side in sides]
        rows += list(zip(places, size.sides_mm, size.u_sides_mm, strict=True))
    return rows
