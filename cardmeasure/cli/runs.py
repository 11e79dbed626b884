"""A run as the terminal sees it: progress, a table a shot, pictures, and at the end the results and the summary."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path

from cardmeasure.batch import Done, FoundPhoto, default_processes
from cardmeasure.batch import run as run_photos
from cardmeasure.batch.cluster import cluster_engine
from cardmeasure.batch.duplicates import with_duplicates
from cardmeasure.batch.journal import Journal, journal_path
from cardmeasure.batch.resolving import resolved
from cardmeasure.batch.running import in_order
from cardmeasure.classes import SizeClass
from cardmeasure.cli.console import StoppedError, columns, is_terminal, say
from cardmeasure.cli.progress import RunProgress
from cardmeasure.conformity.assessing import assessed
from cardmeasure.conformity.expectation import Expectation
from cardmeasure.decks import Deck, summarised
from cardmeasure.lens.profile import LensProfile
from cardmeasure.reference.print_profile import PrintProfile
from cardmeasure.reports.csv_results import results_csv
from cardmeasure.reports.explanation import explanation_text
from cardmeasure.reports.json_lines import results_json_lines
from cardmeasure.reports.json_results import results_json, results_json_parts
from cardmeasure.reports.picture import picture_jpeg, small_jpeg
from cardmeasure.reports.picture_files import picture_names, picture_path
from cardmeasure.reports.terminal_decks import decks_text
from cardmeasure.reports.terminal_table import shot_text, summary_text
from cardmeasure.reports.writing import write_beside
from cardmeasure.results import ShotResult
from cardmeasure.settings import Settings

STDOUT = "-"


@dataclass(frozen=True, kw_only=True)
class Outputs:
    """Where results go: `results` a file or `-`, `pictures` a folder; `decks` those of a decks file.

    `together`: the size classes to match anew what photos of one phone and print give together; None: each by itself.
    `explains`: whether the table says where each size's uncertainty comes from. `expectation`: what was ordered.
    """

    results: str | None
    pictures: Path | None
    is_quiet: bool
    decks: tuple[Deck, ...] = ()
    together: tuple[SizeClass, ...] | None = None
    explains: bool = False
    expectation: Expectation | None = None

    @property
    def has_table(self) -> bool:
        """Whether standard output gets a table."""
        return not self.is_quiet and self.results != STDOUT

    @property
    def results_file(self) -> Path | None:
        """The results file, if there is to be one."""
        return None if self.results in (None, STDOUT) else Path(str(self.results))


@dataclass(frozen=True, kw_only=True)
class Run:
    """What is to be measured and how; `processes`: None for one a core. `isolated`: see `batch.run`.

    `scheduler`: address of the Dask scheduler whose workers measure instead of processes here.
    `uses_profiles_beside`, `uses_lenses_beside`: whether `profiles` and `lenses` are those found beside the photos.
    `taken`: names in the results of photos whose pictures have been written already.
    """

    found: tuple[FoundPhoto, ...]
    settings: Settings
    profiles: Mapping[Path, PrintProfile]
    processes: int | None
    again: bool
    scheduler: str | None = None
    uses_profiles_beside: bool = True
    lenses: Mapping[Path, tuple[LensProfile, ...]] = field(default_factory=dict)
    uses_lenses_beside: bool = True
    isolated: bool = False
    taken: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Row:
    """What came of one photo: its shot, its cards' faces, and what it says of lens and print, as far as known."""

    photo: FoundPhoto
    shot: ShotResult
    faces: bytes | None
    observations: bytes | None


