"""Arguments and options of the commands about sleeves, and reading what they name: declared once."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cardmeasure.errors import UsageError

if TYPE_CHECKING:
    from cardmeasure.sleeving.card_set import CardSet
    from cardmeasure.sleeving.conditions import Conditions
    from cardmeasure.sleeving.shops import Shop

SHOPS_BESIDE, DECKS_BESIDE = "shops.csv", "decks.toml"

ResultsFiles = Annotated[
    list[Path],
    typer.Argument(metavar="RESULTS...", help="Results files (.json) of measure, one a box.", show_default=False),
]
OneResultsFile = Annotated[
    Path, typer.Argument(metavar="RESULTS", help="A results file (.json) of measure.", show_default=False)
]
SleeveListFile = Annotated[
    Path,
    typer.Option("--list", metavar="FILE", help="Sleeve list (.csv); starter-list writes one.", show_default=False),
]
DecksFiles = Annotated[
    list[Path] | None,
    typer.Option("--decks", metavar="FILE", help="Decks file, once or once a box; else decks.toml beside RESULTS."),
]
ShopsFile = Annotated[
    Path | None,
    typer.Option("--shops", metavar="FILE", help="What shops ask for sending (.csv); else shops.csv beside the list."),
]
HumidityRange = Annotated[
    str, typer.Option("--humidity", metavar="A:B", help="Per cent when measured, and the dampest in use.")
]
Limits = Annotated[
    list[str] | None,
    typer.Option("--limit", metavar="NAME=X", help="Set a threshold of the verdicts, for example tight_mm=0.8."),
]
OutFile = Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Write all of it to a .json or .csv file.")]
Explain = Annotated[bool, typer.Option("--explain", help="Show what each answer is made of.")]
UThickness = Annotated[
    float,
    typer.Option(
        "--u-thickness",
        metavar="MM",
        min=0,
        max=5,
        help="Standard uncertainty of the cards' thickness, as measured with.",
    ),
]


def check_out(out: Path | None, *, suffixes: Sequence[str] = (".json", ".csv"), option: str = "--out") -> None:
    """Raises UsageError for a wrong suffix and CannotWriteError for a place that cannot be written to."""
    from cardmeasure.reports.writing import check_file

    if out is None:
        return
    if out.suffix.lower() not in suffixes:
        raise UsageError(f"{option} is {out}; name a file that ends in {' or '.join(suffixes)}.")
    check_file(out)


def write_out(out: Path | None, text: str | bytes) -> None:
    """Write a file, if one is wanted."""
    from cardmeasure.reports.writing import write_beside

    if out is not None:
        write_beside(out, text.encode() if isinstance(text, str) else text)


def read_conditions(humidity: str, limits: Sequence[str] | None) -> Conditions:
    """Conditions from the options."""
    from cardmeasure.sleeving.conditions import Conditions, parse_humidity, parse_thresholds

    return Conditions(humidity=parse_humidity(humidity), thresholds=parse_thresholds(limits or ()))


def read_boxes(results: Sequence[Path], decks: Sequence[Path] | None, *, u_thickness: float) -> list[CardSet]:
    """The sets of cards of all boxes, in their order; at least one."""
    from cardmeasure.decks import read_decks
    from cardmeasure.reports.reading_json import read_results
    from cardmeasure.sleeving.boxes import card_sets

    sets: list[CardSet] = []
    for path, name, said in zip(results, box_names(results), decks_files(results, decks), strict=True):
        known = () if said is None else read_decks(said)
        sets += card_sets(read_results(path), box=name, decks=known, u_thickness_mm=u_thickness)
    if not sets:
        raise UsageError(f"{', '.join(map(str, results))}: no card with a size in there; nothing to find sleeves for.")
    return sets


def decks_files(results: Sequence[Path], decks: Sequence[Path] | None) -> list[Path | None]:
    """The decks file of each box: the one named for all, its own, or decks.toml beside the results; else None."""
    files = [*(decks or ())]
    if len(files) > 1 and len(files) != len(results):
        raise UsageError(
            f"--decks is given {len(files)} times for {len(results)} results; give it once, or once for each in order."
        )
    if files:
        return [*(files if len(files) > 1 else files * len(results))]
    beside = [path.with_name(DECKS_BESIDE) for path in results]
    return [path if path.is_file() else None for path in beside]


def read_unmeasured(results: Sequence[Path], decks: Sequence[Path] | None) -> list[str]:
    """The decks of all boxes of which no card has a size; files as `read_boxes` has found them to be right."""
    from cardmeasure.decks import read_decks
    from cardmeasure.reports.reading_json import read_results
    from cardmeasure.sleeving.boxes import unmeasured

    names: list[str] = []
    for path, said in zip(results, decks_files(results, decks), strict=True):
        names += unmeasured(read_results(path), decks=() if said is None else read_decks(said))
    return names


def say_unmeasured(names: Sequence[str]) -> None:
    """Say of which decks nothing can be said."""
    from cardmeasure.cli.console import columns, say
    from cardmeasure.text import printable, wrapped

    if names:
        words = f"Not measured, so nothing can be said of them: {', '.join(names)}."
        say("\n".join(wrapped(printable(words), first="", then="  ", width=columns())) + "\n")


def box_names(results: Sequence[Path]) -> list[str]:
    """A name for each box: that of the results file, or of its folder where it says only "results"; all different."""
    names: list[str] = []
    for path in results:
        name = path.stem if path.stem != "results" else path.resolve().parent.name or path.stem
        count = sum(other == name or other.startswith(f"{name} (") for other in names)
        names.append(f"{name} ({count + 1})" if count else name)
    return names


def read_shops_for(sleeve_list: Path, shops: Path | None) -> tuple[Shop, ...]:
    """The shops named, or those in shops.csv beside the sleeve list, or none."""
    from cardmeasure.sleeving.shops import read_shops

    beside = sleeve_list.with_name(SHOPS_BESIDE)
    if shops is None and not (beside.is_file() and beside.resolve() != sleeve_list.resolve()):
        return ()
    return read_shops(shops or beside)
