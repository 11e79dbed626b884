"""Measuring the rendered shots, by cardmeasure and by the textbook, in a pool of processes."""

from __future__ import annotations

import json
import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2

from calibration.rig.phone_scenes import RUNS
from calibration.study.odd import settings_of_truth
from calibration.study.planning import PlannedShot
from calibration.study.profiles import profile_of_truth
from calibration.study.records import Findings, Piece
from calibration.study.textbook import measure_by_the_textbook
from cardmeasure.batch.resolving import encoded_observations
from cardmeasure.pipeline import measure_photo
from cardmeasure.reference.print_profile import PrintProfile
from cardmeasure.results import Card, ShotResult
from cardmeasure.settings import Settings
from cardmeasure.together import ShotObservations


@dataclass(frozen=True, kw_only=True)
class OfRun:
    """What is kept of a measured shot of a run to solve the run together; observations are encoded."""

    result: ShotResult
    observations: bytes


@dataclass(frozen=True, kw_only=True)
class Measured:
    """A shot with its truth and what both ways found; `of_run`: of a shot of a run, where it could be measured."""

    shot: PlannedShot
    truth: dict[str, Any]
    ours: Findings
    textbook: Findings
    of_run: OfRun | None = None


Task = tuple[PlannedShot, Path, Path]
"""A shot, its photo, its truth."""


def measure_all(tasks: Sequence[Task], *, processes: int = 2) -> Iterator[Measured]:
    """All shots measured, in their order."""
    if processes == 1:
        yield from map(measure_shot, tasks)
        return
    with multiprocessing.get_context("spawn").Pool(processes, initializer=_start_worker) as pool:
        yield from pool.imap(measure_shot, tasks)


def measure_shot(task: Task) -> Measured:
    """One shot, measured with the print profile that its group's user has."""
    shot, photo, beside = task
    truth = json.loads(beside.read_text(encoding="utf-8"))
    profile = profile_of_truth(shot.group, truth, seed=shot.seed)
    textbook = measure_by_the_textbook(photo, profile)
    settings = settings_of_truth(Settings(print_profile=profile), truth, group=shot.group)
    kept: list[OfRun] = []
    ours = measure_by_cardmeasure(photo, profile, settings=settings, keep=kept.append if shot.group in RUNS else None)
    return Measured(shot=shot, truth=truth, ours=ours, textbook=textbook, of_run=kept[0] if kept else None)


def measure_by_cardmeasure(
    photo: Path,
    profile: PrintProfile,
    *,
    settings: Settings | None = None,
    keep: Callable[[OfRun], object] | None = None,
) -> Findings:
    """What `measure_photo` finds; where it raises, that is the trouble, so that one crash cannot hide the rest.

    `keep` is handed what it takes to solve the shot again with others.
    """
    seen: list[ShotObservations] = []
    try:
        result = measure_photo(photo, settings=settings or Settings(print_profile=profile), observe=seen.append)
    except Exception as error:
        return Findings(pieces=(), trouble=f"crash ({type(error).__name__}: {error})")
    if keep is not None and seen:
        keep(OfRun(result=result, observations=encoded_observations(seen[0])))
    return found_pieces(result)


def found_pieces(result: ShotResult) -> Findings:
    """A result as the study compares it."""
    return Findings(
        pieces=tuple(_piece(card) for card in result.cards),
        flags=result.flags,
        trouble=result.trouble.code if result.trouble else None,
    )


def _piece(card: Card) -> Piece:
    return Piece(
        corners_px=card.corners_px,
        width_mm=card.width_mm,
        height_mm=card.height_mm,
        u_width_mm=card.u_width_mm,
        u_height_mm=card.u_height_mm,
        size_class=card.match.size_class if card.match else None,
        probability=card.match.probability if card.match else None,
        flags=card.flags,
    )


def _start_worker() -> None:
    cv2.setNumThreads(1)
