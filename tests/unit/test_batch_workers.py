"""Processes: every task has one answer, whatever becomes of the process that had it."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from cardmeasure.batch.workers import Crash, work_through
from tests.unit.odd_work import work


def answers(tasks: list[str], *, processes: int = 2, time_limit_s: float = 60.0) -> dict[str, str | Crash]:
    return dict(work_through(work, tasks, processes=processes, time_limit_s=time_limit_s))


def test_every_task_is_done_once_in_other_processes() -> None:
    tasks = [f"task {i}" for i in range(20)]
    done = list(work_through(work, tasks, processes=2))
    assert sorted(task for task, _ in done) == sorted(tasks)
    pids = {str(answer).split()[-1] for _, answer in done}
    assert len(pids) == 2
    assert str(os.getpid()) not in pids


def test_a_process_that_dies_costs_its_own_task_only() -> None:
    found = answers(["a", "kill", "b", "exit", "c", "segv", "d", "raise", "e"])
    assert found["kill"] == Crash(reason="its process was ended by SIGKILL, perhaps for want of memory")
    assert found["exit"] == Crash(reason="its process ended with code 3")
    assert found["segv"] == Crash(reason="its process was ended by SIGSEGV")
    assert found["raise"] == Crash(reason="a mistake in cardmeasure itself (ZeroDivisionError: made up)")
    assert all(str(found[task]).startswith(f"{task.upper()} ") for task in "abcde")


def test_a_process_that_stands_still_is_ended_and_the_others_go_on() -> None:
    found = answers(["hang", "a", "b"], time_limit_s=1.5)
    assert found["hang"] == Crash(reason="it was not done after 1.5 seconds")
    assert str(found["b"]).startswith("B ")


def test_more_processes_than_tasks_and_no_task_at_all() -> None:
    assert len(answers(["a"], processes=5)) == 1
    assert answers([]) == {}


def test_tasks_are_asked_for_only_as_processes_become_free() -> None:
    asked: list[int] = []

    def tasks() -> Iterator[str]:
        for i in range(50):
            asked.append(i)
            yield f"slow {i}"

    done = work_through(work, tasks(), processes=2)
    next(done)
    assert len(asked) <= 4
    done.close()  # type: ignore[attr-defined]


def test_when_the_caller_stops_asking_the_processes_end() -> None:
    done = work_through(work, ["a", "hang"], processes=2)
    _, answer = next(done)
    done.close()  # type: ignore[attr-defined]
    with pytest.raises(ProcessLookupError):
        os.kill(int(str(answer).split()[-1]), 0)