def measure_all(run: Run, *, outputs: Outputs) -> list[Row]:
    """All rows in their order, tables and pictures of each as soon as it is its turn.

    Raises StoppedError if the user interrupts, CannotWriteError where journal or pictures cannot be written.
    """
    done_rows: list[Row] = []
    progress = RunProgress(len(run.found), wanted=not outputs.is_quiet)
    kept = ""
    try:
        with ExitStack() as stack:
            stack.callback(progress.pause)
            journal = None
            if outputs.results_file is not None:
                journal = stack.enter_context(Journal(journal_path(outputs.results_file)))
                kept = "; what was measured is kept, the same command goes on from there"
            rows = stack.enter_context(closing(_rows(run, outputs, journal)))
            for done in in_order(_counted(_with_pictures(rows, run, outputs), progress)):
                done_rows.append(_row(run.found[done.index], done))
                _show(assessed([done.shot], outputs.expectation)[0], progress, outputs)
    except KeyboardInterrupt:
        unwritten = "" if outputs.results is None else f"; {outputs.results} was not written"
        count = f"{len(done_rows)} of {len(run.found)} photos were done"
        raise StoppedError(f"Stopped: {count}{unwritten}{kept}.") from None
    return done_rows


def shots_of(rows: Sequence[Row], *, outputs: Outputs) -> list[ShotResult]:
    """The shots of the rows, duplicates among them marked, and solved together where that is wanted."""
    faces = {index: row.faces for index, row in enumerate(rows) if row.faces is not None}
    shots = with_duplicates([row.shot for row in rows], faces=faces)
    if outputs.together is None:
        return assessed(shots, outputs.expectation)
    observations = {index: row.observations for index, row in enumerate(rows) if row.observations is not None}
    return assessed(resolved(shots, observations=observations, classes=outputs.together), outputs.expectation)


def _row(photo: FoundPhoto, done: Done) -> Row:
    return Row(photo=photo, shot=done.shot, faces=done.faces, observations=done.observations)


def write_results(shots: Sequence[ShotResult], *, outputs: Outputs) -> None:
    """Write the results file, if there is to be one."""
    path = outputs.results_file
    if path is None:
        return
    kind = path.suffix.lower()
    if kind == ".csv":
        write_beside(path, results_csv(shots, decks=outputs.decks).encode())
    elif kind == ".jsonl":
        write_beside(path, results_json_lines(shots).encode())
    else:
        parts = results_json_parts(shots, decks=summarised(shots, decks=outputs.decks))
        write_beside(path, (part.encode() for part in parts))


def report(shots: Sequence[ShotResult], *, outputs: Outputs) -> None:
    """Write the results, then say how it went: the file is safe before anything can go wrong with the terminal."""
    write_results(shots, outputs=outputs)
    if outputs.results == STDOUT:
        say(results_json(shots, decks=summarised(shots, decks=outputs.decks)))
    if outputs.has_table:
        if len(shots) > 1 or outputs.decks:
            text = decks_text(summarised(shots, decks=outputs.decks), width=columns())
            say(text + "\n" if text else "")
        say(summary_text(shots, width=columns(), wraps_refusals=is_terminal()))


def _rows(run: Run, outputs: Outputs, journal: Journal | None) -> Generator[Done, None, None]:
    return run_photos(
        run.found,
        settings=run.settings,
        profiles=run.profiles,
        lenses=run.lenses,
        journal=journal,
        again=run.again,
        processes=default_processes() if run.processes is None else run.processes,
        isolated=run.isolated,
        engine=None if run.scheduler is None else cluster_engine(run.scheduler),
        picture=None if outputs.pictures is None else picture_jpeg,
        small=None if journal is None else small_jpeg,
    )


def _with_pictures(rows: Iterator[Done], run: Run, outputs: Outputs) -> Iterator[Done]:
    """The rows, the picture of each written."""
    names = picture_names([*run.taken, *(photo.file for photo in run.found)])[len(run.taken) :]
    for done in rows:
        if outputs.pictures is not None and done.picture is not None:
            write_beside(picture_path(outputs.pictures, names[done.index]), done.picture)
        yield done


def _counted(rows: Iterator[Done], progress: RunProgress) -> Iterator[Done]:
    for done in rows:
        progress.advance(refused=done.shot.trouble is not None)
        yield done


def _show(shot: ShotResult, progress: RunProgress, outputs: Outputs) -> None:
    if outputs.has_table and (text := shot_text(shot, width=columns())):
        progress.pause()
        say(text + "\n")
        if outputs.explains:
            say(explanation_text(shot, width=columns()))
        progress.resume()
