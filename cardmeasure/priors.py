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
U_PRINCIPAL_SHARE = 0.006
"""Of the picture's diagonal: 30 px at 12 MP. Seven photographs by two cameras scatter by 0.004, one phone's lies 0.012
out (real photographs, 2026-12)."""
U_DECENTRING = 0.002
"""Of p1 and p2: seven photographs by two cameras scatter by 0.002 to 0.003 (real photographs, 2026-12)."""
RADIAL_RMS = np.array([0.01, 0.006, 0.003])
"""Relative radial displacement, root of its mean square over the frame, in curves that cross zero once, twice and three
times. Fitted to equal cards, seven photographs by two cameras have (0.009, 0.006, 0.003), two current phones (0.05,
0.03, 0.013) (real photographs, 2026-12)."""
UNKNOWN_LENS = 3.0
"""Factor on these for a photo that names no focal length: it may come from a webcam or a wide lens."""
U_SHEAR_RAD = np.radians(0.2) / np.sqrt(3)
"""Cards are cut out of square by up to 0.2 degrees, any of it alike."""
U_TAPER_MM = 0.02
"""As scissors and punches leave it (from memory). The rendered cards are drawn with 0.03 mm in one direction, and none
in the other, which is as much at the root of the mean square."""
WARP_MM = 0.6
"""How far cards rise or twist where nothing is known of the deck (standard deviation): worn decks of seven photographs
by two cameras rise by 0.3 to 1.2 mm and twist by 0.15 to 0.5 (real photographs, 2026-12)."""
FLAT_SLOPE_MM = 0.01
"""How far one side of a flat card stands up, at most."""
U_BULGE_MM = 0.1
"""How far the sides of real cards bulge between their ends, as they were cut, where nothing is known of the deck: decks
of seven photographs by 0.02 to 0.17 mm (real photographs, 2026-12)."""
U_HALO_PX = 0.045
"""How far a phone's sharpening and tone mapping move all edges of one polarity, beyond what the profiles show of it:
likeliest 0.04 from the mean errors of 103 polarities in rendered photos (families, seeds 2000 to 2005, and groups of
the study; 2026-12), with phones' processing among them; 0.07 made u of sizes too large there."""
U_ANYWHERE = 100.0
CURL_GROUP, BEND_GROUP = "card curl", "square's bend"
HEAVY_DOF = 3.0
"""Degrees of freedom of the t distribution of the squares' bends: some stand up by many times what others do."""
GROUP_NAMES = ("focal length", "principal point", "lens distortion", "print scale", "card thickness", CURL_GROUP,
               "squareness", "straightness", "edge model", "halos", "tone curve", BEND_GROUP)  # fmt: skip
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
    log_focal and radial_covariance, where there is one. radial_covariance (3, 3): of k1, k2, k3, whose means are none,
    as those of p1 and p2 are, with u_decentring. u_bulge_px: how far sides bulge as they were cut. u_halo_px: how far a
    phone's processing moves all edges of one polarity. u_warp_mm (3,): how far cards bend along their width and height
    and twist. u_slope_mm, one for all or (c,): how far one side of a card that does not lie flat stands
    up. lift_mm, u_lift_mm, one for all or (c,): how far the mean of a bent face lies above its lowest line.
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
    radial_covariance: Floats
    u_bulge_px: float
    u_warp_mm: Floats = field(default_factory=lambda: np.full(len(qd.WARP), WARP_MM))
    u_slope_mm: Floats | float = FLAT_SLOPE_MM
    lift_mm: Floats | float = 0.0
    u_lift_mm: Floats | float = WARP_MM / 2
    u_halo_px: float = U_HALO_PX
    u_decentring: float = U_DECENTRING
    known_sizes: tuple[KnownSize, ...] = ()
    lens: LensPrior | None = None


