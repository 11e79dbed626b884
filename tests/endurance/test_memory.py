"""Memory over a thousand photos: neither the run nor its processes grow with the number of photos."""

from __future__ import annotations

import subprocess
import sys
import time
from collections import defaultdict
from pathlib import Path

from tests.command.runs import environment
from tests.endurance.small_photos import write_small_photos

PHOTOS = 1000
GROWTH_MB = 40.0
"""What may come on top between the first and the last fifth of a run; the shots themselves take some of it."""


def resident_mb(pid: int) -> float:
    """Resident memory of a process, MB; 0 where it is gone."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except (FileNotFoundError, ProcessLookupError):
        return 0.0
    return sum(float(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS:"))


def descendants(pid: int) -> list[int]:
    """All processes below a process."""
    try:
        children = [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except (FileNotFoundError, ProcessLookupError):
        return []
    return [process for child in children for process in (child, *descendants(child))]


def test_memory_stays_flat_over_a_thousand_photos(tmp_path: Path) -> None:
    photos = write_small_photos(tmp_path / "photos", PHOTOS)
    command = [sys.executable, "-m", "cardmeasure", "measure", str(photos), "--results", str(tmp_path / "r.json")]
    seen: dict[int, list[float]] = defaultdict(list)
    with subprocess.Popen([*command, "--quiet"], env=environment(), stderr=subprocess.PIPE) as run:
        while run.poll() is None:
            for pid in (run.pid, *descendants(run.pid)):
                seen[pid].append(resident_mb(pid))
            time.sleep(0.2)
    assert run.returncode == 0
    figures = {}
    for pid, values in seen.items():
        if len(values) < 50:
            continue
        fifth = len(values) // 5
        early, late = max(values[fifth : 2 * fifth]), max(values[-fifth:])
        figures[pid] = (round(early), round(late), round(max(values)))
        assert late - early < GROWTH_MB, f"process {pid} grew from {early:.0f} to {late:.0f} MB"
    print("early, late and peak MB of each process, the run first:", *figures.values())
    # the run itself, and at least two that measure where there are two cores
    assert len(figures) >= 2
