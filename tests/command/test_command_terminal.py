"""What only a terminal gets: the progress line, and lines wrapped to its width."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from cardmeasure.cli.console import Progress
from tests.command.runs import environment


class Terminal:
    """A stream that says it is a terminal and keeps what is written."""

    encoding = "utf-8"

    def __init__(self, *, is_terminal: bool = True) -> None:
        self.written = ""
        self._is_terminal = is_terminal

    def isatty(self) -> bool:
        return self._is_terminal

    def write(self, text: str) -> int:
        self.written += text
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


def test_the_progress_line_is_written_over_and_wiped() -> None:
    terminal = Terminal()
    progress = Progress(3, stream=terminal)  # type: ignore[arg-type]
    progress.show(1, "a\nb.jpg")
    progress.wipe()
    assert terminal.written == "\r\x1b[K1 of 3 done, measuring a\\x0ab.jpg\r\x1b[K"


@pytest.mark.parametrize(("is_terminal", "wanted"), [(False, True), (True, False)])
def test_without_a_terminal_or_when_unwanted_there_is_no_progress(is_terminal: bool, wanted: bool) -> None:
    stream = Terminal(is_terminal=is_terminal)
    progress = Progress(3, stream=stream, wanted=wanted)  # type: ignore[arg-type]
    progress.show(1, "a.jpg")
    progress.wipe()
    assert stream.written == ""


def test_a_terminal_shows_progress_wiped_before_the_lines_that_fit_its_width(tmp_path: Path) -> None:
    (tmp_path / ("long" * 30 + ".jpg")).touch()
    shown, _ = read_terminal(".", cwd=tmp_path)
    progress, _, lines = shown.rpartition("\r\x1b[K")
    assert "0 of 1 done, measuring long" in progress
    assert lines.startswith("1 photo: 0 measured, 1 refused")
    assert max(map(len, lines.splitlines())) < 80


def test_results_on_the_output_are_free_of_the_progress_on_the_terminal(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").touch()
    shown, output = read_terminal(".", "--results", "-", cwd=tmp_path, only_errors=True)
    assert shown == "\r\x1b[K0 of 1 done, measuring a.jpg\r\x1b[K"
    assert output.startswith(b"{")
    assert b"\x1b" not in output
