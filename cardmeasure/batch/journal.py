"""The journal of a run (SQLite): what has been measured is committed at once, so that a killed run loses nothing.

A row is what was measured of one file, by the file's content and by the settings it was measured with. So a rerun
measures again only what has changed, whatever the files are called now. One process at a time has the journal: it is
locked from opening to closing, and a killed process's lock ends with it.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from cardmeasure import __version__
from cardmeasure.batch.measuring import Measured, decoded, encoded
from cardmeasure.errors import CannotWriteError
from cardmeasure.settings import Settings
from cardmeasure.text import printable

SCHEMA_VERSION = 1
_APPLICATION_ID = 0x63_61_72_64
"""Marks the file as a journal of ours (`file` shows it): "card" in ASCII."""
_DAMAGED = "the journal is damaged; move it away to measure all photos again"
_TABLE = """
CREATE TABLE shots (
    sha256 TEXT NOT NULL, settings TEXT NOT NULL, shot BLOB NOT NULL, small BLOB, faces BLOB,
    observations BLOB,
    measured_at TEXT NOT NULL, seconds REAL NOT NULL, PRIMARY KEY (sha256, settings)
)
"""


@dataclass(frozen=True, kw_only=True)
class Key:
    """What a row is found by: the digest of the photo's file and that of the settings."""

    sha256: str
    settings: str


def settings_digest(settings: Settings) -> str:
    """The same for the same settings and the same version of cardmeasure, else another."""
    return hashlib.sha256(__version__.encode() + b"\0" + msgspec.json.encode(settings)).hexdigest()


def journal_path(results: Path) -> Path:
    """Where the journal of a results file lies: beside it."""
    return results.with_name(results.name + ".journal")


class Journal:
    """An open journal. All methods raise CannotWriteError, in one sentence, where SQLite or the disk refuses."""

    def __init__(self, path: Path) -> None:
        """Open the journal at `path`, making it if need be, and lock it."""
        self._path = path
        with _reporting(path):
            self._database = sqlite3.connect(path, timeout=0.0, isolation_level=None)
        try:
            with _reporting(path):
                self._lock()
                self._check()
                # only now that the file is known to be a journal: the mode is kept in it
                self._database.execute("PRAGMA journal_mode = WAL")
                self._database.execute("PRAGMA synchronous = FULL")
        except BaseException:
            self._database.close()
            raise

    def _lock(self) -> None:
        # an exclusive lock, held until the journal is closed; in this mode SQLite needs no shared memory either
        self._database.execute("PRAGMA locking_mode = EXCLUSIVE")
        self._database.execute("BEGIN IMMEDIATE")

    def _check(self) -> None:
        """Within the transaction that took the lock: make the table, or see that the file is a journal of ours."""
        (version,) = self._database.execute("PRAGMA user_version").fetchone()
        (application,) = self._database.execute("PRAGMA application_id").fetchone()
        (tables,) = self._database.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        if tables == 0 and version == 0:
            self._database.execute(_TABLE)
            self._database.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
            self._database.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        elif application != _APPLICATION_ID:
            raise _refusal(self._path, "the file is no journal of cardmeasure; move it away, or name other results")
        elif version != SCHEMA_VERSION:
            raise _refusal(
                self._path,
                f"the journal has form {version}, this cardmeasure knows form {SCHEMA_VERSION}; move it away to "
                "measure all photos again",
            )
        self._database.execute("COMMIT")

    def __len__(self) -> int:
        with _reporting(self._path):
            (count,) = self._database.execute("SELECT count(*) FROM shots").fetchone()
        return int(count)

    def get(self, key: Key) -> Measured | None:
        """What was measured under this key, without its small picture; None where nothing was that can be read."""
        query = "SELECT shot, faces, observations, seconds FROM shots WHERE sha256 = ? AND settings = ?"
        with _reporting(self._path):
            row = self._database.execute(query, (key.sha256, key.settings)).fetchone()
        if row is None:
            return None
        try:
            return Measured(shot=decoded(row[0]), faces=row[1], observations=row[2], seconds=row[3])
        except ValueError:
            return None

    def put(self, key: Key, measured: Measured) -> None:
        """Commit what was measured; when this returns, no crash can take it away."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        m = measured
        row = (key.sha256, key.settings, encoded(m.shot), m.small, m.faces, m.observations, now, m.seconds)
        with _reporting(self._path):
            self._database.execute("INSERT OR REPLACE INTO shots VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)

    def close(self) -> None:
        """Close the journal and give the lock back; what is committed is safe without it."""
        self._database.close()

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@contextmanager
def small_pictures(path: Path) -> Iterator[Callable[[str], bytes | None]]:
    """Within the block a function that gives the small picture of a photo by the digest of its file.

    It gives None where there is none, and for all of them where the journal is missing, in use or damaged: pictures
    are no reason to fail. The newest counts where a photo was measured with several settings.
    """
    query = "SELECT small FROM shots WHERE sha256 = ? AND small IS NOT NULL ORDER BY measured_at DESC LIMIT 1"

    def picture(sha256: str) -> bytes | None:
        with suppress(sqlite3.Error, UnicodeDecodeError):
            row = database.execute(query, (sha256,)).fetchone()
            return None if row is None else bytes(row[0])
        return None

    # as a URI, so that nothing is written; a journal that was closed well can even be read without a lock
    log = path.with_name(path.name + "-wal")
    how = "mode=ro" if log.is_file() else "mode=ro&immutable=1"
    address = f"{path.absolute().as_uri()}?{how}" if path.is_file() else ":memory:"
    with closing(sqlite3.connect(address, uri=True, timeout=0.0)) as database:
        yield picture


@contextmanager
def _reporting(path: Path) -> Iterator[None]:
    """Turns what SQLite refuses into CannotWriteError."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        raise _refusal(path, _words(error)) from error
    except UnicodeDecodeError as error:  # of SQLite's own message, where that quotes what is damaged
        raise _refusal(path, _DAMAGED) from error


def _words(error: sqlite3.DatabaseError) -> str:
    name = getattr(error, "sqlite_errorname", "")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return "another run is using it; wait until that is done, or name other results"
    if name.startswith("SQLITE_NOTADB"):
        return "the file is no journal of cardmeasure; move it away, or name other results"
    if name.startswith("SQLITE_CORRUPT"):
        return _DAMAGED
    if name.startswith("SQLITE_FULL"):
        return "the disk is full; make room and start again, what was measured so far is kept"
    if name.startswith("SQLITE_READONLY"):
        return "the file or its folder is write-protected"
    if name.startswith("SQLITE_CANTOPEN"):
        return "the file or its folder cannot be opened for writing"
    return str(error)


def _refusal(path: Path, reason: str) -> CannotWriteError:
    return CannotWriteError(f"Cannot write the journal {printable(str(path))}: {reason}.")
