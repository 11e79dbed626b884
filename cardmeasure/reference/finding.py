"""Finds the printed squares in a photo: the fiducial on a reduced picture, the saddle points at full resolution."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure.errors import PhotoTrouble
from cardmeasure.geometry import apply_homography, area, fit_homography, local_scale, side_lengths
from cardmeasure.numerics import median
from cardmeasure.photo import Photo
from cardmeasure.reducing import halved_photo, reduced
from cardmeasure.reference.crossings import Crossings, fit_crossings
from cardmeasure.reference.design import DESIGNS, FIDUCIAL_DICTIONARY, FIDUCIAL_MODULES, SquareDesign
from cardmeasure.reference.glare import glare_share
from cardmeasure.reference.saddles import Saddles, refine_saddles
from cardmeasure.reference.scatter import u_points_px
from cardmeasure.reference.sheet import SHEET_CORNERS
from cardmeasure.reference.sheet_finding import SheetSighting, sight_sheet
from cardmeasure.reference.smear import blur_covariance_px2

Floats = NDArray[np.floating[Any]]
Codes = NDArray[np.uint8 | np.uint16]

SEARCH_SIDES_PX = (1000, 2000, 4100)
"""Long sides of the reduced pictures that are searched, smallest first."""
THRESHOLD_WINDOWS = (17, 29, 9)
"""Sides of the windows of the detector's adaptive threshold, one after the other: most photos need the first only."""
OUR_FIDUCIALS = tuple(sorted({*DESIGNS, *SHEET_CORNERS}))
"""Ids of the fiducials of all references."""
MIN_PX_PER_MM = {"square-80": 1.0, "square-30": 2.3}
"""Below this a cell is less than six pixels wide and saddle points run into each other."""
FEWEST_SHARE, CLEAR_SHARE = 0.25, 0.5
"""Of a square's saddle points. Fewer than the first may agree by accident (common practice, no source); with fewer than
the second something hides the square, which is said: where points lie in the design and how they scatter carries the
rest into u."""
HIDDEN = ("reference-covered", "reference-glare")
"""What may hide a part of a square whose other points are as good as ever."""
MAX_BLUR_OF_CELL = 0.28
"""A blur wider than that reaches from one crossing to the next: it is doubted, as crossings are fitted up to 0.3."""
LENS_DEGREE, FEWEST_FOR_LENS = 3, 40
"""Of the polynomial that a lens moves points by, beside the homography, and how many points it needs."""
OFF_PX, OFF_SPREADS = 0.35, 5.0
"""A point further from the course of all than this, and than so many times the usual, is something else."""
BLURRED_DETAIL = 0.02
"""Curvature over contrast of a reduced picture in which nothing is sharp any more."""
NEAR_PX, FAINT = 20.0, 1.0
"""Light that changes over more pixels than that is no contrast of things; a table with less contrast than so many code
values shows nothing that could be sharp."""
MAX_PATCH_PX = 24
"""Half side of the patch around a crossing: wider ones gain little and cost time."""
MAX_TILT_FORESHORTENING = 0.5
GLARE = 0.15
"""Share of black cells as bright as can be."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SquareSighting:
    """One printed square as seen: its saddle points in design mm (n, 2) and in upright pixels (n, 2).

    `homography`: design mm to pixels, without the lens. `blur_px`: standard deviation of the photo's blur there, in
    pixels, and `blur_covariance_px2` (2, 2) its covariance, which has a direction where the phone was moved; `black`,
    `white`: code values (median) of the cells. `doubts`: codes of flags on what was seen of it.
    """

    design: SquareDesign
    points_mm: Floats
    points_px: Floats
    homography: Floats
    blur_px: float
    black: float
    white: float
    blur_covariance_px2: Floats | None = None
    doubts: tuple[str, ...] = ()

    @property
    def px_per_mm(self) -> float:
        """Scale in the middle of the square."""
        return local_scale(self.homography, np.zeros(2))

    @cached_property
    def u_px(self) -> float:
        """Standard uncertainty of the points, per axis."""
        return u_points_px(self.points_mm, self.points_px, self.homography)

    @property
    def rms_px(self) -> float:
        """Scatter of the points about the homography, per axis."""
        d = apply_homography(self.homography, self.points_mm) - self.points_px
        return float(np.sqrt(np.mean(d**2)))


Sighting = SquareSighting | SheetSighting
"""A printed reference as seen."""


def find_squares(photo: Photo) -> tuple[Sighting, ...]:
    """All reference squares in a photo, the largest in pixels first; or, where one lies there, the measuring sheet.

    Raises PhotoTrouble where none can be used, with the reason.
    """
    green = photo.pixels_bgr[..., 1]
    refusals: list[PhotoTrouble] = []
    doubted: list[SquareSighting] = []
    for side in _search_sides(max(green.shape)):
        found: list[SquareSighting] = []
        of_sheet: list[tuple[int, Floats]] = []
        for number, start in _fiducials(photo, side):
            if number in SHEET_CORNERS:
                of_sheet.append((number, start))
                continue
            design = DESIGNS[number]
            try:
                found.append(_sight(green, design, start))
            except PhotoTrouble as trouble:
                refusals.append(trouble)
            except np.linalg.LinAlgError:  # points that lie on a line fit no homography
                words = f"The points of the reference square ({design.name}) fit no camera."
                refusals.append(PhotoTrouble("reference-unclear", words))
        if of_sheet:
            return (sight_sheet(photo, of_sheet),)
        clear = [one for one in found if not one.doubts]
        if clear:
            return _by_size(clear)
        doubted += found
    if doubted:
        return _by_size(doubted)
    raise refusals[0] if refusals else _nothing_seen(photo)


def _search_sides(long_side: int) -> Iterator[int]:
    """Reduced sizes to search; a small photo is also searched enlarged, where a fiducial's modules are few pixels."""
    smaller = [side for side in SEARCH_SIDES_PX if side < 0.8 * long_side]
    yield from [*smaller, long_side]
    if long_side < 2000:
        yield 2 * long_side


