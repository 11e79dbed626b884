"""How far a run has come: a bar on a terminal, now and then a plain line elsewhere; always on standard error."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, TextIO

from cardmeasure.cli.console import say_error

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

LINE_EVERY_S = 30.0
"""How often a run says how far it is where nobody watches a bar."""


class RunProgress:
    """Progress of a run of `total` photos: how many are done and refused, how fast, and for how long still."""

    def __init__(self, total: int, *, wanted: bool = True, stream: TextIO | None = None) -> None:
        self._total, self._done, self._refused = total, 0, 0
        self._begun = self._said = time.monotonic()
        self._wanted = wanted
        self._bar: Progress | None = None
        self._task: TaskID | None = None
        stream = stream or sys.stderr
        if wanted and stream.isatty():
            self._bar = _bar(stream)
            self._task = self._bar.add_task("", total=total, refused=0)
            self._bar.start()

    def advance(self, *, refused: bool) -> None:
        """Say that one more photo is done."""
        self._done += 1
        self._refused += refused
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, completed=self._done, refused=self._refused)
        elif self._wanted and time.monotonic() - self._said >= LINE_EVERY_S:
            self._said = time.monotonic()
            say_error(progress_line(self._done, self._total, self._refused, seconds=self._said - self._begun))

    def pause(self) -> None:
        """Make room for lines of results; `resume` shows the bar again."""
        if self._bar is not None:
            self._bar.stop()

    def resume(self) -> None:
        """Show the bar again."""
        if self._bar is not None:
            self._bar.start()


def progress_line(done: int, total: int, refused: int, *, seconds: float) -> str:
    """One line for a log: done, refused, photos a second, and the time left."""
    rate = done / seconds if seconds > 0 else 0.0
    left = f", about {duration((total - done) / rate)} left" if rate > 0 else ""
    return f"{done} of {total} photos done, {refused} refused, {rate:.1f} a second{left}."


def duration(seconds: float) -> str:
    """A duration in words: `40 s`, `5 min`, `2 h 10 min`."""
    minutes = round(seconds / 60)
    if seconds < 90:
        return f"{round(seconds)} s"
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


def _bar(stream: TextIO) -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
    from rich.text import Text

    class Rate(TextColumn):
        """Photos a second."""

        def render(self, task: object) -> Text:
            speed = getattr(task, "speed", None)
            return Text("" if not speed else f"{speed:.1f}/s")

    return Progress(
        BarColumn(bar_width=None),
        MofNCompleteColumn(),
        Rate(""),
        TimeRemainingColumn(),
        TextColumn("left, {task.fields[refused]} refused"),
        console=Console(file=stream, highlight=False),
        transient=True,
        expand=True,
    )
