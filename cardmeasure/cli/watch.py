"""`cardmeasure measure --watch`: what is there already, and then every photo as it arrives."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from cardmeasure.batch.photos import FoundPhoto, lenses_beside, profiles_beside
from cardmeasure.batch.watching import arrivals, stamp_of
from cardmeasure.cli.console import StoppedError, say, say_error
from cardmeasure.cli.runs import Outputs, Row, Run, measure_all, shots_of, write_results
from cardmeasure.reports.picture_files import is_own_picture
from cardmeasure.text import printable


def measure_and_watch(run: Run, *, paths: Sequence[Path], outputs: Outputs) -> list[Row]:
    """Rows of all photos that were there or came until the user stopped; the results are written with each of them."""
    stamps = {photo.path: stamp_of(photo.path) for photo in run.found}
    # a folder that is still empty is what one begins with
    waiting = [photo for photo in run.found if photo.trouble is not None and photo.trouble.code == "no-photos"]
    begun = replace(run, found=tuple(photo for photo in run.found if photo not in waiting))
    rows = {row.photo.path: row for row in measure_all(begun, outputs=outputs)}
    _write(rows, outputs)
    if not outputs.is_quiet:
        say_error(f"Watching {', '.join(printable(str(path)) for path in paths if path.is_dir())}; Ctrl-C ends it.")
    with suppress(KeyboardInterrupt, StoppedError):
        for photos in arrivals(paths, known=stamps, passes_over=is_own_picture):
            for row in measure_all(_run_of(photos, run, rows), outputs=outputs):
                rows[row.photo.path] = row
                _say_refused(row, outputs)
            rows = _without_renamed(rows)
            _write(rows, outputs)
    return _in_order(rows)


def _run_of(photos: Sequence[FoundPhoto], run: Run, rows: dict[Path, Row]) -> Run:
    """The run over what has just arrived, in a process of its own, so that watching goes on whatever comes."""
    arrived = {photo.path for photo in photos}
    return replace(
        run,
        found=tuple(photos),
        profiles={**run.profiles, **(profiles_beside(photos) if run.uses_profiles_beside else {})},
        lenses={**run.lenses, **(lenses_beside(photos) if run.uses_lenses_beside else {})},
        isolated=True,
        taken=tuple(row.photo.file for path, row in rows.items() if path not in arrived),
    )


def _without_renamed(rows: dict[Path, Row]) -> dict[Path, Row]:
    """The rows but those whose file is gone while another one holds what it held: it has only been renamed."""
    there = {path for path in rows if path.exists()}
    kept = {rows[path].shot.sha256 for path in there} - {None}
    return {path: row for path, row in rows.items() if path in there or row.shot.sha256 not in kept}


def _say_refused(row: Row, outputs: Outputs) -> None:
    trouble = row.shot.trouble
    if trouble is not None and outputs.has_table:
        say(f"{printable(row.shot.file)}  {trouble.code}: {printable(trouble.message)} {trouble.advice}\n\n")


def _write(rows: dict[Path, Row], outputs: Outputs) -> None:
    write_results(shots_of(_in_order(rows), outputs=outputs), outputs=outputs)


def _in_order(rows: dict[Path, Row]) -> list[Row]:
    """By name, folder by folder, as if all had been there from the beginning."""
    return sorted(rows.values(), key=lambda row: row.photo.path.parts)
