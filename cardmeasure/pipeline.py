"""One photo in, one result out: the only place that knows the order of the stages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.bank_card import FLAGGED, NONE, BankCards, Verdict, bank_cards, start_with
from cardmeasure.camera import to_plane
from cardmeasure.classes import enabled
from cardmeasure.classes.likelihood import cut_table
from cardmeasure.detection.proposals import proposed
from cardmeasure.errors import PhotoTrouble
from cardmeasure.geometry import apply_homography
from cardmeasure.lens.choice import LensChoice, chosen_lens
from cardmeasure.lens.identity import identity_of
from cardmeasure.outlines.on_sheet import sheet_pieces, uncovered
from cardmeasure.outlines.pieces import Outline
from cardmeasure.photo import Photo, read_photo
from cardmeasure.print_doubt import print_seen_by, suspected_scale, with_print_in_doubt
from cardmeasure.priors import LensPrior
from cardmeasure.reference.diagnosis import diagnosed
from cardmeasure.reference.finding import Sighting, find_squares
from cardmeasure.reference.screens import is_on_screen
from cardmeasure.reference.sheet_finding import SheetSighting
from cardmeasure.reference.sheet_look import SheetLook, sheet_look, without_colour
from cardmeasure.results import PhotoFacts, ReferenceFacts, ShotResult, Trouble
from cardmeasure.settings import Settings
from cardmeasure.solving import Solution, Start, solve_reference
from cardmeasure.thickness.solving import sized_with_thickness
from cardmeasure.together import JointSizes, ShotObservations, joint_sizes, shot_observations

PAPER_MARGIN_MM = 3.0
"""Added round a square's cutting line when its paper is taken out of the pieces: scissors stray."""
SHADOW_ROOM_MM = 2.5
"""A sheet's points nearer to a piece than this may lie in its shadow."""
LOW_PX_PER_MM = 5.0
SLANTED_DEG, MOST_TILT_DEG = 30.0, 55.0
BLURRED_PX = 3.0
RESIDUALS_PX = 0.25


