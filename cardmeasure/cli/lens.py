"""`cardmeasure lens`: what several photos of one phone tell of its lens, kept in a file for the next ones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cardmeasure.cli import options
from cardmeasure.cli.console import StoppedError, columns, say
from cardmeasure.cli.progress import RunProgress
from cardmeasure.errors import UsageError
from cardmeasure.text import printable, wrapped
from cardmeasure.thickness.usual import U_CARD_MM

if TYPE_CHECKING:
    from cardmeasure.lens.identity import LensIdentity
    from cardmeasure.lens.learning import Learned
    from cardmeasure.settings import Settings
    from cardmeasure.together import ShotObservations


def lens(
    paths: options.PhotoPaths,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The lens profile to write.")] = Path("lens.toml"),
    thickness: options.Thickness = None,
    u_thickness: options.UThickness = U_CARD_MM,
    print_file: options.PrintFile = None,
    processes: options.Processes = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a lens profile that is there.")] = False,
) -> None:
    """Learn a phone's lens from several photos of cards and the reference square, three at least, better eight.

    Photos of several phones, lenses or zooms make a profile each. Exit codes: 0 written, 2 wrong options or too few
    photos that could be measured, 5 the file cannot be written, 130 stopped.
    """
    from cardmeasure.cli.measure import settings_of
    from cardmeasure.lens.learning import FEWEST_SHOTS, learned_profiles
    from cardmeasure.lens.profile import lens_profiles_toml
    from cardmeasure.reports.writing import check_file, write_beside

    if out.exists() and not replace:
        raise UsageError(f"{printable(str(out))} is there already; name another file, or write over it with --replace.")
    check_file(out)
    settings = settings_of(
        thickness=thickness or [], u_thickness_mm=u_thickness, print_file=print_file, classes_file=None,
        max_megapixels=120.0, bank_card=True, lens_file=None,
    )  # fmt: skip
    seen, refused = _observed(paths, settings, processes=processes, is_given=print_file is not None)
    learned, few = learned_profiles(seen)
    if not learned:
        raise UsageError(_too_few(few, refused, fewest=FEWEST_SHOTS))
    write_beside(out, lens_profiles_toml([one.profile for one in learned]).encode())
    lines = [printable(str(out)) + ": written.", *(line for one in learned for line in _words(one))]
    for identity, count in few.items():
        text = f"{printable(identity.name)}: {_photos(count)} measured, too few for a profile."
        lines += wrapped(text, first="  ", then="    ", width=columns())
    if refused:
        lines.append(f"  {_photos(refused)} could not be measured; cardmeasure measure says why.")
    say("\n".join(lines) + "\n")


def _observed(
    paths: list[Path], settings: Settings, *, processes: int | None, is_given: bool
) -> tuple[list[ShotObservations], int]:
    """What each photo says, duplicates left out, and how many could not be measured."""
    from cardmeasure.batch import default_processes, find_photos, profiles_beside, run
    from cardmeasure.batch.resolving import decoded_observations
    from cardmeasure.reports.picture_files import is_own_picture

    found = find_photos(paths, passes_over=is_own_picture)
    profiles = None if is_given else profiles_beside(found)
    progress = RunProgress(len(found), wanted=True)
    seen: dict[str, ShotObservations] = {}
    refused = 0
    try:
        for done in run(
            found, settings=settings, profiles=profiles,
            processes=default_processes() if processes is None else processes,
        ):  # fmt: skip
            progress.advance(refused=done.shot.trouble is not None)
            refused += done.shot.trouble is not None
            record = None if done.observations is None else decoded_observations(done.observations)
            if record is not None and done.shot.sha256 is not None:
                seen[done.shot.sha256] = record
    except KeyboardInterrupt:
        raise StoppedError("Stopped; no profile was written.") from None
    finally:
        progress.pause()
    return list(seen.values()), refused


def _too_few(few: dict[LensIdentity, int], refused: int, *, fewest: int) -> str:
    counts = ", ".join(f"{printable(identity.name)}: {count}" for identity, count in few.items())
    seen = f"measured were {counts}" if few else "none that names its camera could be measured"
    more = f" ({_photos(refused)} refused; cardmeasure measure says why)" if refused else ""
    return f"a lens profile needs {fewest} photos of one phone and zoom at least; {seen}{more}."


def _words(one: Learned) -> list[str]:
    import math

    from cardmeasure.priors import FULL_FRAME_DIAGONAL_MM

    profile = one.profile
    focal_mm = math.exp(profile.mean[0]) * FULL_FRAME_DIAGONAL_MM
    u_focal = math.sqrt(profile.covariance[0][0]) * focal_mm
    scatter = (
        "as much as is usual from shot to shot"
        if one.widening <= 1.0
        else f"{one.widening:.1f} times as much as is usual from shot to shot, and the profile allows for it"
    )
    text = (
        f"{printable(profile.identity.name)}, {profile.identity.long_px} x {profile.identity.short_px} pixels: from "
        f"{_photos(profile.shots)}; focal length {focal_mm:.2f} mm (35 mm equivalent), u {u_focal:.2f} mm. The lens "
        f"moved {scatter}."
    )
    return wrapped(text, first="  ", then="    ", width=columns())


def _photos(count: int) -> str:
    return "1 photo" if count == 1 else f"{count} photos"