def _fiducials(photo: Photo, side: int) -> Iterator[tuple[int, Floats]]:
    """Ids of our fiducials seen, each with its corners in full-resolution pixels (4, 2)."""
    grey = reduced_grey(photo, side / max(photo.width_px, photo.height_px))
    scale = np.array([photo.width_px / grey.shape[1], photo.height_px / grey.shape[0]])
    for window in THRESHOLD_WINDOWS:
        corners, ids, _ = _detector(window).detectMarkers(grey)
        if ids is None:
            continue
        for place, quad in zip(np.ravel(ids), corners, strict=True):
            yield OUR_FIDUCIALS[int(place)], (quad.reshape(4, 2).astype(np.float64) + 0.5) * scale - 0.5
        return


def reduced_grey(photo: Photo, factor: float) -> NDArray[np.uint8]:
    """The photo, reduced or enlarged by a factor, as 8 bit grey."""
    size = (max(1, round(photo.width_px * factor)), max(1, round(photo.height_px * factor)))
    if factor > 1:
        return _grey(np.asarray(cv2.resize(np.asarray(photo.pixels_bgr), size, interpolation=cv2.INTER_CUBIC)))
    return reduced(_grey(halved_photo(photo, *size)), *size)  # one channel is resized for a third of the price of three


def _grey(pixels_bgr: Codes) -> NDArray[np.uint8]:
    grey = np.asarray(cv2.cvtColor(pixels_bgr, cv2.COLOR_BGR2GRAY))
    return np.asarray(grey if grey.dtype == np.uint8 else grey // 256, np.uint8)


def _detector(window: int) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = window
    parameters.minMarkerPerimeterRate = 0.025
    parameters.polygonalApproxAccuracyRate = 0.05
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    return cv2.aruco.ArucoDetector(_our_dictionary(), parameters)


@cache
def _our_dictionary() -> cv2.aruco.Dictionary:
    """The fiducials that we print alone: what else lies in a photo is then compared with a fifth as many."""
    whole = cv2.aruco.getPredefinedDictionary(FIDUCIAL_DICTIONARY)
    codes = np.ascontiguousarray(whole.bytesList[list(OUR_FIDUCIALS)])
    return cv2.aruco.Dictionary(codes, whole.markerSize, whole.maxCorrectionBits)


def _sight(green: Codes, design: SquareDesign, fiducial_px: Floats) -> SquareSighting:
    """Refine all saddle points of a square from its fiducial's corners; PhotoTrouble if that fails."""
    if area(fiducial_px) <= 0:
        raise PhotoTrouble("reference-unclear", f"The reference square ({design.name}) is mirrored.")
    start = fit_homography(design.fiducial_corners_mm, fiducial_px)
    px_per_mm = local_scale(start, np.zeros(2))
    if px_per_mm < MIN_PX_PER_MM[design.name]:
        raise PhotoTrouble(
            "reference-too-small", f"The reference square has only {px_per_mm:.1f} pixels per millimetre."
        )
    return _grown(green, design, start)


def _grown(green: Codes, design: SquareDesign, start: Floats) -> SquareSighting:
    """Rings of saddle points from the fiducial outwards, each round's homography predicting the next."""
    mm = design.saddles_mm
    reach = np.abs(mm).max(axis=1)
    h = start
    for limit in (reach.min(), 0.5 * (reach.min() + reach.max())):
        ring = mm[reach < limit + 1e-2]
        rough = _refined(green, h, ring, 0.36)
        if rough.ok.sum() >= max(8, 0.3 * len(ring)):
            h = _robust_homography(ring[rough.ok], rough.points_px[rough.ok])
    black, white = _levels(green, h, design)
    crossings = _crossings(green, h, design, _refined(green, h, mm, 0.36))
    good = crossings.ok & _contrast_is_right(crossings, mm, design, white - black)
    good = _consistent(h, mm, crossings.points_px, good)
    doubts = _hiding(green, h, design, white - black, int(good.sum()))
    h = fit_homography(mm[good], crossings.points_px[good])
    blur = float(np.median(crossings.blur_px[good]))
    cell = float(np.median(_cell_px(h, design.cell_mm, mm)))
    if blur > MAX_BLUR_OF_CELL * cell:
        doubts = (*doubts, "reference-blurred")
    return SquareSighting(
        design=design, points_mm=mm[good], points_px=crossings.points_px[good], homography=h,
        blur_px=blur, black=black, white=white, doubts=doubts,
        blur_covariance_px2=blur_covariance_px2(green, h, mm[good], cell_mm=design.cell_mm, blur_px=blur),
    )  # fmt: skip


def _refined(green: Codes, h: Floats, mm: Floats, share: float) -> Saddles:
    cell = _cell_px(h, _by_points(mm), mm)
    radius = int(np.clip(np.floor(share * cell.min()), 2, 12))
    return refine_saddles(green, apply_homography(h, mm), radius_px=radius, smoothing_px=_smoothing_px(cell))


def _smoothing_px(cell_px: Floats) -> float:
    """1.2 pixels, less where cells are small."""
    return float(np.clip(0.13 * cell_px.min(), 0.7, 1.2))


def _crossings(green: Codes, h: Floats, design: SquareDesign, rough: Saddles) -> Crossings:
    """All crossings fitted from the refined saddle points, or from where they should be."""
    mm = design.saddles_mm
    h = _robust_homography(mm[rough.ok], rough.points_px[rough.ok]) if rough.ok.sum() >= 8 else h
    cell = _cell_px(h, design.cell_mm, mm)
    start = np.where(rough.ok[:, None], rough.points_px, apply_homography(h, mm))
    j = _jacobians(h, mm)
    # the edges run along the design's axes: the normal of the one along y is the row of the inverse for x
    normals = np.linalg.inv(j)
    normals /= np.linalg.norm(normals, axis=2, keepdims=True)
    radius = int(np.clip(np.floor(0.45 * cell.min()), 2, MAX_PATCH_PX))
    return fit_crossings(green, start, normals, radius_px=radius, blur_px=min(1.0, 0.12 * float(cell.min())))


def _by_points(mm: Floats) -> float:
    """Side of a check cell from neighbouring design points."""
    return float(np.min(np.diff(np.unique(np.round(mm[:, 0], 4)))))


def _cell_px(h: Floats, cell: float, mm: Floats) -> Floats:
    """Shorter side of the cells around each point, pixels."""
    at = apply_homography(h, mm)
    dx = np.linalg.norm(apply_homography(h, mm + np.array([cell, 0.0])) - at, axis=1)
    dy = np.linalg.norm(apply_homography(h, mm + np.array([0.0, cell])) - at, axis=1)
    return np.asarray(np.minimum(dx, dy))


def _robust_homography(mm: Floats, px: Floats) -> Floats:
    h = fit_homography(mm, px)
    for _ in range(3):
        error = np.linalg.norm(apply_homography(h, mm) - px, axis=1)
        keep = error < max(1.0, 3.0 * median(error))
        if keep.all() or keep.sum() < 8:
            break
        h = fit_homography(mm[keep], px[keep])
    return h


def _consistent(h: Floats, mm: Floats, px: Floats, good: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Drop points that lie off the others' course: a homography, and how a lens bends it where enough are seen."""
    if good.sum() < 8:
        return good
    off = px - apply_homography(_robust_homography(mm[good], px[good]), mm)
    spread = OFF_SPREADS * median(np.linalg.norm(off, axis=1)[good])
    kept = _near(off, good, spread)
    for _ in range(3 if kept.sum() >= FEWEST_FOR_LENS else 0):
        rest = off - _bent_by_lens(mm, off, kept)
        kept = _near(rest, good, OFF_SPREADS * median(np.linalg.norm(rest, axis=1)[good]))
    # so few that agree no better than that agree by accident
    return kept if kept.sum() >= CLEAR_SHARE * len(mm) else _near(off, good, OFF_PX)


def _near(off: Floats, good: NDArray[np.bool_], most_px: float) -> NDArray[np.bool_]:
    return np.asarray(good & (np.linalg.norm(off, axis=1) < max(OFF_PX, most_px)))


def _bent_by_lens(mm: Floats, off: Floats, kept: NDArray[np.bool_]) -> Floats:
    """The smooth part (n, 2) of what a homography leaves, by the points kept."""
    x, y = (mm / np.abs(mm).max()).T
    basis = np.column_stack([x**i * y**k for i in range(LENS_DEGREE + 1) for k in range(LENS_DEGREE + 1 - i)])
    return np.asarray(basis @ np.linalg.lstsq(basis[kept], off[kept])[0])


def _jacobians(h: Floats, mm: Floats) -> Floats:
    """Derivatives (n, 2, 2) of pixels after design mm."""
    at, step = apply_homography(h, mm), 1e-3
    dx = (apply_homography(h, mm + np.array([step, 0.0])) - at) / step
    dy = (apply_homography(h, mm + np.array([0.0, step])) - at) / step
    return np.stack([dx, dy], axis=2)


def _contrast_is_right(crossings: Crossings, mm: Floats, design: SquareDesign, contrast: float) -> NDArray[np.bool_]:
    """Whether black and white lie on the right diagonals, with a contrast like that of the whole square."""
    index = np.round((mm + design.check_mm / 2) / design.cell_mm).astype(int).sum(axis=1)
    seen = crossings.contrast * np.where(index % 2 == 0, -1.0, 1.0)
    return np.asarray((seen > 0.35 * contrast) & (seen < 2.5 * contrast))


def _levels(green: Codes, h: Floats, design: SquareDesign) -> tuple[float, float]:
    """Median code values of black and white, from the fiducial's border and margin, which cannot be covered."""
    ring = np.linspace(-1.0, 1.0, 9)
    one = np.ones_like(ring)
    square = np.concatenate([np.column_stack(side) for side in ((ring, one), (ring, -one), (one, ring), (-one, ring))])
    modules = FIDUCIAL_MODULES / 2
    black = apply_homography(h, square * (modules - 0.5) * design.module_mm)
    white = apply_homography(h, square * (modules + 0.5) * design.module_mm)
    return _median_at(green, black), _median_at(green, white)


def _median_at(green: Codes, points: Floats) -> float:
    height, width = green.shape
    x, y = np.round(points).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    return float(np.median(green[y[inside], x[inside]])) if inside.any() else 0.0


def _hiding(green: Codes, h: Floats, design: SquareDesign, contrast: float, seen: int) -> tuple[str, ...]:
    """Codes of the doubt in a square of which only a part is seen; PhotoTrouble where too little is."""
    if seen >= CLEAR_SHARE * len(design.saddles_mm):
        return ()
    trouble = _what_hides(green, h, design, contrast, seen)
    if trouble.code in HIDDEN and seen >= FEWEST_SHARE * len(design.saddles_mm):
        return (trouble.code,)
    raise trouble


def _what_hides(green: Codes, h: Floats, design: SquareDesign, contrast: float, seen: int) -> PhotoTrouble:
    height, width = green.shape
    cut = apply_homography(h, design.cut_corners_mm)
    if (cut < 0).any() or (cut > [width - 1, height - 1]).any():
        return PhotoTrouble("reference-cut", f"The reference square ({design.name}) is cut off by the photo's edge.")
    if glare_share(green, apply_homography(h, design.black_cells_mm + design.cell_mm / 2)) > GLARE:
        return PhotoTrouble("reference-glare", f"Light is mirrored on the reference square ({design.name}).")
    if contrast < 20 * (1 if green.dtype == np.uint8 else 257):
        return PhotoTrouble("reference-unclear", "Black and white of the reference square hardly differ in the photo.")
    if cv2.Laplacian(_crop(green, cut), cv2.CV_32F).std() / max(contrast, 1.0) < 0.03:
        return PhotoTrouble("too-blurred", "The reference square is too blurred to be read.")
    if _foreshortening(cut) < MAX_TILT_FORESHORTENING:
        return PhotoTrouble("too-slanted", "The photo was taken at more than about 55 degrees from straight above.")
    words = f"Only {seen} of {len(design.saddles_mm)} points of the reference square can be seen."
    return PhotoTrouble("reference-covered", words)


def _foreshortening(corners: Floats) -> float:
    """The shorter of a square's two ways over the longer, as seen."""
    sides = side_lengths(corners)
    ways = (float(sides[0] + sides[2]), float(sides[1] + sides[3]))
    return min(ways) / max(ways)


def _crop(green: Codes, corners: Floats) -> Codes:
    (x0, y0), (x1, y1) = np.maximum(corners.min(0), 0).astype(int), np.maximum(corners.max(0), 2).astype(int)
    return np.ascontiguousarray(green[y0 : y1 + 1, x0 : x1 + 1])


def _by_size(found: list[SquareSighting]) -> tuple[SquareSighting, ...]:
    return tuple(sorted(_distinct(found), key=lambda s: -s.px_per_mm * s.design.side_mm))


def _distinct(found: list[SquareSighting]) -> list[SquareSighting]:
    """One sighting a square: the detector may report one fiducial twice."""
    kept: list[SquareSighting] = []
    for one in sorted(found, key=lambda s: s.rms_px):
        centre = apply_homography(one.homography, np.zeros((1, 2)))
        near = 0.3 * one.design.side_mm * one.px_per_mm
        if all(np.linalg.norm(apply_homography(k.homography, np.zeros((1, 2))) - centre) > near for k in kept):
            kept.append(one)
    return kept


def _nothing_seen(photo: Photo) -> PhotoTrouble:
    grey = reduced_grey(photo, min(1.0, 1000 / max(photo.width_px, photo.height_px)))
    smooth = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.5)
    contrast = float((smooth - cv2.GaussianBlur(smooth, (0, 0), NEAR_PX)).std())
    blurred = contrast > FAINT and float(cv2.Laplacian(smooth, cv2.CV_32F).std()) < BLURRED_DETAIL * contrast
    hint = " The photo is very blurred." if blurred else ""
    code = "too-blurred" if hint else "no-reference"
    return PhotoTrouble(code, f"No printed reference square was found.{hint}")
