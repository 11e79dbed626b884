"""`--watch`: photos are measured as they arrive, half-copied ones once they are whole, until the user stops."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from tests.command.runs import environment, heed_interrupts, run


def photo_bytes(folder: Path, *, grey: int) -> bytes:
    path = folder / "made"
    noise = np.random.default_rng(grey).normal(grey, 5, (900, 1200, 3))
    Image.fromarray(noise.astype(np.uint8)).save(path, "JPEG")
    return path.read_bytes()


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[tuple[Path, Path, subprocess.Popen[str]]]:
    """An empty folder, the results file, and a run that watches the folder."""
    folder, results = tmp_path / "photos", tmp_path / "r.json"
    folder.mkdir()
    command = [sys.executable, "-m", "cardmeasure", "measure", str(folder), "--watch", "--results", str(results)]
    with subprocess.Popen(
        command, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=heed_interrupts,
    ) as process:  # fmt: skip
        assert process.stderr is not None
        assert process.stderr.readline().startswith("cardmeasure: Watching ")
        yield folder, results, process
        process.kill()


def shots(results: Path) -> dict[str, str]:
    document: dict[str, Any] = json.loads(results.read_text("utf-8"))
    return {shot["file"]: (shot["trouble"] or {}).get("code", "measured") for shot in document["shots"]}


def wait_for(condition: Callable[[], bool], *, seconds: float = 40.0) -> None:
    """Wait until the condition holds; fail where it never does (a bound on patience, not on speed)."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "what was waited for did not come"
        time.sleep(0.05)


def test_photos_are_measured_as_they_arrive_and_half_copied_ones_waited_for(
    watched: tuple[Path, Path, subprocess.Popen[str]],
) -> None:
    folder, results, process = watched
    wait_for(results.exists)
    assert shots(results) == {}
    first, second = (photo_bytes(folder.parent, grey=grey) for grey in (90, 140))
    (folder / "a.jpg").write_bytes(first[: len(first) // 2])
    (folder / "sub").mkdir()
    (folder / "sub/b.jpg").write_bytes(second)
    wait_for(lambda: "sub/b.jpg" in shots(results))
    assert shots(results) == {"sub/b.jpg": "no-reference"}
    with (folder / "a.jpg").open("ab") as file:
        file.write(first[len(first) // 2 :])
    wait_for(lambda: len(shots(results)) == 2)
    assert shots(results) == {"a.jpg": "no-reference", "sub/b.jpg": "no-reference"}
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 4
    assert err == ""
    assert "2 photos: 0 measured, 2 refused" in out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["none", "--watch"], "--watch needs a folder, and none is none; name the folder that photos arrive in."),
        (
            [".", "--watch", "--results", "-"],
            "--watch rewrites the results with every photo; name a file for --results.",
        ),
    ],
)
def test_what_cannot_be_watched_is_told(tmp_path: Path, arguments: list[str], words: str) -> None:
    answer = run("measure", *arguments, cwd=tmp_path)
    assert (answer.returncode, answer.stderr) == (2, f"cardmeasure: {words}\n")


def test_a_file_that_is_renamed_when_it_is_whole_is_one_photo(
    watched: tuple[Path, Path, subprocess.Popen[str]],
) -> None:
    folder, results, _ = watched
    part = folder / "a.jpg.part"
    part.write_bytes(photo_bytes(folder.parent, grey=90))
    wait_for(lambda: results.exists() and "a.jpg.part" in shots(results))
    part.rename(folder / "a.jpg")
    wait_for(lambda: "a.jpg" in shots(results))
    assert shots(results) == {"a.jpg": "no-reference"}
