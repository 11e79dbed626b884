"""What only a terminal gets: the progress bar, and lines wrapped to its width."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cardmeasure.cli.progress import RunProgress, duration
from tests.command.runs import environment


class Stream:
    """A stream that says whether it is a terminal, and takes whatever is written."""

    encoding = "utf-8"

    def __init__(self, *, is_terminal: bool = False) -> None:
        self._is_terminal = is_terminal

    def isatty(self) -> bool:
        return self._is_terminal

    def write(self, text: str) -> int:
        return len(text)

    def flush(self) -> None:
        pass


def read_terminal(*arguments: str, cwd: Path, only_errors: bool = False) -> tuple[str, bytes]:
    """What a run writes to a terminal of 80 columns (standard error, and output unless `only_errors`), and the rest."""
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "cardmeasure", "measure", *arguments]
    stdout = subprocess.PIPE if only_errors else slave
    with subprocess.Popen(
        command, cwd=cwd, env=environment(COLUMNS="80"), stdin=slave, stdout=stdout, stderr=slave
    ) as process:
        os.close(slave)
        shown = b""
        try:
            while chunk := os.read(master, 4096):
                shown += chunk
        except OSError:
            pass  # the other end is closed: this is how Linux says it
        rest, _ = process.communicate(timeout=60)
    os.close(master)
    return shown.decode().replace("\r\n", "\n"), rest or b""


def test_without_a_terminal_a_line_comes_now_and_then_and_none_when_unwanted(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    now = iter([0.0, 10.0, 31.0, 31.0, 40.0, 100.0])
    monkeypatch.setattr(time, "monotonic", lambda: next(now))
    progress = RunProgress(100, stream=Stream())  # type: ignore[arg-type]
    for refused in (False, True, False):
        progress.advance(refused=refused)
    unwanted = RunProgress(100, wanted=False, stream=Stream(is_terminal=True))  # type: ignore[arg-type]
    unwanted.advance(refused=False)
    assert capsys.readouterr() == (
        "",
        "cardmeasure: 2 of 100 photos done, 1 refused, 0.1 a second, about 25 min left.\n",
    )


@pytest.mark.parametrize(
    ("seconds", "words"), [(0, "0 s"), (89, "89 s"), (91, "2 min"), (3600, "60 min"), (7800, "2 h 10 min")]
)
def test_durations_are_in_words(seconds: float, words: str) -> None:
    assert duration(seconds) == words


def test_a_terminal_shows_progress_wiped_before_the_lines_that_fit_its_width(tmp_path: Path) -> None:
    for letter in "ab":
        (tmp_path / (letter * 120 + ".jpg")).touch()
    shown, _ = read_terminal(".", cwd=tmp_path)
    assert "0/2" in shown
    progress, _, lines = shown.rpartition("\x1b[2K")
    assert "2 refused" in progress
    assert "2 photos: 0 measured, 2 refused" in lines
    assert "\x1b" not in lines
    assert max(map(len, lines.splitlines())) < 80


def test_results_on_the_output_are_free_of_the_progress_on_the_terminal(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").touch()
    shown, output = read_terminal(".", "--results", "-", cwd=tmp_path, only_errors=True)
    assert "1 refused" in shown
    assert output.startswith(b"{")
    assert b"\x1b" not in output