def radial_covariance(corner: float) -> Floats:
    """Covariance (3, 3) of k1, k2, k3 of a lens that sees the frame's corners at `corner` focal lengths from its axis.

    The curves are polynomials in the squared distance from the axis, over the corner's: orthogonal to each other and to
    a change of the focal length over the frame, each with its share of `RADIAL_RMS`.
    """
    terms = _radial_curves() * RADIAL_RMS[:, None]
    scaled = terms / corner ** np.array([2, 4, 6])
    return np.asarray(scaled.T @ scaled)


def _radial_curves() -> Floats:
    """Coefficients (3, 3) of s, s^2, s^3 of the curves over squared distances s, 0..1, with a mean square of one.

    Equal steps of s are equal areas of the disc. The constant, which is the focal length's, is left out.
    """
    s = (np.arange(1000) + 0.5) / 1000
    powers = np.vander(s, 4, increasing=True)
    r = np.linalg.qr(powers / np.sqrt(len(s)), mode="r")
    return np.asarray(np.linalg.inv(r).T[1:, 1:])


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
    those that are known together; they are common to all cards. groups: the name of each row. heavy: rows
    whose values may lie far from their means now and then.
    """

    mean: Floats
    columns: NDArray[np.intp]
    sharpness: Floats
    blocks: tuple[tuple[NDArray[np.intp], Floats], ...]
    groups: tuple[str, ...]
    heavy: NDArray[np.intp]

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

    def weights(self, residuals: Floats) -> Floats:
        """Weights (k,) of the rows with such residuals: 1, but for those with long tails, which are Student's t."""
        weights = np.ones(len(residuals))
        weights[self.heavy] = np.minimum(1.0, (HEAVY_DOF + 1) / (HEAVY_DOF + residuals[self.heavy] ** 2))
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
    add("principal point", [7, 8], p.principal_px, p.u_principal_px)
    add("lens distortion", [12, 13], 0.0, p.u_decentring)
    first = at.quads_at.start + qd.PARAMETERS * np.arange(at.cards)
    add("card thickness", first + qd.ELEVATION, p.elevation_mm + p.lift_mm, np.hypot(p.u_elevation_mm, p.u_lift_mm))
    for warp, u in zip(qd.WARP, p.u_warp_mm, strict=True):
        add(CURL_GROUP, first + warp, 0.0, u)
    for slope in (qd.SLOPE_WIDTH, qd.SLOPE_HEIGHT):
        add(CURL_GROUP, first + slope, 0.0, p.u_slope_mm)
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
    add("straightness", np.arange(at.bulge_at.start, at.bulge_at.stop), 0.0, p.u_bulge_px)
    add("halos", np.arange(at.halo_at.start, at.halo_at.stop), 0.0, p.u_halo_px)
    add("tone curve", at.tone_at, 0.0, 1.0)
    if at.bends:
        add(BEND_GROUP, np.arange(at.bends_at.start, at.bends_at.stop), 0.0, U_SQUARE_MM)
    if at.bow:
        add(BOW_GROUP, np.arange(at.bow_at.start, at.bow_at.stop), 0.0, U_TERMS_MM)
    scale = np.arange(at.scale_at.start, at.scale_at.stop)
    blocks = [("print scale", scale, p.scale, p.scale_covariance)]
    if p.lens is None:
        blocks.append(("lens distortion", np.array(RADIAL[1:]), np.zeros(3), p.radial_covariance))
    else:
        blocks.append((LENS_PROFILE, np.array(RADIAL), p.lens.mean, p.lens.covariance))
    for name, places, value, _ in blocks:
        mean[places] = value
        groups.extend([name] * len(places))
    return PriorRows(
        mean=mean, columns=np.concatenate(columns), sharpness=np.concatenate(sharpness), groups=tuple(groups),
        heavy=np.flatnonzero([name == BEND_GROUP for name in groups]),
        blocks=tuple((places, np.linalg.inv(np.linalg.cholesky(covariance))) for _, places, _, covariance in blocks),
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
