"""The journal: what is committed comes back, one run at a time, and every refusal is one sentence."""

from __future__ import annotations

import os
import resource
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given

from cardmeasure.batch.journal import SCHEMA_VERSION, Journal, Key, journal_path, settings_digest, small_pictures
from cardmeasure.batch.measuring import Measured
from cardmeasure.errors import CannotWriteError
from cardmeasure.reference.print_profile import ASSUMED
from cardmeasure.results import ShotResult
from cardmeasure.settings import Settings
from tests.command.runs import ROOT
from tests.made_results import any_shots, measured, refused

KEY = Key(sha256="0" * 64, settings="s")


def test_what_is_put_comes_back_with_all_digits(tmp_path: Path) -> None:
    with Journal(tmp_path / "j") as journal:
        journal.put(KEY, Measured(shot=measured(), small=b"jpeg", faces=b"faces", seconds=1.5))
    with Journal(tmp_path / "j") as journal:
        assert journal.get(KEY) == Measured(shot=measured(), faces=b"faces", seconds=1.5)
        assert journal.get(replace(KEY, settings="others")) is None
        assert journal.get(replace(KEY, sha256="1" * 64)) is None
        assert len(journal) == 1


@given(any_shots())
def test_any_shot_comes_back_as_it_was(tmp_path_factory: pytest.TempPathFactory, shots: list[ShotResult]) -> None:
    with Journal(tmp_path_factory.mktemp("journal") / "j") as journal:
        for i, shot in enumerate(shots):
            # a lone surrogate cannot be kept: names come from the files found, never from the journal
            shot = replace(shot, file=f"{i}.jpg", trouble=None if shot.trouble is None else refused().trouble)
            key = replace(KEY, sha256=str(i))
            journal.put(key, Measured(shot=shot))
            kept = journal.get(key)
            assert kept is not None
            assert kept.shot == shot


def test_the_digest_of_settings_changes_with_each_of_them() -> None:
    changed = [
        Settings(),
        Settings(thickness_mm=0.31),
        Settings(u_thickness_mm=0.04),
        Settings(max_megapixels=50),
        Settings(print_profile=replace(ASSUMED, scale_x=1.001)),
        Settings(classes=Settings().classes[:-1]),
    ]
    assert len({settings_digest(one) for one in changed}) == len(changed)
    assert settings_digest(Settings()) == settings_digest(Settings())


def test_a_second_run_on_the_same_journal_is_told_and_the_first_goes_on(tmp_path: Path) -> None:
    with Journal(tmp_path / "r.json.journal") as journal:
        code = (
            "import sys; from pathlib import Path\n"
            "from cardmeasure.batch.journal import Journal\n"
            "try: Journal(Path(sys.argv[1]))\n"
            "except Exception as error: print(type(error).__name__, error)\n"
        )
        other = subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / "r.json.journal")],
            capture_output=True, text=True, check=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert other.stdout.startswith("CannotWriteError Cannot write the journal ")
        assert "another run is using it" in other.stdout
        journal.put(KEY, Measured(shot=measured()))
    with Journal(tmp_path / "r.json.journal") as journal:
        assert len(journal) == 1


def spoilt(path: Path, kind: str) -> None:
    if kind == "text":
        path.write_text("This is no database at all.\n" * 100)
    elif kind == "other":
        with closing(sqlite3.connect(path, isolation_level=None)) as database:
            database.execute("CREATE TABLE other (x)")
    elif kind == "later":
        with Journal(path):
            pass
        with closing(sqlite3.connect(path, isolation_level=None)) as database:
            database.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    elif kind == "damaged":
        with Journal(path) as journal:
            for i in range(50):
                journal.put(replace(KEY, sha256=str(i)), Measured(shot=measured(), small=b"x" * 2000))
        content = bytearray(path.read_bytes())
        content[4096:] = b"\xff" * (len(content) - 4096)
        path.write_bytes(content)
    elif kind == "damaged names":
        with Journal(path) as journal:
            journal.put(KEY, Measured(shot=measured()))
        # SQLite quotes the statement that it cannot read, and that is no UTF-8 any more
        content = path.read_bytes()
        path.write_bytes(content.replace(b"CREATE TABLE shots (", b"CREATE TABLE sh\xc1ts ?"))
    elif kind == "folder":
        path.mkdir()


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("text", "is no journal of cardmeasure"),
        ("other", "is no journal of cardmeasure"),
        ("later", f"has form {SCHEMA_VERSION + 1}, this cardmeasure knows form {SCHEMA_VERSION}"),
        ("damaged", "the journal is damaged"),
        ("damaged names", "the journal is damaged"),
        ("folder", "cannot be opened for writing"),
    ],
)
def test_a_file_that_cannot_be_the_journal_is_one_sentence_and_left_alone(
    tmp_path: Path, kind: str, words: str
) -> None:
    path = tmp_path / "j"
    spoilt(path, kind)
    before = path.read_bytes() if path.is_file() else None
    with pytest.raises(CannotWriteError) as caught, Journal(path) as journal:
        journal.get(replace(KEY, sha256="7"))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert (path.read_bytes() if path.is_file() else None) == before


def test_a_full_disk_is_one_sentence_and_what_was_committed_stays(tmp_path: Path) -> None:
    code = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from dataclasses import replace\n"
        "from cardmeasure.batch.journal import Journal, Key\n"
        "from cardmeasure.batch.measuring import Measured\n"
        "from tests.made_results import measured\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))\n"
        "journal = Journal(Path(sys.argv[1]))\n"
        "try:\n"
        "    for i in range(1000):\n"
        "        journal.put(Key(sha256=str(i), settings=''), Measured(shot=measured(), small=bytes(20_000)))\n"
        "except Exception as error: print(i, type(error).__name__, error)\n"
    )
    path = tmp_path / "j"
    run = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True, text=True, check=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    committed, kind, words = run.stdout.split(maxsplit=2)
    assert kind == "CannotWriteError"
    assert "\n" not in words.rstrip("\n")
    assert int(committed) > 5
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY
    with Journal(path) as journal:
        assert len(journal) == int(committed)
        assert all(journal.get(Key(sha256=str(i), settings="")) is not None for i in range(int(committed)))


def test_small_pictures_are_read_without_writing_and_never_fail(tmp_path: Path) -> None:
    path = tmp_path / "odd %23 ?name.journal"
    with Journal(path) as journal:
        journal.put(KEY, Measured(shot=measured(), small=b"jpeg"))
        journal.put(replace(KEY, sha256="1" * 64), Measured(shot=measured()))
    before = path.read_bytes()
    with small_pictures(path) as picture:
        assert [picture(sha256) for sha256 in (KEY.sha256, "1" * 64, "2" * 64)] == [b"jpeg", None, None]
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]
    with Journal(path), small_pictures(path) as picture:
        assert picture(KEY.sha256) is None
    path.write_bytes(b"damaged" * 1000)
    for other in (path, tmp_path / "none"):
        with small_pictures(other) as picture:
            assert picture(KEY.sha256) is None
    assert not (tmp_path / "none").exists()


def test_the_journal_lies_beside_the_results() -> None:
    assert journal_path(Path("out/r.json")) == Path("out/r.json.journal")
