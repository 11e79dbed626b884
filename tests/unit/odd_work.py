"""Work for processes that goes wrong in all the ways there are; it must be importable there."""

from __future__ import annotations

import os
import signal
import time


def work(task: str) -> str:
    """The task in capitals, unless it says what else to do."""
    if task.startswith("exit"):
        os._exit(3)
    if task.startswith("kill"):
        os.kill(os.getpid(), signal.SIGKILL)
    if task.startswith("segv"):
        os.kill(os.getpid(), signal.SIGSEGV)
    if task.startswith("raise"):
        raise ZeroDivisionError("made up")
    if task.startswith("hang"):
        time.sleep(600)
    if task.startswith("slow"):
        time.sleep(0.3)
    return f"{task.upper()} {os.getpid()}"
