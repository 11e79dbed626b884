"""A run as the terminal sees it: progress, a table a shot, pictures, and at the end the results and the summary."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path

from cardmeasure.batch import Done, FoundPhoto, default_processes
from cardmeasure.batch import run as run_photos
from cardmeasure.batch.duplicates import with_duplicates
from cardmeasure.batch.journal import Journal, journal_path
from cardmeasure.batch.running import in_order
from cardmeasure.cli.console import StoppedError, columns, is_terminal, say
from cardmeasure.cli.progress import RunProgress
from cardmeasure.decks import Deck, summarised
from cardmeasure.reference.print_profile import PrintProfile
from cardmeasure.reports.csv_results import results_csv
from cardmeasure.reports.json_lines import results_json_lines
from cardmeasure.reports.json_results import results_json
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
    """Where results go: `results` a file or `-`, `pictures` a folder; `decks` those of a decks file."""

    results: str | None
    pictures: Path | None
    is_quiet: bool
    decks: tuple[Deck, ...] = ()

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
    """What is to be measured and how; `processes`: None for one a core."""

    found: tuple[FoundPhoto, ...]
    settings: Settings
    profiles: Mapping[Path, PrintProfile]
    processes: int | None
    again: bool


def measure_all(run: Run, *, outputs: Outputs) -> list[ShotResult]:
    """All shots in their order, tables and pictures of each as soon as it is its turn.

    Raises StoppedError if the user interrupts, CannotWriteError where journal or pictures cannot be written.
    """
    shots: list[ShotResult] = []
    faces: dict[int, bytes] = {}
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
                shots.append(done.shot)
                if done.faces is not None:
                    faces[done.index] = done.faces
                _show(done.shot, progress, outputs)
    except KeyboardInterrupt:
        unwritten = "" if outputs.results is None else f"; {outputs.results} was not written"
        raise StoppedError(f"Stopped: {len(shots)} of {len(run.found)} photos were done{unwritten}{kept}.") from None
    return with_duplicates(shots, faces=faces)


def report(shots: Sequence[ShotResult], *, outputs: Outputs) -> None:
    """Write the results, then say how it went: the file is safe before anything can go wrong with the terminal."""
    decks = summarised(shots, decks=outputs.decks)
    if outputs.results == STDOUT:
        say(results_json(shots, decks=decks))
    elif outputs.results_file is not None:
        kind = outputs.results_file.suffix.lower()
        if kind == ".csv":
            text = results_csv(shots, decks=outputs.decks)
        else:
            text = results_json_lines(shots) if kind == ".jsonl" else results_json(shots, decks=decks)
        write_beside(outputs.results_file, text.encode())
    if outputs.has_table:
        if (len(shots) > 1 or outputs.decks) and (text := decks_text(decks, width=columns())):
            say(text + "\n")
        say(summary_text(shots, width=columns(), wraps_refusals=is_terminal()))


def _rows(run: Run, outputs: Outputs, journal: Journal | None) -> Generator[Done, None, None]:
    return run_photos(
        run.found,
        settings=run.settings,
        profiles=run.profiles,
        journal=journal,
        again=run.again,
        processes=default_processes() if run.processes is None else run.processes,
        picture=None if outputs.pictures is None else picture_jpeg,
        small=None if journal is None else small_jpeg,
    )


def _with_pictures(rows: Iterator[Done], run: Run, outputs: Outputs) -> Iterator[Done]:
    """The rows, the picture of each written."""
    names = picture_names([photo.file for photo in run.found])
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
        progress.resume()
