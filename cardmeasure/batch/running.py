"""A run over many photos: what need not be measured again, what is measured by whom, and one result a row."""

from __future__ import annotations

import hashlib
import os
import stat
from collections import Counter, defaultdict
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from cardmeasure.batch.journal import Journal, Key, settings_digest
from cardmeasure.batch.measuring import (
    Draw,
    Measured,
    Task,
    crashed_row,
    measured,
    measured_named,
    refused_row,
    settings_for,
)
from cardmeasure.batch.photos import FoundPhoto
from cardmeasure.batch.workers import Crash, work_through
from cardmeasure.lens.profile import LensProfile
from cardmeasure.reference.print_profile import PrintProfile
from cardmeasure.results import ShotResult
from cardmeasure.settings import Settings

_HASHING_THREADS = 4

Engine = Callable[[Iterable["Job"]], Iterator[tuple["Job", Measured | Crash]]]
"""Takes jobs and gives each back with its answer, in any order: processes here, or a cluster."""


@dataclass(frozen=True, kw_only=True)
class Done:
    """One row that is done: its place among the photos found, and the shot under its name.

    `picture`: that asked for. `faces`: see `batch.faces`; `observations`: see
    `batch.resolving`. `is_new`: whether it was measured now.
    """

    index: int
    shot: ShotResult
    picture: bytes | None = None
    faces: bytes | None = None
    observations: bytes | None = None
    is_new: bool = True


@dataclass(frozen=True, kw_only=True)
class Job:
    """A row that has to be measured, or drawn where it is `known`, and the key under which the journal keeps it."""

    index: int
    file: str
    task: Task
    key: Key | None
    known: Measured | None = None


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """What to do for each row: only say it, measure it, or say what is said of the row with the same content.

    `copies`: by the index of a row that is said or measured, those that repeat it. `original_of`: by the index of a
    row, the name of the first row with the same content.
    """

    said: list[Done]
    jobs: list[Job]
    copies: dict[int, list[int]]
    original_of: dict[int, str]


