"""`cardmeasure classes`: the nominal size classes that sizes are matched to."""

from __future__ import annotations

from typing import Annotated

import typer

from cardmeasure.cli import options
from cardmeasure.cli.console import columns, say


def classes(
    own: options.ClassesFile = None,
    with_off: Annotated[bool, typer.Option("--all", help="Show the classes that are off, too.")] = False,
) -> None:
    """List the nominal size classes that sizes are matched to.

    A file of your own is TOML: a [[class]] for each class, with id, cuts_mm and, where wanted, names, u_cut_mm or
    limits_mm, source, on. Before them, enable and disable are lists of ids to switch on or off.

    Exit codes: 0 listed, 2 wrong options or a wrong file.
    """
    from cardmeasure.classes import read_classes, standard_classes
    from cardmeasure.classes.listing import classes_text

    table = standard_classes() if own is None else read_classes(own)
    say(classes_text(table, width=columns(), with_off=with_off))
