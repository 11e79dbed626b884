"""A folder that photos arrive in: each is handed on as soon as it is complete, and half-copied ones are waited for."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from cardmeasure.batch.photos import FoundPhoto, find_photos
from cardmeasure.photo.completeness import is_cut_short
from cardmeasure.photo.files import read_head
from cardmeasure.photo.formats import photo_format

STILL_S = 0.4
"""A file that has not grown for so long, and is whole by its own structure, is complete."""
GIVEN_UP_S = 15.0
"""A file that is cut short and has not grown for so long will not be completed: it is refused as it is."""
_TICK_MS = 200

Stamp = tuple[int, int]
"""Size in bytes and time of the last change in ns."""


@dataclass(kw_only=True)
class _Pending:
    photo: FoundPhoto
    stamp: Stamp
    since: float


def stamp_of(path: Path) -> Stamp | None:
    """What changes when a file does; None where it is gone."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def arrivals(
    paths: Sequence[Path],
    *,
    known: Mapping[Path, Stamp | None],
    passes_over: Callable[[Path], bool] = lambda path: False,
    stop: threading.Event | None = None,
) -> Iterator[list[FoundPhoto]]:
    """Photos in the folders `paths` that are new or have changed, once each is complete; goes on until `stop` is set.

    Parameters
    ----------
    known : photos that are done already, with the stamps they had then.
    passes_over : as for `find_photos`.
    """
    import watchfiles

    folders = [path for path in paths if path.is_dir()]
    done: dict[Path, Stamp | None] = dict(known)
    pending: dict[Path, _Pending] = {}
    # begun before the first look, so that nothing slips in between
    changes = watchfiles.watch(
        *folders, watch_filter=None, debounce=_TICK_MS, step=50, rust_timeout=_TICK_MS, yield_on_timeout=True,
        stop_event=stop, raise_interrupt=True,
    )  # fmt: skip
    must_look = True
    for changed in changes:
        if changed or must_look:
            _look(folders, pending, done, passes_over)
            must_look = False
        ready = _complete(pending)
        for waiting in ready:
            done[waiting.photo.path] = waiting.stamp
            del pending[waiting.photo.path]
        if ready:
            yield [waiting.photo for waiting in ready]
            must_look = True  # what came while these were measured


def _look(
    folders: Sequence[Path],
    pending: dict[Path, _Pending],
    done: Mapping[Path, Stamp | None],
    passes_over: Callable[[Path], bool],
) -> None:
    """Note every photo that is not done as it is now, and since when it has been as it is."""
    now = time.monotonic()
    for photo in find_photos(folders, passes_over=passes_over):
        stamp = None if photo.trouble is not None else stamp_of(photo.path)
        if stamp is None or done.get(photo.path) == stamp:
            continue
        waiting = pending.get(photo.path)
        if waiting is None or waiting.stamp != stamp:
            pending[photo.path] = _Pending(photo=photo, stamp=stamp, since=now)


def _complete(pending: dict[Path, _Pending]) -> list[_Pending]:
    """Those that can be measured now; what has changed meanwhile starts to wait anew, what is gone is forgotten."""
    now = time.monotonic()
    ready = []
    for path, waiting in list(pending.items()):
        stamp = stamp_of(path)
        if stamp is None:
            del pending[path]
        elif stamp != waiting.stamp:
            waiting.stamp, waiting.since = stamp, now
        elif now - waiting.since >= GIVEN_UP_S or (now - waiting.since >= STILL_S and is_whole(path)):
            ready.append(waiting)
    return ready


def is_whole(path: Path) -> bool:
    """Whether the file is a photo that ends where its own structure says it should."""
    kind = photo_format(read_head(path))
    try:
        return kind is not None and not is_cut_short(path.read_bytes(), format=kind)
    except OSError:
        return False
