"""Imports point one way: command line, reports, pipeline, stages, records; and never in a circle."""

from __future__ import annotations

import subprocess
import sys

import grimp
import pytest

TOP = ("cardmeasure.cli", "cardmeasure.reports", "cardmeasure.batch", "cardmeasure.pipeline")
"""Above the stages, highest first; `cardmeasure.__main__` only starts the command line."""
RECORDS = ("cardmeasure.errors", "cardmeasure.flags", "cardmeasure.results", "cardmeasure.text")
"""Below the stages: they know nothing but each other."""
HEAVY = ("cv2", "numpy", "PIL", "skimage", "scipy", "reportlab", "pillow_heif", "rich", "jsonschema")


@pytest.fixture(scope="module")
def graph() -> grimp.ImportGraph:
    return grimp.build_graph("cardmeasure", exclude_type_checking_imports=True, cache_dir=None)


def family(graph: grimp.ImportGraph, name: str) -> set[str]:
    """A module and everything in it."""
    return {name, *graph.find_descendants(name)} & graph.modules


def chains(graph: grimp.ImportGraph, importers: set[str], imported: set[str]) -> list[str]:
    """Direct imports of one set of modules by another, in words."""
    return sorted(
        f"{importer} imports {target}"
        for importer in importers
        for target in graph.find_modules_directly_imported_by(importer)
        if target in imported
    )


def stages(graph: grimp.ImportGraph) -> set[str]:
    outside = {"cardmeasure", "cardmeasure.__main__"}.union(*(family(graph, name) for name in (*TOP, *RECORDS)))
    return graph.modules - outside


def test_no_module_imports_itself_by_way_of_others(graph: grimp.ImportGraph) -> None:
    upstream = {module: graph.find_upstream_modules(module) for module in graph.modules}
    circles = [f"{a} <-> {b}" for a in sorted(upstream) for b in sorted(upstream[a]) if a < b and a in upstream[b]]
    assert circles == []


def test_nothing_imports_what_stands_above_it(graph: grimp.ImportGraph) -> None:
    wrong = []
    for height, name in enumerate(TOP):
        above = set().union(*(family(graph, higher) for higher in TOP[:height]))
        wrong += chains(graph, family(graph, name), above)
    assert wrong == []


def test_stages_and_records_import_neither_command_line_nor_reports_nor_pipeline(graph: grimp.ImportGraph) -> None:
    top = set().union(*(family(graph, name) for name in TOP))
    records = set().union(*(family(graph, name) for name in RECORDS))
    assert chains(graph, stages(graph) | records, top) == []


def test_records_import_only_records(graph: grimp.ImportGraph) -> None:
    records = set().union(*(family(graph, name) for name in RECORDS))
    assert chains(graph, records, graph.modules - records) == []


def test_the_check_would_find_a_wrong_import(graph: grimp.ImportGraph) -> None:
    spoilt = grimp.build_graph("cardmeasure", exclude_type_checking_imports=True, cache_dir=None)
    spoilt.add_import(importer="cardmeasure.results", imported="cardmeasure.cli.measure")
    with pytest.raises(AssertionError, match=r"cardmeasure\.results imports cardmeasure\.cli\.measure"):
        test_records_import_only_records(spoilt)
    with pytest.raises(AssertionError, match=r"cardmeasure\.cli\.measure"):
        test_stages_and_records_import_neither_command_line_nor_reports_nor_pipeline(spoilt)
    with pytest.raises(AssertionError, match=r"<->"):
        test_no_module_imports_itself_by_way_of_others(spoilt)


@pytest.mark.parametrize("module", ["cardmeasure", "cardmeasure.cli"])
def test_importing_the_package_or_its_command_line_loads_nothing_heavy(module: str) -> None:
    code = f"import sys, {module}; print(*(name for name in {HEAVY} if name in sys.modules))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == []


def test_every_public_name_can_be_loaded_and_nothing_else_can() -> None:
    import cardmeasure

    for name in cardmeasure.__all__:
        assert getattr(cardmeasure, name) is not None
        assert name in dir(cardmeasure)
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = cardmeasure.no_such_name


def test_the_version_is_that_of_the_project_file() -> None:
    import tomllib
    from pathlib import Path

    import cardmeasure

    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())
    assert cardmeasure.__version__ == project["project"]["version"]
