"""Paints, measures and scores one photo of the corpus."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.real.corpus import LabelledPhoto
from calibration.real.halo import Halo, halo_of
from calibration.real.lens import LensFit, SharedLens
from calibration.real.painting import Placing, painted, save_like
from calibration.real.placing import placings
from calibration.real.planes import Fold, SeenPhoto, folds, grey_of, read_pixels
from calibration.real.scoring import (
    Deviation,
    KnownSize,
    ThingScore,
    WrongSize,
    deviations,
    known_sizes,
    overlap,
    silent,
    thing_scores,
    wrong_sizes,
)
from cardmeasure.photo import Photo
from cardmeasure.pipeline import measure_photo
from cardmeasure.reference.print_profile import PrintProfile
from cardmeasure.reports.picture import picture_jpeg
from cardmeasure.results import Card, ShotResult
from cardmeasure.settings import Settings
from cardmeasure.thickness.usual import CARD_MM
from cardmeasure.together import JointSizes

U_PRINT = 1e-4
"""Relative u of the print scale as entered: the painter knows it exactly."""
DECODES = 3
SCALED_AWAY = 0.9
"""No print is smaller than this: a square that had to be is measured as one of full size in a larger world, and the
sizes are scaled afterwards. Only photos without equal cards have such squares."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PaintingScore:
    """One painting of a photo and what came of it.

    scores : of the cards held out, and of what is no equal card in the first painting. ratio : processor time over
    that of decoding.
    """

    fold: Fold
    placing: Placing
    halo: Halo
    trouble: str | None
    scores: tuple[ThingScore, ...]
    wrong: tuple[WrongSize, ...]
    deviations: tuple[Deviation, ...]
    known: tuple[KnownSize, ...]
    silent: tuple[int, ...]
    ratio: float
    flags: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class PhotoScore:
    """One photo: its fit, its paintings, and why it was refused unpainted (None where it was not)."""

    photo: LabelledPhoto
    fit: LensFit | None
    paintings: tuple[PaintingScore, ...]
    unpainted_trouble: str | None


def score_photo(
    seen: SeenPhoto, *, fit: LensFit | None, shared: SharedLens | None, folder: Path, pictures: Path | None,
) -> PhotoScore:  # fmt: skip
    """Measures a photo as it is, and once for each of its paintings.

    folder : temporary, for the painted photos. pictures : where annotated pictures go, if anywhere.
    """
    photo = seen.photo
    bare = measure_photo(photo.path)
    done: list[PaintingScore] = []
    if fit is not None:
        pixels = read_pixels(photo)
        grey = grey_of(pixels)
        halo = halo_of(grey, seen.flat_sides, sigma_px=photo.sigma_px)
        thickness = _thickness_mm(photo)
        for number, fold in enumerate(folds(seen, shared=shared)):
            places = placings(photo, fold.fit.camera, grey, thickness_mm=thickness, paper_mm=Settings().paper_mm)
            if not places:
                break
            placing = places[number % len(places)]
            path = folder / f"{photo.name.replace('/', '_')}-{number + 1}.jpg"
            save_like(painted(pixels, fold.fit.camera, placing, halo), photo.path, path)
            done.append(_score(photo, fold, placing, halo, path, first=number == 0, pictures=pictures))
            path.unlink()
    trouble = bare.trouble.code if bare.trouble is not None else None
    return PhotoScore(photo=photo, fit=fit, paintings=tuple(done), unpainted_trouble=trouble)


def _thickness_mm(photo: LabelledPhoto) -> float:
    known = [thing.thickness_mm for thing in photo.things if thing.thickness_mm]
    return statistics.median(known) if known else CARD_MM


def _score(
    photo: LabelledPhoto, fold: Fold, placing: Placing, halo: Halo, path: Path, *, first: bool, pictures: Path | None
) -> PaintingScore:
    result, joint, ratio = _measured(photo, placing, path, pictures=pictures)
    equal = [thing for thing in photo.things if thing.equal]
    scored = [equal[k] for k in fold.held_out] if equal else []
    scored += [thing for thing in photo.things if not thing.equal] if first else []
    cards = result.cards
    scores = thing_scores([thing for thing in scored if thing.flat], cards)
    found = deviations(scores, joint)
    u_plane = fold.fit.rms_mm if not fold.fit.cards else 0.0
    return PaintingScore(
        fold=fold, placing=placing, halo=halo, trouble=result.trouble.code if result.trouble else None, scores=scores,
        wrong=wrong_sizes(photo.things, photo.apart, cards, all_listed=photo.all_listed), deviations=found,
        known=() if fold.circular or photo.circular else known_sizes(scores, u_plane_mm=u_plane),
        silent=silent(scores, found), ratio=ratio, flags=result.flags,
    )  # fmt: skip


def _measured(
    photo: LabelledPhoto, placing: Placing, path: Path, *, pictures: Path | None
) -> tuple[ShotResult, JointSizes | None, float]:
    decoding = statistics.median(_processor_time(lambda: cv2.imread(str(path))) for _ in range(DECODES))
    joint: list[JointSizes] = []
    kept: list[Photo] = []
    results: list[ShotResult] = []
    small = placing.scale < SCALED_AWAY
    scale = 1.0 if small else placing.scale
    profile = PrintProfile(
        scale_x=scale, scale_y=scale, u_scale_x=U_PRINT, u_scale_y=U_PRINT, correlation=0.0, source="entered"
    )
    thickness = _thickness_mm(photo) / (placing.scale if small else 1.0)
    settings = Settings(thickness_mm=thickness, print_profile=profile, bank_card=False)
    took = _processor_time(
        lambda: results.append(measure_photo(path, settings=settings, keep=kept.append, relate=joint.append))
    )
    result = results[0]
    if small:
        result = replace(result, cards=tuple(_shrunk(card, placing.scale) for card in result.cards))
    if pictures is not None and kept:
        (pictures / path.name).write_bytes(picture_jpeg(kept[0].pixels_bgr, result))
    return result, joint[0] if joint else None, took / decoding


def _shrunk(card: Card, scale: float) -> Card:
    """A card as measured by a square that is smaller than the size it stands for."""
    if card.width_mm is None or card.height_mm is None or card.u_width_mm is None or card.u_height_mm is None:
        return card
    return replace(
        card, width_mm=card.width_mm * scale, height_mm=card.height_mm * scale, u_width_mm=card.u_width_mm * scale,
        u_height_mm=card.u_height_mm * scale,
    )  # fmt: skip


def _processor_time(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def distinct_wrong(paintings: Sequence[PaintingScore]) -> tuple[WrongSize, ...]:
    """Wrong sizes of all paintings of a photo, each piece of the photo once."""
    found: list[WrongSize] = []
    for one in (wrong for painting in paintings for wrong in painting.wrong):
        if not any(overlap(_outline(one.card), _outline(other.card))[0] > 0.5 for other in found):
            found.append(one)
    return tuple(found)


def _outline(card: Card) -> NDArray[np.floating[Any]]:
    return np.array(card.corners_px, float)
