"""Random small scenes of all families, measured one by one: which sizes are grossly wrong without a word.

`python -m calibration.gross --scenes 2000 --seed 7 --out gross.jsonl` renders and measures each scene, keeps one line a
scene in the file, so that it can be stopped and goes on where it was, and prints the totals. Pictures are thrown away,
but for those with a gross size, which `--keep DIR` keeps. What counts as gross stands in `study/gross.py`.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from calibration.rig.folds import FAMILIES, FOLDS
from calibration.study.gross import CAUSES, Gross, gross_sizes
from calibration.study.planning import PlannedShot

SCENES, FIRST_SEED = 2000, 50_000
"""The seeds of the first scenes lie far from those of any study."""
REPORT_EVERY = 25


@dataclass(frozen=True, kw_only=True)
class Task:
    """A scene to be looked at, and the folder that keeps its picture if something is grossly wrong."""

    shot: PlannedShot
    keep: Path | None = None


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line; returns its exit code."""
    options = _parser().parse_args(arguments)
    folds = [fold for fold in FOLDS if not options.fold or fold.number in options.fold]
    names = options.families or tuple(family for fold in folds for family in fold.families)
    plan = scenes_plan(options.scenes, seed=options.seed, families=names)
    done = read_lines(options.out) if options.out else {}
    left = [Task(shot=shot, keep=options.keep) for shot in plan if shot.name not in done]
    for number, line in enumerate(_looked_at(left, processes=options.processes), start=1):
        done[line["shot"]] = line
        if options.out:
            with options.out.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
        if number % REPORT_EVERY == 0:
            print(f"{number} of {len(left)}: {sum(len(one['gross']) for one in done.values())} gross", file=sys.stderr)
    wanted = [done[shot.name] for shot in plan if shot.name in done]
    print(json.dumps(totals(wanted)) if options.json else totals_text(wanted))
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m calibration.gross", description="Gross errors without a word.")
    parser.add_argument("--scenes", type=int, default=SCENES, metavar="N", help=f"how many ({SCENES})")
    parser.add_argument("--seed", type=int, default=FIRST_SEED, metavar="N", help=f"of the first ({FIRST_SEED})")
    parser.add_argument("--families", type=lambda text: tuple(text.split(",")), metavar="A,B", help="of these only")
    parser.add_argument("--fold", type=int, action="append", metavar="N", help="of this fold only")
    parser.add_argument("--out", type=Path, metavar="FILE", help="a line of JSON a scene; goes on where it was")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep the pictures with gross sizes there")
    parser.add_argument("--processes", type=int, default=2, metavar="N", help="(2)")
    parser.add_argument("--json", action="store_true", help="print the totals as JSON")
    return parser


def scenes_plan(count: int, *, seed: int, families: Sequence[str] = FAMILIES) -> list[PlannedShot]:
    """So many scenes, the families taking turns, each with a seed of its own."""
    return [PlannedShot(group=families[n % len(families)], seed=seed + n) for n in range(count)]


def _looked_at(tasks: Sequence[Task], *, processes: int) -> Any:
    """The lines of all scenes, as they come."""
    import multiprocessing

    if processes == 1 or not tasks:
        return map(looked_at, tasks)
    pool = multiprocessing.get_context("spawn").Pool(processes, initializer=_start_worker, maxtasksperchild=200)
    return pool.imap_unordered(looked_at, tasks)


def _start_worker() -> None:
    import cv2

    cv2.setNumThreads(1)


def looked_at(task: Task) -> dict[str, Any]:
    """One scene rendered, measured and compared with its truth, as a line of the file has it."""
    from calibration.rig.shots import write_shot
    from calibration.study.measuring import measure_by_cardmeasure
    from calibration.study.profiles import profile_of_truth

    shot = task.shot
    with tempfile.TemporaryDirectory() as folder:
        photo = Path(folder) / f"{shot.name}.jpg"
        write_shot(shot.scene(), photo, seed=shot.seed)
        truth = json.loads(photo.with_suffix(".truth.json").read_text(encoding="utf-8"))
        findings = measure_by_cardmeasure(photo, profile_of_truth(shot.group, truth, seed=shot.seed))
        found = gross_sizes(shot.name, truth, findings, group=shot.group)
        if found and task.keep is not None:
            task.keep.mkdir(parents=True, exist_ok=True)
            for path in (photo, photo.with_suffix(".truth.json")):
                (task.keep / path.name).write_bytes(path.read_bytes())
    sized = sum(piece.width_mm is not None for piece in findings.pieces)
    return line_of(shot, truth, findings.trouble, sized=sized, found=found)


def line_of(
    shot: PlannedShot, truth: dict[str, Any], trouble: str | None, *, sized: int, found: Sequence[Gross]
) -> dict[str, Any]:
    """What is kept of one scene."""
    cards = sum(card["expect"] == "measured" for card in truth["cards"])
    return {
        "shot": shot.name, "family": shot.group, "cards": cards, "sized": sized, "trouble": trouble,
        "gross": [asdict(one) for one in found],
    }  # fmt: skip


def read_lines(path: Path) -> dict[str, dict[str, Any]]:
    """The lines of a file by shot, none where there is no file; a last line that was cut off is left out."""
    lines = {}
    for text in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
        try:
            line = json.loads(text)
        except json.JSONDecodeError:
            continue
        lines[line["shot"]] = line
    return lines


def totals(lines: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Counts over scenes: by family and by cause, of sizes and of the scenes that have any."""
    found = [one for line in lines for one in line["gross"]]
    return {
        "scenes": len(lines),
        "cards": sum(line["cards"] for line in lines),
        "sized": sum(line["sized"] for line in lines),
        "refused": sum(line["trouble"] is not None for line in lines),
        "gross": len(found),
        "scenes_with_gross": sum(bool(line["gross"]) for line in lines),
        "causes": {cause: sum(one["cause"] == cause for one in found) for cause in CAUSES},
        "families": dict(Counter(one["group"] for one in found)),
    }


def totals_text(lines: Sequence[dict[str, Any]]) -> str:
    """The totals, and every gross size, for people."""
    from calibration.study.families import gross_text

    t = totals(lines)
    head = f"{t['scenes']} scenes, {t['cards']} cards, {t['sized']} pieces sized, {t['refused']} photos refused."
    found = [Gross(**{**one, "flags": tuple(one["flags"])}) for line in lines for one in line["gross"]]
    causes = ", ".join(f"{cause} {count}" for cause, count in t["causes"].items())
    return f"{head}\nGross: {t['gross']} sizes in {t['scenes_with_gross']} scenes ({causes}).\n\n{gross_text(found)}"


if __name__ == "__main__":
    sys.exit(main())
