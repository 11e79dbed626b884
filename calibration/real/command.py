"""The command line of the real photographs: paint, measure, print, and keep the record."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path

import cv2

from calibration.real.corpus import ACCEPTANCE, WORK, LabelledPhoto, labelled_photos
from calibration.real.figures import figures_of, for_machines
from calibration.real.history import csv_of, row_of, rows_in, section_in, section_of, tables_in, with_section
from calibration.real.measuring import PhotoScore, score_photo
from calibration.real.planes import seen_photo, shared_with, whole_fits
from calibration.real.report import WORDS, known_text, photo_table, tables
from cardmeasure import __version__
from cardmeasure.reports.writing import write_beside

RECORD = Path(__file__).parent / "history.csv"
REPORT = Path(__file__).parent.parent / "ACCURACY.md"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the yardstick; returns the exit code."""
    options = _parser().parse_args(arguments)
    cv2.setNumThreads(1)
    try:
        photos = [one for one in labelled_photos(options.folder) if one.group in _groups(options)]
    except FileNotFoundError as error:
        print(error, file=sys.stderr)
        return 2
    for photo in photos:
        if not photo.path.is_file():
            print(f"{photo.name} is left out: {photo.path} is not there.", file=sys.stderr)
    photos = [one for one in photos if one.path.is_file()]
    if options.pictures:
        options.pictures.mkdir(parents=True, exist_ok=True)
    scores = list(_scores(photos, only=options.only, pictures=options.pictures))
    if options.json:
        print(json.dumps(for_machines(scores, work=WORK, acceptance=ACCEPTANCE)))
    else:
        for group in (WORK, ACCEPTANCE):
            some = [score for score in scores if score.photo.group == group]
            print(*([f"# {group}", tables(some)] if some else []), sep="\n\n")
    if options.record:
        _record(scores, label=options.record)
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m calibration.real", description="Paints squares into real photographs and measures them."
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="of truth.json and its photos, or with tables/")
    parser.add_argument("--json", action="store_true", help="print the figures as JSON, and nothing else")
    parser.add_argument("--pictures", type=Path, metavar="DIR", help="write annotated pictures there")
    parser.add_argument("--acceptance", action="store_true", help="measure the acceptance set, too: never to tune")
    parser.add_argument("--only-acceptance", action="store_true", help="measure that set alone")
    parser.add_argument("--only", type=_names, metavar="A,B", help="these photos only")
    parser.add_argument("--record", metavar="LABEL", help="append to the record, and write it into ACCURACY.md")
    return parser


def _groups(options: argparse.Namespace) -> tuple[str, ...]:
    if options.only_acceptance:
        return (ACCEPTANCE,)
    return (WORK, ACCEPTANCE) if options.acceptance else (WORK,)


def _names(text: str) -> frozenset[str]:
    return frozenset(name.strip() for name in text.split(","))


def _scores(
    photos: Sequence[LabelledPhoto], *, only: frozenset[str] | None, pictures: Path | None
) -> Iterator[PhotoScore]:
    """All photos, or some of them, which the others' lenses help all the same."""
    seen = [seen_photo(photo) for photo in photos]
    fits = whole_fits(seen)
    asked = [one for one in seen if only is None or one.photo.name in only]
    for number, one in enumerate(asked, 1):
        print(f"{one.photo.name}, {number} of {len(asked)}", file=sys.stderr)
        with tempfile.TemporaryDirectory(prefix="cardmeasure-real-") as folder:
            yield score_photo(
                one, fit=fits.get(one.photo.name), shared=shared_with(one, seen, fits), folder=Path(folder),
                pictures=pictures,
            )  # fmt: skip


def _record(scores: Sequence[PhotoScore], *, label: str) -> None:
    """Appends a row for each set measured; the tables of the work set stand in the report, of the other its row."""
    rows = rows_in(RECORD.read_text(encoding="utf-8")) if RECORD.is_file() else []
    for group in (WORK, ACCEPTANCE):
        some = [score for score in scores if score.photo.group == group]
        if some:
            rows.append(row_of(figures_of(some), date=f"{date.today()}", version=__version__, label=label, group=group))
    write_beside(RECORD, csv_of(rows).encode())
    work = [score for score in scores if score.photo.group == WORK]
    report = REPORT.read_text(encoding="utf-8") if REPORT.is_file() else "# Accuracy\n"
    now = "\n\n".join([photo_table(work), known_text(work)]) if work else tables_in(section_in(report))
    section = section_of(rows, words=WORDS, now=now)
    write_beside(REPORT, with_section(report, section).encode())
