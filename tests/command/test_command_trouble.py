"""What cannot be measured, in a process of its own: one line each, a documented exit code, never a traceback."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.command.runs import environment, heed_interrupts, run


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A plain grey photo and what may stand in its place."""
    grey = np.random.default_rng(1).normal(120, 5, (900, 1200, 3)).astype(np.uint8)
    Image.fromarray(grey).save(tmp_path / "plain.jpg")
    whole = (tmp_path / "plain.jpg").read_bytes()
    (tmp_path / "truncated.jpg").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "empty.jpg").touch()
    (tmp_path / "text.jpg").write_text("This is no photo.\n")
    return tmp_path


def test_unusable_paths_give_one_line_each_and_code_4(folder: Path) -> None:
    names = ["/dev/null", "empty.jpg", "text.jpg", "truncated.jpg", "nosuch.jpg"]
    answer = run("measure", *names, cwd=folder)
    assert answer.returncode == 4
    assert answer.stderr == ""
    for name in names:
        (line,) = [line for line in answer.stdout.splitlines() if line.startswith(f"  {name} ")]
        assert line.endswith(".")


def test_each_kind_of_trouble_has_its_code_and_advice_in_the_results(folder: Path) -> None:
    answer = run("measure", "empty.jpg", "text.jpg", "truncated.jpg", "nosuch.jpg", "--results", "-", cwd=folder)
    troubles = [shot["trouble"] for shot in json.loads(answer.stdout)["shots"]]
    assert [trouble["code"] for trouble in troubles] == ["empty-file", "not-a-photo", "truncated", "not-found"]
    assert all(trouble["advice"] for trouble in troubles)


def test_a_photo_without_a_reference_is_refused_and_told_what_to_do(folder: Path) -> None:
    answer = run("measure", "plain.jpg", cwd=folder)
    assert answer.returncode == 4
    assert "no-reference: Lay the printed reference square" in answer.stdout


def test_a_folder_without_photos_is_a_refused_row(folder: Path) -> None:
    (folder / "bare").mkdir()
    answer = run("measure", "bare", cwd=folder)
    assert answer.returncode == 4
    assert "bare  no-photos: There is no photo in this folder." in answer.stdout


def test_a_name_that_is_no_utf8_crashes_nothing(folder: Path) -> None:
    name = os.fsdecode(b"caf\xe9.jpg")
    (folder / "text.jpg").rename(folder / name)
    answer = run("measure", name, "--results", "r.json", cwd=folder)
    assert answer.returncode == 4
    assert "caf\\xe9.jpg  not-a-photo" in answer.stdout
    assert json.loads((folder / "r.json").read_text("utf-8"))["shots"][0]["file"] == "caf\\xe9.jpg"


def test_a_terminal_without_unicode_gets_plain_signs(folder: Path) -> None:
    name = "käse.jpg"
    (folder / "text.jpg").rename(folder / name)
    answer = run("measure", name, cwd=folder, env=environment(PYTHONIOENCODING="ascii"))
    assert answer.returncode == 4
    assert "k\\xe4se.jpg" in answer.stdout


def test_a_pipe_that_is_closed_early_ends_the_run_quietly(folder: Path) -> None:
    command = [sys.executable, "-m", "cardmeasure", "measure", "plain.jpg"]
    reading, writing = os.pipe()
    os.close(reading)
    run = subprocess.run(command, cwd=folder, env=environment(), stdout=writing, stderr=subprocess.PIPE, timeout=60)
    os.close(writing)
    assert run.returncode == 5
    assert run.stderr == b""


@pytest.mark.parametrize("arguments", [["--version"], ["measure", "empty.jpg"]])
def test_a_full_disk_behind_the_output_is_told(folder: Path, arguments: list[str]) -> None:
    command = [sys.executable, "-m", "cardmeasure", *arguments]
    with Path("/dev/full").open("w") as full:
        run = subprocess.run(command, cwd=folder, env=environment(), stdout=full, stderr=subprocess.PIPE, timeout=60)
    assert run.returncode == 5
    assert run.stderr == b"cardmeasure: Cannot write to standard output: No space left on device.\n"


def test_ctrl_c_gives_code_130_and_leaves_nothing_half_written(folder: Path) -> None:
    # Whatever is measured when the signal comes: a named pipe says that the run has begun.
    begun = folder / "begun"
    os.mkfifo(begun)
    (folder / "sitecustomize.py").write_text(
        "import sys\n"
        "class Slow:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'cardmeasure.batch':\n"
        f"            open({str(begun)!r}, 'w').close()\n"
        "            import time; time.sleep(30)\n"
        "sys.meta_path.insert(0, Slow())\n"
    )
    command = [sys.executable, "-m", "cardmeasure", "measure", "plain.jpg", "--results", "r.json"]
    with subprocess.Popen(
        command, cwd=folder, env=environment(folder), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=heed_interrupts,
    ) as process:  # fmt: skip
        begun.open().close()
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert err == "cardmeasure: Stopped.\n"
    assert out == ""
    assert not (folder / "r.json").exists()


@pytest.mark.parametrize(("library", "package"), [("libGL.so.1", "libgl1"), ("libgthread-2.0.so.0", "libglib2.0-0")])
def test_a_missing_system_library_is_told_in_one_sentence_with_the_remedy(
    folder: Path, library: str, package: str
) -> None:
    fake = folder / "site" / "cv2"
    fake.mkdir(parents=True)
    message = f"{library}: cannot open shared object file: No such file or directory"
    (fake / "__init__.py").write_text(f"raise ImportError({message!r})\n")
    answer = run("measure", "plain.jpg", cwd=folder, env=environment(folder / "site"))
    assert answer.returncode == 70
    assert answer.stdout == ""
    assert answer.stderr == (
        f"cardmeasure: The system library {library} is missing: install it (on Debian and Ubuntu: apt-get install "
        f"{package}), or put opencv-python-headless in the place of opencv-python.\n"
    )


def test_another_failed_import_is_a_mistake_of_ours_with_a_traceback(folder: Path) -> None:
    fake = folder / "site" / "cv2"
    fake.mkdir(parents=True)
    (fake / "__init__.py").write_text("raise ImportError('no such thing')\n")
    answer = run("measure", "plain.jpg", cwd=folder, env=environment(folder / "site"))
    assert answer.returncode == 70
    assert "Traceback" in answer.stderr
