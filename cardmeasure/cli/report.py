"""`cardmeasure report`: a results file in, one HTML page out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cardmeasure.cli import options
from cardmeasure.cli.console import say
from cardmeasure.errors import UsageError
from cardmeasure.text import printable

if TYPE_CHECKING:
    from cardmeasure.results import ShotResult

SUFFIXES = (".html", ".htm")


def report(
    results: Annotated[
        Path, typer.Argument(metavar="RESULTS", help="Results of measure, a .json file.", show_default=False)
    ],
    out: Annotated[Path, typer.Argument(metavar="OUT.html", help="The page to write.", show_default=False)],
    photos: Annotated[
        Path | None,
        typer.Option(
            "--photos", metavar="DIR", help="The folder measured, where the results have no journal beside them."
        ),
    ] = None,
    decks: options.DecksFile = None,
    classes: options.ClassesFile = None,
    title: Annotated[str, typer.Option("--title", metavar="TEXT", help="Heading of the page.")] = "Card sizes",
) -> None:
    """Write a report of measured photos as one HTML file that needs nothing else.

    Exit codes: 0 written, 2 wrong options or a wrong file, 5 the page cannot be written.
    """
    if out.suffix.lower() not in SUFFIXES:
        raise UsageError(f"OUT.html is {out}; name a file that ends in .html.")
    if photos is not None and not photos.is_dir():
        raise UsageError(f"--photos is {photos}; name the folder that was measured.")
    from cardmeasure.classes import read_classes, standard_classes
    from cardmeasure.decks import read_decks, summarised
    from cardmeasure.reports.html_report import html_report
    from cardmeasure.reports.reading_json import read_document
    from cardmeasure.reports.writing import check_file, write_beside

    document = read_document(results)
    listed = document.decks if decks is None else read_decks(decks)
    table = standard_classes() if classes is None else read_classes(classes)
    check_file(out)
    with _pictures(results, photos) as picture:
        page = html_report(
            document.shots,
            decks=summarised(document.shots, decks=listed),
            classes=table,
            picture=picture,
            title=title,
        )
    write_beside(out, page.encode())
    say(f"{printable(str(out))}: {len(page.encode()) / 1e6:.1f} MB, open it in any browser.\n")


@contextmanager
def _pictures(results: Path, photos: Path | None) -> Iterator[Callable[[ShotResult], bytes | None]]:
    """Small pictures from the journal beside the results, else drawn from the photos where their folder is named."""
    from cardmeasure.batch.journal import journal_path, small_pictures

    with small_pictures(journal_path(results)) as kept:

        def picture(shot: ShotResult) -> bytes | None:
            found = None if shot.sha256 is None else kept(shot.sha256)
            return found or (None if photos is None else _drawn(shot, photos))

        yield picture


def _drawn(shot: ShotResult, photos: Path) -> bytes | None:
    """The small picture of a shot from its photo; None where that is not there any more, or another one."""
    from cardmeasure.errors import PhotoTrouble
    from cardmeasure.photo import read_photo
    from cardmeasure.reports.picture import small_jpeg

    try:
        photo = read_photo(photos / shot.file, max_megapixels=1000.0)
    except PhotoTrouble:
        return None
    return small_jpeg(photo.pixels_bgr, shot) if photo.sha256 == shot.sha256 else None
