"""`cardmeasure piece`: one photo of one piece in, one sentence out: what size it is, and what that is called."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cardmeasure.cli import options
from cardmeasure.cli.console import columns, say
from cardmeasure.errors import ExitCode
from cardmeasure.thickness.usual import U_CARD_MM

PiecePhoto = Annotated[Path, typer.Argument(metavar="PHOTO", help="A photo of the piece with the reference square.")]


def piece(
    photo: PiecePhoto,
    thickness: options.Thickness = None,
    u_thickness: options.UThickness = U_CARD_MM,
    print_file: options.PrintFile = None,
    classes: options.ClassesFile = None,
    max_megapixels: options.MaxMegapixels = 120.0,
    no_bank_card: options.NoBankCard = False,
    lens: options.LensFile = None,
    expect: options.Expect = None,
) -> None:
    """Say what size one piece is, with its uncertainty, whether that is a nominal size, and which are nearest.

    Exit codes: 0 answered, 2 wrong options, 4 the photo or the piece in it could not be measured, 70 a mistake in
    cardmeasure, 130 stopped.
    """
    from cardmeasure.batch import FoundPhoto, lenses_beside, measure_found, profiles_beside
    from cardmeasure.cli.measure import settings_of
    from cardmeasure.conformity.assessing import assessed
    from cardmeasure.conformity.expectation import parse_expectation
    from cardmeasure.reports.piece_sentence import piece_text

    expectation = None if expect is None else parse_expectation(expect)
    settings = settings_of(
        thickness=thickness or [], u_thickness_mm=u_thickness, print_file=print_file, classes_file=classes,
        max_megapixels=max_megapixels, bank_card=not no_bank_card, lens_file=lens,
    )  # fmt: skip
    found = [FoundPhoto(path=photo, file=str(photo))]
    profiles = profiles_beside(found) if print_file is None else {}
    lenses = lenses_beside(found) if lens is None else {}
    (shot,) = assessed(list(measure_found(found, settings=settings, profiles=profiles, lenses=lenses)), expectation)
    say(piece_text(shot, classes=settings.classes, width=columns(), expectation=expectation))
    raise typer.Exit(ExitCode.OK if any(card.is_sized for card in shot.cards) else ExitCode.NONE_MEASURED)
