"""One photo in, one result out: the only place that knows the order of the stages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import to_plane
from cardmeasure.classes.common_factor import common_factor
from cardmeasure.errors import PhotoTrouble
from cardmeasure.geometry import apply_homography
from cardmeasure.outlines.on_sheet import sheet_pieces, uncovered
from cardmeasure.outlines.pieces import Outline, find_pieces
from cardmeasure.photo import Photo, read_photo
from cardmeasure.reference.finding import Sighting, find_squares
from cardmeasure.reference.sheet_finding import SheetSighting
from cardmeasure.reference.sheet_look import SheetLook, sheet_look, without_colour
from cardmeasure.results import Card, PhotoFacts, ReferenceFacts, ShotResult, Trouble
from cardmeasure.settings import Settings
from cardmeasure.sizing import sized_cards
from cardmeasure.solving import Solution, Start, solve, solve_reference
from cardmeasure.together import ShotObservations, shot_observations

PAPER_MARGIN_MM = 3.0
"""Added round a square's cutting line when its paper is taken out of the pieces: scissors stray."""
SHADOW_ROOM_MM = 2.5
"""A sheet's points nearer to a piece than this may lie in its shadow."""
LOW_PX_PER_MM = 5.0
SLANTED_DEG = 30.0
BLURRED_PX = 3.0
RESIDUALS_PX = 0.25
MOST_U_MM = 0.1
"""Of a size, where sizes are compared with one another."""


def measure_photo(
    path: Path | str,
    *,
    settings: Settings | None = None,
    keep: Callable[[Photo], object] | None = None,
    observe: Callable[[ShotObservations], object] | None = None,
) -> ShotResult:
    """Measure all cards in one photo.

    Parameters
    ----------
    path : the photo: JPEG, PNG, WebP, TIFF, AVIF or HEIC, whatever its name says.
    settings : thickness, print profile, size classes; the defaults where None.
    keep : is handed the decoded photo, for whoever wants to draw into it.
    observe : is handed what the solved photo says of lens and print, for solving several photos together.

    Returns
    -------
    ShotResult
        A photo that cannot be measured gives one with `trouble` and no cards; only the caller's own mistakes raise.

    Raises
    ------
    UsageError
        When a setting is impossible (raised by Settings).
    """
    path = Path(path)
    settings = settings or Settings()
    photo: Photo | None = None
    try:
        photo = read_photo(path, max_megapixels=settings.max_megapixels)
        if keep is not None:
            keep(photo)
        return measure(photo, name=path.name, settings=settings, observe=observe)
    except PhotoTrouble as trouble:
        return refused(path.name, trouble, photo=photo)


def measure(
    photo: Photo,
    *,
    name: str,
    settings: Settings,
    observe: Callable[[ShotObservations], object] | None = None,
) -> ShotResult:
    """Measure all cards in a decoded photo; raises PhotoTrouble where that is not possible."""
    squares = find_squares(photo)
    if isinstance(squares[0], SheetSighting):
        settings = replace(settings, paper_mm=0.0, u_paper_mm=0.0)  # its paper lies below the cards, too
    start = solve_reference(photo, squares, settings)
    look = None
    if isinstance(squares[0], SheetSighting):
        outlines, squares = _on_sheet(photo, squares[0], start)
        start = solve_reference(photo, squares, settings)
        photo = without_colour(photo)
        look = _look(photo, squares[0], start)
    else:
        known = [_paper_px(square) for square in squares]
        outlines = find_pieces(photo, start.camera, px_per_mm=squares[0].px_per_mm, reference_px=known)
    if not outlines:
        raise PhotoTrouble("no-cards", f"The {_kind_of(squares[0])} was found, but no card.")
    solution = solve(photo, squares, outlines, settings, start=start, sheet=look)
    cards = sized_cards(outlines, solution, settings)
    if observe is not None:
        observe(shot_observations(solution.adjustment, start.priors, cards=cards))
    return ShotResult(
        file=name,
        sha256=photo.sha256,
        trouble=None,
        flags=_shot_flags(photo, squares, solution, settings, cards),
        photo=_photo_facts(photo),
        reference=_reference_facts(squares, solution, settings),
        cards=cards,
    )


