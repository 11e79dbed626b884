"""Processes that work through tasks, so that a crash or a standstill costs one task and nothing else."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.context import BaseContext
from typing import Generic, TypeVar

T = TypeVar("T")
R = TypeVar("R")

TIME_LIMIT_S = 600.0
"""A photo that takes longer than this will never be done: others take about a second."""
PRELOADED = ["cardmeasure.batch.measuring"]
"""Loaded once where processes can be forked off a server that has it."""
_LOOK_EVERY_S = 1.0


@dataclass(frozen=True, kw_only=True)
class Crash:
    """In place of an answer: why there is none, in words that end a sentence."""

    reason: str


def work_through(
    work: Callable[[T], R], tasks: Iterable[T], *, processes: int, time_limit_s: float = TIME_LIMIT_S
) -> Iterator[tuple[T, R | Crash]]:
    """Each task with its answer, as they come; tasks are asked for only as processes become free.

    A process that dies, raises or exceeds the time limit gives a `Crash` for its task and is replaced. When the caller
    stops asking, or dies, the processes end.

    Parameters
    ----------
    work : a function that can be pickled, called in the processes.
    processes : how many; at least 1.
    """
    context = _context()
    queue = iter(tasks)
    busy: list[_Worker[T, R]] = []
    try:
        for task in _first(queue, processes):
            busy.append(_Worker(work=work, context=context))
            busy[-1].give(task)
        while busy:
            for worker in _finished(busy, time_limit_s=time_limit_s):
                task, answer = worker.take()
                if not worker.is_alive:
                    busy.remove(worker)
                    worker = _Worker(work=work, context=context)
                    busy.append(worker)
                # the next task first: the process works while the caller looks at the answer
                if not worker.give_next(queue):
                    busy.remove(worker)
                    worker.stop()
                yield task, answer
    finally:
        for worker in busy:
            worker.stop()


def _first(queue: Iterator[T], count: int) -> Iterator[T]:
    for _, task in zip(range(count), queue, strict=False):
        yield task


def _context() -> BaseContext:
    """Processes that share nothing with this one: it may have threads, which a fork would break."""
    # the matrices are small: threads cost more than they bring, and numpy reads this once, when it is imported
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOADED)
    return context


def _finished(workers: Iterable[_Worker[T, R]], *, time_limit_s: float) -> list[_Worker[T, R]]:
    """The workers that have an answer or will never have one; waits for the first."""
    by_connection = {worker.connection: worker for worker in workers}
    while True:
        ready = [by_connection[c] for c in wait(by_connection, timeout=_LOOK_EVERY_S) if isinstance(c, Connection)]
        overdue = [w for w in by_connection.values() if w not in ready and w.seconds > time_limit_s]
        for worker in overdue:
            worker.overdue_s = time_limit_s
        if ready or overdue:
            return ready + overdue


@dataclass(kw_only=True, eq=False)
class _Worker(Generic[T, R]):
    """A process and the task it has."""

    work: Callable[[T], R]
    context: BaseContext
    connection: Connection = field(init=False)
    overdue_s: float | None = None
    _task: list[T] = field(default_factory=list)
    _begun: float = 0.0

    def __post_init__(self) -> None:
        self.connection, theirs = self.context.Pipe()
        self._process = self.context.Process(target=_serve, args=(theirs, self.work), daemon=True)  # type: ignore[attr-defined]
        self._process.start()
        theirs.close()

    @property
    def is_alive(self) -> bool:
        return not self.connection.closed

    @property
    def seconds(self) -> float:
        """For how long it has had its task."""
        return time.monotonic() - self._begun

    def give(self, task: T) -> None:
        self._task = [task]
        self._begun = time.monotonic()
        with suppress(OSError):  # it died meanwhile; `take` will tell
            self.connection.send(task)

    def give_next(self, queue: Iterator[T]) -> bool:
        for task in _first(queue, 1):
            self.give(task)
            return True
        return False

    def take(self) -> tuple[T, R | Crash]:
        """The task with its answer; closes the connection where the process is gone or must go."""
        (task,) = self._task
        if self.overdue_s is not None:
            self.stop()
            return task, Crash(reason=f"it was not done after {self.overdue_s:g} seconds")
        try:
            answer: R | Crash = self.connection.recv()
            return task, answer
        except (EOFError, OSError):
            self._process.join(timeout=5)
            reason = _death(self._process.exitcode)
            self.stop()
            return task, Crash(reason=reason)

    def stop(self) -> None:
        """End the process, whatever it is doing."""
        self.connection.close()
        self._process.terminate()
        self._process.join(timeout=2)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()


def _death(exit_code: int | None) -> str:
    """How a process ended, in words."""
    if exit_code is not None and exit_code < 0:
        with suppress(ValueError):
            name = signal.Signals(-exit_code).name
            memory = ", perhaps for want of memory" if name == "SIGKILL" else ""
            return f"its process was ended by {name}{memory}"
    return "its process ended" if exit_code is None else f"its process ended with code {exit_code}"


def _serve(connection: Connection, work: Callable[[T], R]) -> None:
    """The life of a process: tasks in, answers out, until nobody is there any more."""
    # whoever presses Ctrl-C means the run, and its process ends this one
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2 = sys.modules.get("cv2")
    if cv2 is not None:
        cv2.setNumThreads(1)
    with suppress(EOFError, OSError):
        while True:
            task = connection.recv()
            try:
                answer: R | Crash = work(task)
            except Exception as error:
                answer = Crash(reason=f"a mistake in cardmeasure itself ({type(error).__name__}: {error})")
            connection.send(answer)
