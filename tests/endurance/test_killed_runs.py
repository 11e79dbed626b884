"""A run that is killed at any moment loses nothing that was committed, and goes on to the same results."""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from tests.command.runs import environment
from tests.endurance.small_photos import write_small_photos

PHOTOS = 200
KILLS = 20


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_small_photos(tmp_path_factory.mktemp("photos"), PHOTOS)


def start(photos: Path, results: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "cardmeasure", "measure", str(photos), "--results", str(results), "--quiet"]
    return subprocess.Popen(command, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def rows(journal: Path) -> dict[str, bytes]:
    """What the journal holds, read by SQLite alone once whoever had it has gone; fails where it is damaged."""
    if not journal.exists():
        return {}
    with closing(sqlite3.connect(journal, timeout=30.0)) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        if database.execute("SELECT count(*) FROM sqlite_schema").fetchone() == (0,):
            return {}
        return dict(database.execute("SELECT sha256, shot FROM shots"))


def committed(journal: Path) -> int:
    """How many bytes SQLite has written so far: grows with every commit, and can be asked while a run goes on."""
    files = (journal, journal.with_name(journal.name + "-wal"))
    return sum(path.stat().st_size for path in files if path.exists())


def test_twenty_kills_lose_no_committed_shot_and_the_end_is_that_of_an_uninterrupted_run(
    photos: Path, tmp_path: Path
) -> None:
    whole = tmp_path / "whole.json"
    run = start(photos, whole)
    _, words = run.communicate()
    assert (run.returncode, words) == (0, b"")
    killed, journal = tmp_path / "killed.json", tmp_path / "killed.json.journal"
    rng = random.Random(20)
    before: dict[str, bytes] = {}
    hits = 0
    while hits < KILLS:
        run = start(photos, killed)
        # half of the kills come while the run starts, half while it measures
        size = committed(journal)
        while hits % 2 and run.poll() is None and committed(journal) == size:
            time.sleep(0.01)
        time.sleep(rng.uniform(0.0, 1.0))
        if run.poll() is not None:
            pytest.fail("the run was done before it could be killed twenty times; take more photos")
        run.send_signal(signal.SIGKILL)
        run.communicate()
        hits += 1
        after = rows(journal)
        assert before.items() <= after.items()
        assert not killed.exists()
        before = after
    assert 0 < len(before) < PHOTOS
    run = start(photos, killed)
    _, words = run.communicate()
    assert (run.returncode, words) == (0, b"")
    assert killed.read_bytes() == whole.read_bytes()
    assert before.items() <= rows(journal).items()
    assert len(rows(journal)) == PHOTOS
    left = [path.name for path in tmp_path.iterdir() if not path.name.startswith(("killed.json", "whole.json"))]
    assert left == []