def refused(name: str, trouble: PhotoTrouble, *, photo: Photo | None = None) -> ShotResult:
    """The row of a photo that could not be measured."""
    return ShotResult(
        file=name,
        sha256=photo.sha256 if photo else None,
        trouble=Trouble(code=trouble.code, message=trouble.message, advice=trouble.advice),
        flags=(),
        photo=_photo_facts(photo) if photo else None,
        reference=None,
        cards=(),
    )


def _on_sheet(photo: Photo, sheet: SheetSighting, start: Start) -> tuple[tuple[Outline, ...], tuple[SheetSighting]]:
    """The pieces that hide a sheet, and the sheet without the points beside them, where shadows fall."""
    look = _look(photo, sheet, start)
    outlines = sheet_pieces(photo, start.camera, look, px_per_mm=sheet.px_per_mm)
    free = uncovered(outlines, to_plane(start.camera, sheet.points_px), room_mm=SHADOW_ROOM_MM)
    return outlines, (sheet.of_points(free),)


def _look(photo: Photo, sheet: SheetSighting, start: Start) -> SheetLook:
    return sheet_look(photo, sheet, start.camera, pose=start.state.squares[0], scale=start.state.scale)


def _kind_of(sighting: Sighting) -> str:
    kind = "measuring sheet" if isinstance(sighting, SheetSighting) else "reference square"
    return f"{kind} ({sighting.design.name})"


def _paper_px(square: Sighting) -> NDArray[np.floating[Any]]:
    corners = square.design.cut_corners_mm
    return apply_homography(square.homography, corners * (1 + 2 * PAPER_MARGIN_MM / square.design.side_mm))


def _photo_facts(photo: Photo) -> PhotoFacts:
    return PhotoFacts(
        width_px=photo.width_px, height_px=photo.height_px, camera=photo.camera.camera,
        focal_35mm=photo.camera.focal_35mm,
    )  # fmt: skip


def _shot_flags(
    photo: Photo, squares: tuple[Sighting, ...], solution: Solution, settings: Settings, cards: tuple[Card, ...]
) -> tuple[str, ...]:
    conditions = {
        "scale-assumed": settings.print_profile.source == "assumed",
        "scale-doubtful": _scale_is_doubtful(cards, settings),
        "focal-unknown": photo.camera.focal_35mm is None,
        "low-resolution": squares[0].px_per_mm < LOW_PX_PER_MM,
        "slanted": solution.adjustment.state.camera.tilt_deg > SLANTED_DEG,
        "blurred": squares[0].blur_px > BLURRED_PX,
        "reference-residuals": solution.adjustment.point_rms_px > RESIDUALS_PX,
    }
    return tuple(code for code, applies in conditions.items() if applies)


def _scale_is_doubtful(cards: tuple[Card, ...], settings: Settings) -> bool:
    sized = [
        ((c.width_mm, c.height_mm), (c.u_width_mm or 0.0, c.u_height_mm or 0.0))
        for c in cards
        if c.width_mm is not None and c.height_mm is not None
    ]
    sizes, u = (np.array(part, float).reshape(-1, 2) for part in (zip(*sized, strict=True) if sized else ((), ())))
    # the print's own u is common to all cards and is what the factor is to show
    return common_factor(sizes, np.minimum(u, MOST_U_MM), classes=settings.classes) is not None


def _reference_facts(squares: tuple[Sighting, ...], solution: Solution, settings: Settings) -> ReferenceFacts:
    state = solution.adjustment.state
    profile = settings.print_profile
    return ReferenceFacts(
        design=squares[0].design.name,
        squares=len(squares),
        px_per_mm=squares[0].px_per_mm,
        tilt_deg=state.camera.tilt_deg,
        camera_height_mm=float(-state.camera.position_mm[2]),
        residual_px=solution.adjustment.point_rms_px,
        scale_x=float(state.scale[0]),
        scale_y=float(state.scale[1]),
        u_scale=float(np.sqrt((profile.u_scale_x**2 + profile.u_scale_y**2) / 2)),
        scale_source=profile.source,
        corners_px=tuple(_square_corners(square) for square in squares),
    )


def _square_corners(square: Sighting) -> tuple[tuple[float, float], ...]:
    corners = apply_homography(square.homography, square.design.cut_corners_mm)
    return tuple((float(x), float(y)) for x, y in corners)
