"""Help, version and wrong options."""

from __future__ import annotations

import os
import sys
import time

import pytest

from cardmeasure import __version__
from tests.command.runs import environment, run

COMMANDS = ("reference", "measure", "report", "classes", "starter-list", "fit", "plan", "storage", "page")


def test_help_names_all_commands() -> None:
    answer = run("--help")
    assert answer.returncode == 0
    assert answer.stderr == ""
    for command in COMMANDS:
        assert f"\n  {command} " in answer.stdout


def test_help_takes_at_most_four_tenths_of_a_second_of_processor_time() -> None:
    # Processor time, not time on the clock: the tests run beside each other.
    before = os.times()
    count = 3
    for _ in range(count):
        assert run("--help").returncode == 0
    after = os.times()
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    assert spent / count <= 0.4


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_its_options_and_loads_nothing_heavy_for_it(command: str) -> None:
    answer = run(command, "--help", env=environment(PYTHONPROFILEIMPORTTIME="1"))
    assert answer.returncode == 0
    assert "--help" in answer.stdout
    loaded = {line.rsplit("|", 1)[-1].strip() for line in answer.stderr.splitlines()}
    assert "typer" in loaded
    assert not loaded & {"cv2", "numpy", "PIL", "skimage", "reportlab", "rich", "scipy", "jinja2", "msgspec"}


def test_measure_documents_the_exit_codes() -> None:
    words = " ".join(run("measure", "--help").stdout.split())
    for code in (0, 2, 3, 4, 5, 70, 130):
        assert f" {code} " in words


def test_version() -> None:
    assert run("--version").stdout == f"cardmeasure {__version__}\n"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["measure"], "PATHS"),
        (["no-such-command"], "no-such-command"),
        (["measure", "--no-such-option", "a.jpg"], "--no-such-option"),
        (["measure", "a.jpg", "--thickness", "thick"], "--thickness"),
        (["measure", "a.jpg", "--thickness", "50"], "--thickness"),
        (["measure", "a.jpg", "--thickness", "nan"], "--thickness"),
        (["measure", "a.jpg", "--max-megapixels", "0"], "--max-megapixels"),
        (["measure", "a.jpg", "--results", "out.txt"], "--results is out.txt"),
        (["measure", "a.jpg", "--print", "nosuch.toml"], "nosuch.toml"),
        (["measure", "a.jpg", "--classes", "nosuch.toml"], "nosuch.toml"),
    ],
)
def test_a_wrong_option_is_named_and_gives_code_2_without_a_traceback(arguments: list[str], words: str) -> None:
    answer = run(*arguments)
    assert answer.returncode == 2
    assert words in answer.stderr
    assert "Traceback" not in answer.stderr
    assert answer.stdout == ""


def test_without_a_command_the_help_is_shown() -> None:
    answer = run()
    assert "Usage" in answer.stdout + answer.stderr
    assert answer.returncode == 2


def test_the_program_can_be_started_by_its_entry_point() -> None:
    started = time.perf_counter()
    code = "import sys; sys.argv = ['cardmeasure', '--version']; from cardmeasure.cli import main; sys.exit(main())"
    import subprocess

    answer = subprocess.run([sys.executable, "-c", code], env=environment(), capture_output=True, text=True)
    assert (answer.returncode, answer.stdout) == (0, f"cardmeasure {__version__}\n")
    assert time.perf_counter() - started < 30
