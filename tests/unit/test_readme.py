"""The README says what the program does: its tables are those of the code, its options and commands exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer

from cardmeasure.cli import app
from cardmeasure.errors import TROUBLES, ExitCode
from cardmeasure.flags import FLAGS

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def flags_table() -> str:
    rows = [f"| `{flag.code}` | {flag.level} | {flag.meaning} |" for flag in FLAGS.values()]
    return "\n".join(["| flag | level | meaning |", "|---|---|---|", *rows])


def troubles_table() -> str:
    rows = [f"| `{kind.code}` | {kind.advice} |" for kind in TROUBLES.values()]
    return "\n".join(["| code | what to do |", "|---|---|", *rows])


def part(name: str) -> str:
    found = re.search(rf"<!-- {name} -->\n(.*?)\n?<!-- /{name} -->", README, re.DOTALL)
    assert found is not None
    return found[1]


@pytest.mark.parametrize(("name", "table"), [("flags", flags_table()), ("troubles", troubles_table())])
def test_the_tables_of_flags_and_troubles_are_those_of_the_code(name: str, table: str) -> None:
    assert part(name) == table, f"put this between the marks in README.md:\n{table}"


def test_the_exit_codes_are_those_of_the_code() -> None:
    listed = re.findall(r"^\| (\d+) \|", README, re.MULTILINE)
    assert [int(code) for code in listed] == [int(code) for code in ExitCode]


def test_every_option_named_exists_and_every_option_of_measure_is_named() -> None:
    measure = typer.main.get_command(app).commands["measure"]  # type: ignore[attr-defined]
    options = {option for parameter in measure.params for option in parameter.opts if option.startswith("--")}
    table = README.split("### Options of `cardmeasure measure`")[1].split("## ")[0]
    assert set(re.findall(r"`(--[a-z-]+)", table)) == options - {"--help"}


def test_every_command_is_named_and_every_command_named_exists() -> None:
    commands = set(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    assert set(re.findall(r"(?:`|\n|&& )cardmeasure ([a-z]+(?:-[a-z]+)*)", README)) == commands


@pytest.mark.parametrize("command", ["fit", "plan", "storage", "page", "starter-list"])
def test_every_option_of_the_commands_about_sleeves_is_named(command: str) -> None:
    parameters = typer.main.get_command(app).commands[command].params  # type: ignore[attr-defined]
    options = {option for parameter in parameters for option in parameter.opts if option.startswith("--")} - {"--help"}
    part_of_readme = README.split("## From sizes to sleeves")[1].split("\n## ")[0]
    assert options <= set(re.findall(r"(--[a-z-]+)", part_of_readme))


def test_each_of_the_two_commands_is_one_line_that_begins_with_the_system_packages() -> None:
    first, second = re.findall(r"```sh\n(apt-get [^\n]*)\n```", README)
    assert "cardmeasure measure sample_images" in first
    assert second.endswith("python -m pytest -n auto")
