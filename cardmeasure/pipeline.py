"""One photo in, one result out: the only place that knows the order of the stages."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.classes.common_factor import common_factor
from cardmeasure.errors import PhotoTrouble
from cardmeasure.geometry import apply_homography
from cardmeasure.outlines.hard_tables import asks_for_a_second_look, beside_each_other, with_hard_pieces
from cardmeasure.outlines.pieces import find_pieces
from cardmeasure.photo import Photo, read_photo
from cardmeasure.reference.finding import SquareSighting, find_squares
from cardmeasure.results import Card, PhotoFacts, ReferenceFacts, ShotResult, Trouble
from cardmeasure.settings import Settings
from cardmeasure.sizing import sized_cards
from cardmeasure.solving import Solution, solve, solve_reference
from cardmeasure.together import ShotObservations, shot_observations

PAPER_MARGIN_MM = 3.0
"""Added round a square's cutting line when its paper is taken out of the pieces: scissors stray."""
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
    start = solve_reference(photo, squares, settings)
    papers = [_paper_px(square) for square in squares]
    outlines = find_pieces(photo, start.camera, px_per_mm=squares[0].px_per_mm, reference_px=papers)
    if asks_for_a_second_look(photo, outlines, papers):
        outlines = with_hard_pieces(
            photo, start.camera, outlines, px_per_mm=squares[0].px_per_mm, reference_px=papers
        )
    outlines = beside_each_other(outlines)
    if not outlines:
        raise PhotoTrouble("no-cards", f"The reference square ({squares[0].design.name}) was found, but no card.")
    solution = solve(photo, squares, outlines, settings, start=start)
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


def _paper_px(square: SquareSighting) -> NDArray[np.floating[Any]]:
    corners = square.design.cut_corners_mm
    return apply_homography(square.homography, corners * (1 + 2 * PAPER_MARGIN_MM / square.design.side_mm))


def _photo_facts(photo: Photo) -> PhotoFacts:
    return PhotoFacts(
        width_px=photo.width_px, height_px=photo.height_px, camera=photo.camera.camera,
        focal_35mm=photo.camera.focal_35mm,
    )  # fmt: skip


def _shot_flags(
    photo: Photo, squares: tuple[SquareSighting, ...], solution: Solution, settings: Settings, cards: tuple[Card, ...]
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


def _reference_facts(squares: tuple[SquareSighting, ...], solution: Solution, settings: Settings) -> ReferenceFacts:
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


def _square_corners(square: SquareSighting) -> tuple[tuple[float, float], ...]:
    corners = apply_homography(square.homography, square.design.cut_corners_mm)
    return tuple((float(x), float(y)) for x, y in corners)
