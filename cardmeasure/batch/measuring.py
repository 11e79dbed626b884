"""What is done with one photo: measure it, draw the pictures that are wanted, look at the cards' faces."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec

from cardmeasure.batch.faces import faces_of
from cardmeasure.batch.photos import FoundPhoto
from cardmeasure.batch.resolving import encoded_observations
from cardmeasure.errors import TROUBLES, PhotoTrouble
from cardmeasure.lens.profile import LensProfile
from cardmeasure.photo import Photo, read_photo
from cardmeasure.photo.colour import Pixels
from cardmeasure.pipeline import measure_photo
from cardmeasure.reference.print_profile import PrintProfile
from cardmeasure.results import ShotResult, Trouble
from cardmeasure.settings import Settings
from cardmeasure.text import valid_text
from cardmeasure.thickness.reading import with_thickness_beside
from cardmeasure.together import ShotObservations

Draw = Callable[[Pixels, ShotResult], bytes]
"""Draws a measured shot into its upright picture (h, w, 3), blue first, and returns the bytes of a picture file."""


@dataclass(frozen=True, kw_only=True)
class Task:
    """One photo to measure, and what to draw of it.

    `known`: the shot where it was measured earlier, so that only the picture is left to draw.
    """

    path: Path
    settings: Settings
    picture: Draw | None = None
    small: Draw | None = None
    known: ShotResult | None = None


@dataclass(frozen=True, kw_only=True)
class Measured:
    """What a task gives: the shot, and of a measured one the pictures wanted (files), and what belongs to it.

    `faces`: see `batch.faces`. `observations`: what the solved photo says of lens and print, see `batch.resolving`.
    """

    shot: ShotResult
    picture: bytes | None = None
    small: bytes | None = None
    faces: bytes | None = None
    observations: bytes | None = None
    seconds: float = 0.0


def measured(task: Task) -> Measured:
    """Measure a photo; all that the file itself can be guilty of ends as a refused shot."""
    begun = time.perf_counter()
    if task.known is not None:
        return Measured(shot=task.known, picture=_drawn(task.picture, task, task.known, None))
    kept: list[Photo] = []
    seen: list[ShotObservations] = []
    shot = measure_photo(task.path, settings=task.settings, keep=kept.append, observe=seen.append)
    photo = kept[0] if kept else None
    return Measured(
        shot=shot,
        picture=_drawn(task.picture, task, shot, photo),
        small=_drawn(task.small, task, shot, photo),
        faces=None if photo is None or shot.trouble is not None else faces_of(photo.pixels_bgr, shot),
        observations=encoded_observations(seen[0]) if seen else None,
        seconds=time.perf_counter() - begun,
    )


def _drawn(draw: Draw | None, task: Task, shot: ShotResult, photo: Photo | None) -> bytes | None:
    """A picture of a measured shot; None where the photo is gone or no longer the one that was measured."""
    if draw is None or shot.trouble is not None:
        return None
    try:
        photo = photo or read_photo(task.path, max_megapixels=task.settings.max_megapixels)
    except PhotoTrouble:
        return None
    return draw(photo.pixels_bgr, shot)


def measure_found(
    found: Sequence[FoundPhoto], *, settings: Settings, profiles: Mapping[Path, PrintProfile] | None = None,
    lenses: Mapping[Path, tuple[LensProfile, ...]] | None = None,
) -> Iterator[ShotResult]:  # fmt: skip
    """One result a row, in order, each as soon as it is there; in this process, one after the other.

    Parameters
    ----------
    profiles, lenses : print and lens profiles by folder; photos of other folders take those of `settings`.
    """
    for photo in found:
        if photo.trouble is not None:
            yield refused_row(photo.file, photo.trouble)
            continue
        task = Task(path=photo.path, settings=settings_for(photo, settings=settings, profiles=profiles, lenses=lenses))
        yield replace(measured_named(task, photo.file).shot, file=photo.file)


def measured_named(task: Task, file: str) -> Measured:
    """`measured`, with a note on the photo at whatever it raises."""
    try:
        return measured(task)
    except Exception as error:
        error.add_note(f"This happened while {file!r} was measured.")
        raise


def settings_for(
    photo: FoundPhoto,
    *,
    settings: Settings,
    profiles: Mapping[Path, PrintProfile] | None,
    lenses: Mapping[Path, tuple[LensProfile, ...]] | None = None,
) -> Settings:
    """The settings with the print and lens profiles and the thickness that lie beside the photo, if they do."""
    settings = with_thickness_beside(settings, photo.path)
    profile, lens = (profiles or {}).get(photo.path.parent), (lenses or {}).get(photo.path.parent)
    settings = settings if profile is None else replace(settings, print_profile=profile)
    return settings if lens is None else replace(settings, lens_profiles=lens)


def refused_row(file: str, trouble: Trouble, *, sha256: str | None = None) -> ShotResult:
    """The row of what could not even be begun, or was never finished."""
    return ShotResult(file=file, sha256=sha256, trouble=trouble, flags=(), photo=None, reference=None, cards=())


def crashed_row(file: str, reason: str, *, sha256: str | None = None) -> ShotResult:
    """The row of a photo over which the process that measured it broke down."""
    trouble = Trouble(code="crashed", message=f"Measuring it broke down: {reason}.", advice=TROUBLES["crashed"].advice)
    return refused_row(file, trouble, sha256=sha256)


def encoded(shot: ShotResult) -> bytes:
    """A shot as compact JSON with all digits, for keeping."""
    return msgspec.json.encode(replace(shot, file=valid_text(shot.file)))


def decoded(data: bytes) -> ShotResult:
    """The shot that `encoded` was given; raises ValueError where it is none."""
    return msgspec.json.decode(data, type=ShotResult)
