"""The command line: one module a command, and here what is common to all of them: start, errors, exit codes."""

from __future__ import annotations

import os
import re
import sys
import traceback
from collections.abc import Callable, Sequence
from functools import wraps
from typing import Annotated

import typer

from cardmeasure import __version__
from cardmeasure.cli.classes import classes
from cardmeasure.cli.console import PipeClosedError, StoppedError, forget_output, say, say_error
from cardmeasure.cli.fit import fit
from cardmeasure.cli.lens import lens
from cardmeasure.cli.measure import measure
from cardmeasure.cli.page import page
from cardmeasure.cli.piece import piece
from cardmeasure.cli.plan import plan
from cardmeasure.cli.print_scale import print_scale
from cardmeasure.cli.reference import reference
from cardmeasure.cli.report import report
from cardmeasure.cli.starter_list import starter_list
from cardmeasure.cli.storage import storage
from cardmeasure.errors import CardmeasureError, ExitCode

_MISSING_LIBRARY = re.compile(r"(lib[\w.+-]+\.so[.\d]*): cannot open shared object file")
_DEBIAN_PACKAGES = {"libGL.so.1": "libgl1", "libgthread-2.0.so.0": "libglib2.0-0"}

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; `arguments` defaults to those of the process."""
    # the matrices are small: threads cost more than they bring, and numpy reads this once, when it is imported
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        app(args=arguments, prog_name="cardmeasure")
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(end.code is not None)
    except PipeClosedError as error:
        return error.exit_code
    except CardmeasureError as error:
        say_error(str(error))
        return error.exit_code
    except ImportError as error:
        return _missing_library(error)
    except Exception as error:
        return _bug(error)
    return ExitCode.OK


def _show_version(wanted: bool) -> None:
    if wanted:
        say(f"cardmeasure {__version__}\n")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version and stop.", is_eager=True, callback=_show_version)
    ] = False,
) -> None:
    """Measure cards in millimetres from one phone photo.

    Print the reference square, lay it among the cards, take a photo from above, and measure it.
    """


def _guarded(command: Callable[..., None]) -> Callable[..., None]:
    """The command with interruption and a closed pipe turned into errors of ours, ahead of the library's own ways."""

    @wraps(command)
    def run(*args: object, **options: object) -> None:
        try:
            command(*args, **options)
            sys.stdout.flush()
        except KeyboardInterrupt:
            raise StoppedError("Stopped.") from None
        except BrokenPipeError as error:
            forget_output()
            raise PipeClosedError("Standard output was closed.") from error

    return run


def _missing_library(error: ImportError) -> int:
    """One sentence with the remedy where the system lacks a library that a package needs; anything else is a bug."""
    found = _MISSING_LIBRARY.search(str(error))
    if found is None:
        return _bug(error)
    library = found[1]
    package = _DEBIAN_PACKAGES.get(library)
    remedy = f"install it (on Debian and Ubuntu: apt-get install {package})" if package else "install it"
    instead = ", or put opencv-python-headless in the place of opencv-python" if package else ""
    say_error(f"The system library {library} is missing: {remedy}{instead}.")
    return ExitCode.BUG


def _bug(error: Exception) -> int:
    traceback.print_exception(error)
    say_error(
        f"This is a mistake in cardmeasure itself ({type(error).__name__}): please report it with the lines above "
        "and, if you can, the photo."
    )
    return ExitCode.BUG


for _command in (
    reference, print_scale, lens, measure, piece, report, classes, starter_list, fit, plan, storage, page,
):  # fmt: skip
    app.command()(_guarded(_command))