def default_processes() -> int:
    """One a core that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def run(
    found: Sequence[FoundPhoto],
    *,
    settings: Settings,
    profiles: Mapping[Path, PrintProfile] | None = None,
    lenses: Mapping[Path, tuple[LensProfile, ...]] | None = None,
    journal: Journal | None = None,
    again: bool = False,
    processes: int = 0,
    isolated: bool = False,
    engine: Engine | None = None,
    picture: Draw | None = None,
    small: Draw | None = None,
) -> Generator[Done, None, None]:
    """Each row once, in the order in which they are done; what is measured is in the journal before it is handed on.

    Files with the same content are measured once. A photo that breaks the process that measures it is a refused row;
    that is not kept in the journal, so the next run tries it again.

    Parameters
    ----------
    profiles, lenses : print and lens profiles by folder, before those of `settings`.
    again : whether to measure what the journal holds already.
    processes : how many to measure with; with 0, or where one photo is to be measured and it is not to be `isolated`,
        this one does it, and a mistake of ours is raised here.
    engine : instead of processes, whatever else measures.
    picture, small : functions that can be pickled, for pictures of measured shots; the small one is kept.

    Raises
    ------
    CannotWriteError
        Where the journal cannot be written.
    """
    digests = _digests(found, all_of_them=journal is not None)
    rows = _keyed(found, digests=digests, settings=settings, profiles=profiles, lenses=lenses)
    plan = _plan(rows, journal=None if again else journal, picture=picture, small=small)
    for said in plan.said:
        yield from _with_copies(said, plan, found)
    here = processes == 0 or (len(plan.jobs) < 2 and not isolated)
    count = 0 if here else min(processes, len(plan.jobs))
    measure = engine or (lambda jobs: _processes(jobs, processes=count))
    for job, answer in measure(plan.jobs):
        yield from _with_copies(_done(job, answer, journal=journal), plan, found)


def in_order(rows: Iterable[Done]) -> Iterator[Done]:
    """The rows in the order of the photos found, each as soon as all before it are there."""
    waiting: dict[int, Done] = {}
    following = 0
    for row in rows:
        waiting[row.index] = row
        while following in waiting:
            yield waiting.pop(following)
            following += 1


@dataclass(frozen=True, kw_only=True)
class _Row:
    index: int
    photo: FoundPhoto
    settings: Settings
    key: Key | None


def _keyed(
    found: Sequence[FoundPhoto],
    *,
    digests: Mapping[Path, str],
    settings: Settings,
    profiles: Mapping[Path, PrintProfile] | None,
    lenses: Mapping[Path, tuple[LensProfile, ...]] | None,
) -> list[_Row]:
    of_profiles: dict[object, str] = {}
    rows = []
    for index, photo in enumerate(found):
        own = settings_for(photo, settings=settings, profiles=profiles, lenses=lenses)
        beside = (own.print_profile, own.lens_profiles, own.thickness_mm, own.u_thickness_mm, own.thickness_rules)
        digest = digests.get(photo.path)
        key = None
        if digest is not None:
            if beside not in of_profiles:
                of_profiles[beside] = settings_digest(own)
            key = Key(sha256=digest, settings=of_profiles[beside])
        rows.append(_Row(index=index, photo=photo, settings=own, key=key))
    return rows


def _plan(rows: Sequence[_Row], *, journal: Journal | None, picture: Draw | None, small: Draw | None) -> _Plan:
    plan = _Plan(said=[], jobs=[], copies=defaultdict(list), original_of={})
    first: dict[Key, int] = {}
    names: dict[str, str] = {}
    for row in rows:
        photo, key = row.photo, row.key
        if photo.trouble is not None:
            plan.said.append(Done(index=row.index, shot=refused_row(photo.file, photo.trouble)))
            continue
        if key is not None:
            if names.setdefault(key.sha256, photo.file) != photo.file:
                plan.original_of[row.index] = names[key.sha256]
            if first.setdefault(key, row.index) != row.index:
                plan.copies[first[key]].append(row.index)
                continue
        known = journal.get(key) if journal is not None and key is not None else None
        if known is not None and (picture is None or known.shot.trouble is not None):
            plan.said.append(_as_done(known, index=row.index, file=photo.file, is_new=False))
            continue
        shot = None if known is None else known.shot
        task = Task(path=photo.path, settings=row.settings, picture=picture, small=small, known=shot)
        plan.jobs.append(Job(index=row.index, file=photo.file, task=task, key=key, known=known))
    return plan


def _with_copies(done: Done, plan: _Plan, found: Sequence[FoundPhoto]) -> Iterator[Done]:
    """A row and those with the same content, each under its own name."""
    for index in (done.index, *plan.copies.get(done.index, ())):
        shot = replace(done.shot, file=found[index].file, duplicate_of=plan.original_of.get(index))
        yield replace(done, index=index, shot=shot)


def _processes(jobs: Iterable[Job], *, processes: int) -> Iterator[tuple[Job, Measured | Crash]]:
    """Jobs measured by so many processes, or here with 0."""
    if processes == 0:
        for job in jobs:
            yield job, measured_named(job.task, job.file)
        return
    yield from work_through(_measured_job, jobs, processes=processes)


def _measured_job(job: Job) -> Measured:
    return measured(job.task)


def _done(job: Job, answer: Measured | Crash, *, journal: Journal | None) -> Done:
    """The row of a job; what was measured now goes into the journal first."""
    if isinstance(answer, Crash):
        sha256 = None if job.key is None else job.key.sha256
        return Done(index=job.index, shot=crashed_row(job.file, answer.reason, sha256=sha256))
    if job.known is not None:
        known = replace(job.known, picture=answer.picture)
        return _as_done(known, index=job.index, file=job.file, is_new=False)
    if journal is not None and job.key is not None:
        # by the content that was measured: the file may have changed since it was looked at
        journal.put(replace(job.key, sha256=answer.shot.sha256 or job.key.sha256), answer)
    return _as_done(answer, index=job.index, file=job.file, is_new=True)


def _as_done(measured: Measured, *, index: int, file: str, is_new: bool) -> Done:
    return Done(
        index=index,
        shot=replace(measured.shot, file=file),
        picture=measured.picture,
        faces=measured.faces,
        observations=measured.observations,
        is_new=is_new,
    )


def _digests(found: Sequence[FoundPhoto], *, all_of_them: bool) -> dict[Path, str]:
    """SHA-256 of the files that need one: all, or those that may have the same content because they are as long."""
    sizes: dict[Path, int] = {}
    for photo in found:
        with suppress(OSError, ValueError):
            if photo.trouble is None and stat.S_ISREG((status := photo.path.stat()).st_mode):
                sizes[photo.path] = status.st_size
    as_long = Counter(sizes.values())
    paths = [path for path, size in sizes.items() if all_of_them or (as_long[size] > 1 and size > 0)]
    with ThreadPoolExecutor(_HASHING_THREADS) as pool:
        return {path: digest for path, digest in zip(paths, pool.map(_digest, paths), strict=True) if digest}


def _digest(path: Path) -> str | None:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None
