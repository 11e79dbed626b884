"""`cardmeasure measure`: photos and folders in; table, results file and pictures out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from cardmeasure.cli import options
from cardmeasure.cli.console import Progress, StoppedError, columns, is_terminal, say
from cardmeasure.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from cardmeasure.batch import FoundPhoto
    from cardmeasure.reference.print_profile import PrintProfile
    from cardmeasure.results import ShotResult
    from cardmeasure.settings import Settings

STDOUT = "-"
SUFFIXES = (".json", ".csv")


@dataclass(frozen=True, kw_only=True)
class Outputs:
    """Where results go: `results` a file or `-`, `pictures` a folder, `table` whether standard output gets one."""

    results: str | None
    pictures: Path | None
    table: bool


def measure(
    paths: options.PhotoPaths,
    results: options.ResultsFile = None,
    pictures: options.PicturesFolder = None,
    thickness: options.Thickness = 0.30,
    u_thickness: options.UThickness = 0.05,
    print_file: options.PrintFile = None,
    classes: options.ClassesFile = None,
    max_megapixels: options.MaxMegapixels = 120.0,
    quiet: options.Quiet = False,
) -> None:
    """Measure the cards in photos, or in all photos of folders.

    Exit codes: 0 all photos measured, 2 wrong options, 3 some photos refused, 4 no photo measured, 5 an output cannot
    be written, 70 a mistake in cardmeasure, 130 stopped.
    """
    outputs = Outputs(results=results, pictures=pictures, table=not quiet and results != STDOUT)
    _check_results_name(results)
    settings = _settings(
        thickness_mm=thickness,
        u_thickness_mm=u_thickness,
        print_file=print_file,
        classes_file=classes,
        max_megapixels=max_megapixels,
    )
    from cardmeasure.batch import find_photos, profiles_beside
    from cardmeasure.reports.picture_files import is_own_picture

    found = find_photos(paths, passes_over=is_own_picture)
    profiles = {} if print_file else profiles_beside(found)
    _check_outputs(outputs)
    shots = _measure_all(found, settings=settings, profiles=profiles, outputs=outputs, is_quiet=quiet)
    _report(shots, outputs=outputs)
    raise typer.Exit(exit_code(shots))


def exit_code(shots: Sequence[ShotResult]) -> ExitCode:
    """The exit code of a run that came to its end."""
    refused = sum(shot.trouble is not None for shot in shots)
    if refused == 0:
        return ExitCode.OK
    return ExitCode.NONE_MEASURED if refused == len(shots) else ExitCode.SOME_REFUSED


def _check_results_name(results: str | None) -> None:
    if results is not None and results != STDOUT and Path(results).suffix.lower() not in SUFFIXES:
        raise UsageError(
            f"--results is {results}; name a file that ends in .json or .csv, or - for JSON on the output."
        )


def _settings(
    *,
    thickness_mm: float,
    u_thickness_mm: float,
    print_file: Path | None,
    classes_file: Path | None,
    max_megapixels: float,
) -> Settings:
    from cardmeasure.classes import read_classes, standard_classes
    from cardmeasure.reference.print_profile import ASSUMED, read_print_profile
    from cardmeasure.settings import Settings

    return Settings(
        thickness_mm=thickness_mm,
        u_thickness_mm=u_thickness_mm,
        print_profile=ASSUMED if print_file is None else read_print_profile(print_file),
        classes=standard_classes() if classes_file is None else read_classes(classes_file),
        max_megapixels=max_megapixels,
    )


def _check_outputs(outputs: Outputs) -> None:
    """Raises CannotWriteError before anything is measured in vain."""
    from cardmeasure.reports.writing import check_file, make_folder

    if outputs.results not in (None, STDOUT):
        check_file(Path(str(outputs.results)))
    if outputs.pictures is not None:
        make_folder(outputs.pictures)


def _measure_all(
    found: Sequence[FoundPhoto],
    *,
    settings: Settings,
    profiles: dict[Path, PrintProfile],
    outputs: Outputs,
    is_quiet: bool,
) -> list[ShotResult]:
    """Measure photo by photo, each with its table and picture at once; raises StoppedError if the user interrupts."""
    from cardmeasure.batch import measure_found
    from cardmeasure.reports.picture_files import picture_names
    from cardmeasure.reports.terminal_table import shot_text

    done: list[ShotResult] = []
    names = picture_names([photo.file for photo in found])
    progress = Progress(len(found), wanted=not is_quiet)
    results = measure_found(found, settings=settings, profiles=profiles)
    try:
        for photo, name in zip(found, names, strict=True):
            progress.show(len(done), photo.file)
            shot = next(results)
            if outputs.pictures is not None and shot.trouble is None:
                _write_picture(photo, shot, folder=outputs.pictures, name=name, settings=settings)
            progress.wipe()
            if outputs.table and (text := shot_text(shot, width=columns())):
                say(text + "\n")
            done.append(shot)
    except KeyboardInterrupt:
        progress.wipe()
        unwritten = "" if outputs.results is None else f"; {outputs.results} was not written"
        raise StoppedError(f"Stopped: {len(done)} of {len(found)} photos were done{unwritten}.") from None
    return done


def _write_picture(photo: FoundPhoto, shot: ShotResult, *, folder: Path, name: str, settings: Settings) -> None:
    from cardmeasure.photo import read_photo
    from cardmeasure.reports.picture import picture_jpeg
    from cardmeasure.reports.picture_files import picture_path
    from cardmeasure.reports.writing import write_beside

    pixels = read_photo(photo.path, max_megapixels=settings.max_megapixels).pixels_bgr
    write_beside(picture_path(folder, name), picture_jpeg(pixels, shot))


def _report(shots: Sequence[ShotResult], *, outputs: Outputs) -> None:
    """Write the results, then say how it went: the file is safe before anything can go wrong with the terminal."""
    from cardmeasure.reports.csv_results import results_csv
    from cardmeasure.reports.json_results import results_json
    from cardmeasure.reports.terminal_table import summary_text
    from cardmeasure.reports.writing import write_beside

    if outputs.results == STDOUT:
        say(results_json(shots))
    elif outputs.results is not None:
        path = Path(outputs.results)
        text = results_csv(shots) if path.suffix.lower() == ".csv" else results_json(shots)
        write_beside(path, text.encode())
    if outputs.table:
        say(summary_text(shots, width=columns(), wraps_refusals=is_terminal()))
