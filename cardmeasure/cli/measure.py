"""`cardmeasure measure`: photos and folders in; table, results file and pictures out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from cardmeasure.cli import options
from cardmeasure.errors import ExitCode, UsageError
from cardmeasure.thickness.usual import U_CARD_MM

if TYPE_CHECKING:
    from cardmeasure.batch import FoundPhoto
    from cardmeasure.cli.runs import Outputs, Run
    from cardmeasure.conformity.expectation import Expectation
    from cardmeasure.decks import Deck
    from cardmeasure.results import ShotResult
    from cardmeasure.settings import Settings

STDOUT = "-"
SUFFIXES = (".json", ".jsonl", ".csv")


def measure(
    paths: options.PhotoPaths,
    results: options.ResultsFile = None,
    pictures: options.PicturesFolder = None,
    decks: options.DecksFile = None,
    thickness: options.Thickness = None,
    u_thickness: options.UThickness = U_CARD_MM,
    print_file: options.PrintFile = None,
    no_bank_card: options.NoBankCard = False,
    lens: options.LensFile = None,
    classes: options.ClassesFile = None,
    max_megapixels: options.MaxMegapixels = 120.0,
    processes: options.Processes = None,
    again: options.Again = False,
    together: options.Together = False,
    explain: options.Explain = False,
    expect: options.Expect = None,
    watch: options.Watch = False,
    scheduler: options.Scheduler = None,
    quiet: options.Quiet = False,
) -> None:
    """Measure the cards in photos, or in all photos of folders.

    Exit codes: 0 all photos measured, 2 wrong options, 3 some photos refused, 4 no photo measured, 5 an output cannot
    be written, 70 a mistake in cardmeasure, 130 stopped.
    """
    _check_results(results, paths=paths, watch=watch)
    settings = settings_of(
        thickness=thickness or [], u_thickness_mm=u_thickness, print_file=print_file, classes_file=classes,
        max_megapixels=max_megapixels, bank_card=not no_bank_card, lens_file=lens,
    )  # fmt: skip
    from cardmeasure.cli.runs import Outputs, Run

    outputs = Outputs(
        results=results, pictures=pictures, is_quiet=quiet, decks=_decks(decks), explains=explain,
        together=settings.classes if together else None, expectation=_expectation(expect),
    )  # fmt: skip
    run = Run(
        found=_found(paths, outputs=outputs), settings=settings, profiles={}, processes=processes, again=again,
        scheduler=scheduler, uses_profiles_beside=print_file is None, uses_lenses_beside=lens is None,
    )  # fmt: skip
    raise typer.Exit(exit_code(_measured(run, paths=paths, outputs=outputs, watch=watch)))


def _found(paths: Sequence[Path], *, outputs: Outputs) -> tuple[FoundPhoto, ...]:
    """The photos to measure; raises where a decks file names others, or an output cannot be written."""
    from cardmeasure.batch import find_photos
    from cardmeasure.decks.membership import check_decks
    from cardmeasure.reports.picture_files import is_own_picture

    found = find_photos(paths, passes_over=is_own_picture)
    check_decks(outputs.decks, [photo.file for photo in found])
    _check_outputs(outputs)
    return found


def _measured(run: Run, *, paths: Sequence[Path], outputs: Outputs, watch: bool) -> Sequence[ShotResult]:
    """Measure all, show and write it; the shots."""
    from cardmeasure.batch import lenses_beside, profiles_beside
    from cardmeasure.cli.runs import measure_all, report, shots_of
    from cardmeasure.cli.watch import measure_and_watch

    if run.uses_profiles_beside:
        run = replace(run, profiles=profiles_beside(run.found))
    if run.uses_lenses_beside:
        run = replace(run, lenses=lenses_beside(run.found))
    rows = measure_and_watch(run, paths=paths, outputs=outputs) if watch else measure_all(run, outputs=outputs)
    shots = shots_of(rows, outputs=outputs)
    report(shots, outputs=outputs)
    return shots


def exit_code(shots: Sequence[ShotResult]) -> ExitCode:
    """The exit code of a run that came to its end."""
    refused = sum(shot.trouble is not None for shot in shots)
    if refused == 0:
        return ExitCode.OK
    return ExitCode.NONE_MEASURED if refused == len(shots) else ExitCode.SOME_REFUSED


def _check_results(results: str | None, *, paths: Sequence[Path], watch: bool) -> None:
    if results is not None and results != STDOUT and Path(results).suffix.lower() not in SUFFIXES:
        raise UsageError(
            f"--results is {results}; name a file that ends in .json, .jsonl or .csv, or - for JSON on the output."
        )
    if watch and not any(path.is_dir() for path in paths):
        raise UsageError(f"--watch needs a folder, and {paths[0]} is none; name the folder that photos arrive in.")
    if watch and results == STDOUT:
        raise UsageError("--watch rewrites the results with every photo; name a file for --results.")


def _decks(path: Path | None) -> tuple[Deck, ...]:
    from cardmeasure.decks import read_decks

    return () if path is None else read_decks(path)


def _expectation(text: str | None) -> Expectation | None:
    from cardmeasure.conformity.expectation import parse_expectation

    return None if text is None else parse_expectation(text)


def settings_of(
    *,
    thickness: Sequence[str],
    u_thickness_mm: float,
    print_file: Path | None,
    classes_file: Path | None,
    max_megapixels: float,
    bank_card: bool,
    lens_file: Path | None,
) -> Settings:
    """The settings that options name; raises UsageError where one of them is wrong."""
    from cardmeasure.classes import read_classes, standard_classes
    from cardmeasure.lens.profile import read_lens_profiles
    from cardmeasure.reference.print_profile import ASSUMED, read_print_profile
    from cardmeasure.settings import Settings
    from cardmeasure.thickness.reading import thickness_of_options, with_thickness

    settings = Settings(
        u_thickness_mm=u_thickness_mm,
        uses_thickness_beside=not thickness,
        print_profile=ASSUMED if print_file is None else read_print_profile(print_file),
        classes=standard_classes() if classes_file is None else read_classes(classes_file),
        max_megapixels=max_megapixels,
        bank_card=bank_card,
        lens_profiles=() if lens_file is None else read_lens_profiles(lens_file),
    )
    return with_thickness(settings, thickness_of_options(thickness))


def _check_outputs(outputs: Outputs) -> None:
    """Raises CannotWriteError before anything is measured in vain."""
    from cardmeasure.reports.writing import check_file, make_folder

    if outputs.results not in (None, STDOUT):
        check_file(Path(str(outputs.results)))
    if outputs.pictures is not None:
        make_folder(outputs.pictures)
