"""Arguments and options that more than one command has, or may have: declared once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

PhotoPaths = Annotated[
    list[Path], typer.Argument(metavar="PATHS", help="Photos, and folders that hold photos.", show_default=False)
]
ResultsFile = Annotated[
    str | None,
    typer.Option(
        "--results", metavar="FILE", help="Write results to a .json, .jsonl or .csv file, or JSON to - (output)."
    ),
]
PicturesFolder = Annotated[
    Path | None,
    typer.Option("--pictures", metavar="DIR", help="Write a picture of each photo, with what was found drawn in."),
]
Thickness = Annotated[
    list[str] | None,
    typer.Option(
        "--thickness",
        metavar="[NAME=]MM",
        help="Thickness of all pieces (0.30), or of a size class, a shape (circle, polygon, rectangle), a size (45x45) "
        "or a piece (#3); may be repeated. Else thickness.toml beside the photos.",
        show_default=False,
    ),
]
Expect = Annotated[
    str | None,
    typer.Option("--expect", metavar="SIZE", help="What was ordered, such as 63x88+-0.5 or d40+-0.2: does it conform?"),
]
UThickness = Annotated[
    float, typer.Option("--u-thickness", metavar="MM", min=0, max=5, help="Standard uncertainty of the thickness.")
]
PrintFile = Annotated[
    Path | None,
    typer.Option(
        "--print", metavar="FILE", help="Lengths read on the printed page; else print.toml beside the photos."
    ),
]
ClassesFile = Annotated[
    Path | None, typer.Option("--classes", metavar="FILE", help="Your own nominal size classes, put to the usual ones.")
]
MaxMegapixels = Annotated[
    float, typer.Option("--max-megapixels", metavar="N", min=0.1, max=1000, help="Refuse photos with more pixels.")
]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print no table and no progress.")]
DecksFile = Annotated[
    Path | None,
    typer.Option("--decks", metavar="FILE", help="Which cards make up which deck; else each folder is one."),
]
Processes = Annotated[
    int | None,
    typer.Option(
        "--processes",
        metavar="N",
        min=0,
        max=1024,
        help="Measure with N processes; else one a core.",
        show_default=False,
    ),
]
Again = Annotated[bool, typer.Option("--again", help="Measure what the journal beside the results holds already.")]
Watch = Annotated[bool, typer.Option("--watch", help="Go on, and measure photos as they arrive, until Ctrl-C.")]
Scheduler = Annotated[
    str | None,
    typer.Option("--scheduler", metavar="ADDRESS", help="Measure with the workers of the Dask scheduler there."),
]
Explain = Annotated[bool, typer.Option("--explain", help="Say where each size's uncertainty comes from.")]
Together = Annotated[
    bool, typer.Option("--together", help="Solve photos of one phone and print again, with lens and scale in common.")
]
LensFile = Annotated[
    Path | None,
    typer.Option("--lens", metavar="FILE", help="Lens profile made by cardmeasure lens; else lens.toml beside photos."),
]
NoBankCard = Annotated[
    bool, typer.Option("--no-bank-card", help="Take no card for a bank card, whose size would be known.")
]
