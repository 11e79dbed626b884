"""Running the command line in a process of its own, as a shell would."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def environment(*first_on_path: Path, **variables: str) -> dict[str, str]:
    """The variables of this process, with the package (and before it other folders) to be found, and some changed."""
    path = os.pathsep.join(map(str, (*first_on_path, ROOT)))
    return {**os.environ, "PYTHONPATH": path, **variables}


def heed_interrupts() -> None:
    """Run in a new process before the command: shells let what they start in the background ignore Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def run(
    *arguments: str | Path, cwd: Path | None = None, env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """`cardmeasure ARGUMENTS...`, its output read as UTF-8."""
    return subprocess.run(
        [sys.executable, "-m", "cardmeasure", *map(str, arguments)],
        cwd=cwd,
        env=env or environment(),
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=60,
    )