def measure_photo(
    path: Path | str,
    *,
    settings: Settings | None = None,
    keep: Callable[[Photo], object] | None = None,
    observe: Callable[[ShotObservations], object] | None = None,
    relate: Callable[[JointSizes], object] | None = None,
) -> ShotResult:
    """Measure all cards in one photo.

    Parameters
    ----------
    path : the photo: JPEG, PNG, WebP, TIFF, AVIF or HEIC, whatever its name says.
    settings : thickness, print profile, size classes; the defaults where None.
    keep : is handed the decoded photo, for whoever wants to draw into it.
    observe : is handed what the solved photo says of lens and print, for solving several photos together.
    relate : is handed the sizes with their joint covariance, for comparing cards of the photo with each other.

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
        return measure(photo, name=path.name, settings=settings, observe=observe, relate=relate)
    except PhotoTrouble as trouble:
        return refused(path.name, trouble, photo=photo)


def measure(
    photo: Photo,
    *,
    name: str,
    settings: Settings,
    observe: Callable[[ShotObservations], object] | None = None,
    relate: Callable[[JointSizes], object] | None = None,
) -> ShotResult:
    """Measure all cards in a decoded photo; raises PhotoTrouble where that is not possible."""
    squares = _squares(photo)
    if isinstance(squares[0], SheetSighting):
        settings = replace(settings, paper_mm=0.0, u_paper_mm=0.0)  # its paper lies below the cards, too
    lens = _lens(photo, settings)
    start = solve_reference(photo, squares, settings, lens=lens.prior)
    if start.camera.tilt_deg > MOST_TILT_DEG:
        words = f"The photo was taken at {start.camera.tilt_deg:.0f} degrees from straight above."
        raise PhotoTrouble("too-slanted", words)
    if is_on_screen(photo, squares[0]):
        raise PhotoTrouble("reference-on-screen", f"The {_kind_of(squares[0])} is shown on a screen.")
    view = _view(photo, squares, start, settings, lens=lens.prior)
    squares, start = view.squares, view.start
    if not view.outlines:
        raise PhotoTrouble("no-cards", f"The {_kind_of(squares[0])} was found, but no card.")
    outlines, solution, cards = sized_with_thickness(
        view.photo, squares, view.outlines, settings, start=start, sheet=view.sheet
    )
    found = bank_cards(outlines, solution, settings=settings) if settings.bank_card else NONE
    if found.known:
        start = start_with(found, start)
        outlines, solution, cards = sized_with_thickness(
            view.photo, squares, view.outlines, settings, start=start, known=found.known, sheet=view.sheet
        )
    fitted = print_seen_by(cards, settings.classes)
    suspected = suspected_scale(fitted, found, settings)
    if observe is not None:
        observe(shot_observations(solution.adjustment, start.priors, cards=cards, lens=identity_of(photo)))
    if relate is not None:
        relate(joint_sizes(solution.adjustment, cards=cards))
    return ShotResult(
        file=name,
        sha256=photo.sha256,
        trouble=None,
        flags=_shot_flags(photo, squares, solution, settings, found, suspected) + lens.flags,
        photo=replace(_photo_facts(photo), lens_profile=lens.words),
        reference=_reference_facts(squares, solution, settings, found, suspected),
        cards=with_print_in_doubt(cards, fitted, scale_source=_scale_source(settings, found), classes=settings.classes),
    )


def _squares(photo: Photo) -> tuple[Sighting, ...]:
    """The printed squares; raises PhotoTrouble with the reason, as far as it can be seen, where none can be used."""
    try:
        return find_squares(photo)
    except PhotoTrouble as trouble:
        raise diagnosed(photo, trouble) from trouble


def _lens(photo: Photo, settings: Settings) -> LensChoice:
    return chosen_lens(identity_of(photo), settings.lens_profiles)


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


@dataclass(frozen=True, kw_only=True, eq=False)
class _View:
    """What is to be solved: the photo as edges are read in it, the references, the start, the pieces, and the sheet's
    look where they lie on one."""

    photo: Photo
    squares: tuple[Sighting, ...]
    start: Start
    outlines: tuple[Outline, ...]
    sheet: SheetLook | None


def _view(
    photo: Photo, squares: tuple[Sighting, ...], start: Start, settings: Settings, *, lens: LensPrior | None
) -> _View:
    """The pieces beside a square, or on a sheet, which is solved again without the points near them."""
    if not isinstance(squares[0], SheetSighting):
        papers = [_paper_px(square) for square in squares]
        nominal = cut_table(enabled(settings.classes)).cuts_mm
        outlines = proposed(
            photo, start.camera, px_per_mm=squares[0].px_per_mm, reference_px=papers, nominal_mm=nominal
        )
        return _View(photo=photo, squares=squares, start=start, outlines=outlines, sheet=None)
    outlines, free = _on_sheet(photo, squares[0], start)
    start = solve_reference(photo, free, settings, lens=lens)
    grey = without_colour(photo)
    return _View(photo=grey, squares=free, start=start, outlines=outlines, sheet=_look(grey, free[0], start))


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
    photo: Photo, squares: tuple[Sighting, ...], solution: Solution, settings: Settings, found: BankCards,
    suspected: float | None,
) -> tuple[str, ...]:  # fmt: skip
    conditions = {
        "scale-assumed": _scale_source(settings, found) == "assumed",
        "scale-doubtful": suspected is not None,
        **{verdict.value: found.verdict is verdict for verdict in FLAGGED},
        "focal-unknown": photo.camera.focal_35mm is None,
        "low-resolution": squares[0].px_per_mm < LOW_PX_PER_MM,
        "slanted": solution.adjustment.state.camera.tilt_deg > SLANTED_DEG,
        "blurred": squares[0].blur_px > BLURRED_PX,
        "reference-residuals": solution.adjustment.point_rms_px > RESIDUALS_PX,
    }
    return tuple(code for code, applies in conditions.items() if applies)


def _scale_source(settings: Settings, found: BankCards) -> str:
    return "bank-card" if found.verdict is Verdict.USED else settings.print_profile.source


def _reference_facts(
    squares: tuple[Sighting, ...], solution: Solution, settings: Settings, found: BankCards, suspected: float | None,
) -> ReferenceFacts:  # fmt: skip
    state = solution.adjustment.state
    return ReferenceFacts(
        design=squares[0].design.name,
        squares=len(squares),
        px_per_mm=squares[0].px_per_mm,
        tilt_deg=state.camera.tilt_deg,
        camera_height_mm=float(-state.camera.position_mm[2]),
        residual_px=solution.adjustment.point_rms_px,
        scale_x=float(state.scale[0]),
        scale_y=float(state.scale[1]),
        u_scale=_u_scale(solution, settings, found),
        scale_source=_scale_source(settings, found),
        suspected_scale=suspected,
        corners_px=tuple(_square_corners(square) for square in squares),
    )


def _u_scale(solution: Solution, settings: Settings, found: BankCards) -> float:
    """Relative u of the scale: that of the readings, or what a bank card leaves."""
    profile = settings.print_profile
    if found.verdict is not Verdict.USED:
        return float(np.sqrt((profile.u_scale_x**2 + profile.u_scale_y**2) / 2))
    at = solution.adjustment.state.layout.scale_at
    return float(np.sqrt(np.diag(solution.adjustment.covariance)[at].mean()))


def _square_corners(square: Sighting) -> tuple[tuple[float, float], ...]:
    corners = apply_homography(square.homography, square.design.cut_corners_mm)
    return tuple((float(x), float(y)) for x, y in corners)
