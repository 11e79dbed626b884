"""Files and folders in, photos out: what is a photo, what it is called in the results, and the print beside it."""

from __future__ import annotations

import os
import stat
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from cardmeasure.errors import TROUBLES
from cardmeasure.lens.profile import LENS_FILE, LensProfile, read_lens_profiles
from cardmeasure.photo import is_photo
from cardmeasure.reference.print_profile import PrintProfile, read_print_profile
from cardmeasure.results import Trouble
from cardmeasure.text import valid_text

PRINT_FILE = "print.toml"
"""Name of the print profile that holds for all photos of the folder it lies in."""
PHOTO_SUFFIXES = frozenset(
    {".jpg", ".jpeg", ".jpe", ".mpo", ".png", ".webp", ".tif", ".tiff", ".avif", ".heic", ".heif"}
)
"""A file in a folder that bears one of these but is no photo (empty, damaged) is refused, not passed over."""


@dataclass(frozen=True, kw_only=True)
class FoundPhoto:
    """One row of a run: the photo at `path`, called `file` in the results, or the trouble met instead of a photo.

    `file` has `/` separators: relative to the folder given, or the path given where that names the file itself.
    """

    path: Path
    file: str
    trouble: Trouble | None = None


def find_photos(
    paths: Sequence[Path], *, passes_over: Callable[[Path], bool] = lambda path: False
) -> tuple[FoundPhoto, ...]:
    """All photos of the files and folders given, in the order given; those of a folder sorted by name.

    A folder is searched with its sub-folders, links included, each once; names that begin with a dot are left out. In a
    folder the content tells what is a photo; a file given by itself is always a row. A path that does not exist and a
    folder without photos are rows with their trouble. Where two folders given hold the same relative name, the folder
    as given is put in front of it.

    Parameters
    ----------
    passes_over : says of a photo found in a folder whether to leave it out.
    """
    found: dict[Path, tuple[Path, FoundPhoto]] = {}
    for path in paths:
        for photo in _rows_of(path, passes_over=passes_over):
            found.setdefault(Path(os.path.abspath(photo.path)), (path, photo))  # noqa: PTH100 (links stay unresolved)
    names = Counter(photo.file for _, photo in found.values())
    return tuple(
        photo if names[photo.file] == 1 else replace(photo, file=_name(photo.path)) for _, photo in found.values()
    )


def profiles_beside(found: Sequence[FoundPhoto]) -> dict[Path, PrintProfile]:
    """The print profiles that lie beside the photos, by folder.

    Raises UsageError if one of them is wrong: a whole folder would be measured wrongly, so nothing is measured.
    """
    folders = sorted({photo.path.parent for photo in found if photo.trouble is None})
    return {folder: read_print_profile(folder / PRINT_FILE) for folder in folders if (folder / PRINT_FILE).is_file()}


def lenses_beside(found: Sequence[FoundPhoto]) -> dict[Path, tuple[LensProfile, ...]]:
    """The lens profiles that lie beside the photos, by folder. Raises UsageError if one of them is wrong."""
    folders = sorted({photo.path.parent for photo in found if photo.trouble is None})
    return {folder: read_lens_profiles(folder / LENS_FILE) for folder in folders if (folder / LENS_FILE).is_file()}


def _rows_of(path: Path, *, passes_over: Callable[[Path], bool]) -> list[FoundPhoto]:
    """The rows of one path given; never empty."""
    try:
        is_folder = stat.S_ISDIR(path.stat().st_mode)
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return [_trouble(path, "not-found", "There is no such file or folder.")]
    except OSError as error:
        return [_trouble(path, "unreadable", f"The path cannot be read ({error.strerror or error}).")]
    if not is_folder:
        return [FoundPhoto(path=path, file=_name(path))]
    rows = [row for row in _rows_below(path) if row.trouble is not None or not passes_over(row.path)]
    return rows or [_trouble(path, "no-photos", "There is no photo in this folder.")]


def _rows_below(folder: Path) -> list[FoundPhoto]:
    """Photos and unreadable folders in a folder and its sub-folders, sorted by name, folder by folder."""
    rows: list[FoundPhoto] = []
    real, linked = [folder], list[Path]()
    visited: set[tuple[int, int]] = set()
    while real or linked:
        # Real folders first: a photo goes by the name of the folder it lies in, not by that of a link to it.
        here = real.pop() if real else linked.pop()
        try:
            status = here.stat()
            if (status.st_dev, status.st_ino) in visited:
                continue
            visited.add((status.st_dev, status.st_ino))
            files, folders = _children(here)
        except OSError as error:
            message = f"The folder cannot be read ({error.strerror or error})."
            rows.append(_trouble(here, "unreadable", message, below=folder))
            continue
        rows += [FoundPhoto(path=f, file=_name(f.relative_to(folder))) for f in files if _is_photo_row(f)]
        for child in folders:
            (linked if child.is_symlink() else real).append(child)
    return sorted(rows, key=lambda row: row.path.parts)


def _children(folder: Path) -> tuple[list[Path], list[Path]]:
    """Files and folders in a folder, sorted by name, without those whose name begins with a dot."""
    children = sorted(child for child in folder.iterdir() if not child.name.startswith("."))
    return [c for c in children if c.is_file()], [c for c in children if c.is_dir()]


def _is_photo_row(path: Path) -> bool:
    return path.suffix.lower() in PHOTO_SUFFIXES or is_photo(path)


def _trouble(path: Path, code: str, message: str, *, below: Path | None = None) -> FoundPhoto:
    name = _name(path if below is None or path == below else path.relative_to(below))
    return FoundPhoto(path=path, file=name, trouble=Trouble(code=code, message=message, advice=TROUBLES[code].advice))


def _name(path: Path) -> str:
    return valid_text(path.as_posix())
