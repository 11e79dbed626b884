"""The command line of the study: render what is missing, measure all, write the report."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from calibration.real.history import kept_section, with_section
from calibration.rig.folds import FAMILIES
from calibration.study.cache import default_folder, is_rendered, missing, photo_path, render_shot, sweep, truth_path
from calibration.study.families import SHOTS as FAMILY_SHOTS
from calibration.study.families import families_plan, hand_out_families
from calibration.study.figures import for_machines
from calibration.study.measuring import Measured, measure_all
from calibration.study.planning import FIRST_SEED, GROUPS, QUICK_FIRST_SEED, SHOTS, PlannedShot, full_plan, quick_plan
from calibration.study.plots import plots_png
from calibration.study.records import ShotScore
from calibration.study.refusals import refusal_scores, refusal_targets, refusal_text, with_refusals
from calibration.study.report import detection_text, group_table, head_of, report_of
from calibration.study.scoring import score_shot
from calibration.study.sides import sides_csv
from calibration.study.targets import targets_of
from calibration.study.together import run_scores, together_targets, together_text, with_together, without_runs
from cardmeasure.errors import CannotWriteError
from cardmeasure.reports.writing import check_file, make_folder, write_beside

REPORT = Path(__file__).parent.parent / "ACCURACY.md"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the study; returns the exit code."""
    parser = _parser()
    options = parser.parse_args(arguments)
    folder = options.cache or default_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        parser.error(f"{folder} cannot be made ({error.strerror}); name another folder with --cache.")
    try:
        _check_outputs(options)
    except CannotWriteError as error:
        parser.error(str(error))
    plan = _plan(options)
    sweep(folder)
    if not options.only_rendered:
        _render(plan, folder)
    if options.only_render:
        return 0
    plan = [shot for shot in plan if is_rendered(shot, folder)]
    if not plan:
        parser.error(f"no shot of this study is rendered in {folder}; leave --only-rendered out.")
    measured = _measure(plan, folder, processes=options.processes)
    return _hand_out(measured, options) if options.families is None else hand_out_families(measured, options)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m calibration.study", description="The accuracy study.")
    parser.add_argument("--quick", action="store_true", help="20 small frames over the groups, under three minutes")
    parser.add_argument("--groups", type=_groups, default=GROUPS, metavar="A,B", help=f"of {', '.join(GROUPS)}")
    parser.add_argument("--shots", type=_positive, metavar="N", help=f"shots a group ({SHOTS}); frames if --quick (20)")
    parser.add_argument("--seed", type=int, metavar="N", help=f"seed of each group's first shot ({FIRST_SEED})")
    parser.add_argument(
        "--families", nargs="?", const=(), type=_families, metavar="A,B", help="families of scenes instead"
    )
    parser.add_argument("--fold", type=_positive, action="append", metavar="N", help="only families of this fold")
    parser.add_argument("--megapixels", choices=("small", "full"), default="small", help="of families (small: 1 to 3)")
    parser.add_argument("--cache", type=Path, metavar="DIR", help=f"where shots are kept ({default_folder()})")
    parser.add_argument("--processes", type=_positive, default=2, metavar="N", help="that measure (2)")
    only = parser.add_mutually_exclusive_group()
    only.add_argument("--only-render", action="store_true", help="render what is missing and stop")
    only.add_argument("--only-rendered", action="store_true", help="measure what is rendered already")
    parser.add_argument("--json", action="store_true", help="print the figures as JSON, and nothing else")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the report there (full study: ACCURACY.md)")
    parser.add_argument("--sides", type=Path, metavar="FILE", help="write a CSV with a row for each side of each card")
    parser.add_argument("--check", action="store_true", help="exit with 1 where a target is missed")
    return parser


def _check_outputs(options: argparse.Namespace) -> None:
    """Raises CannotWriteError where a file asked for could not be written in the end."""
    for path in (options.out, options.sides):
        if path:
            make_folder(path.parent)
            check_file(path)


def _groups(text: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in text.split(",") if name.strip())
    unknown = [name for name in names if name not in GROUPS]
    if unknown or not names:
        raise argparse.ArgumentTypeError(f"{text!r} names no group; the groups are {', '.join(GROUPS)}")
    return names


def _families(text: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in text.split(",") if name.strip())
    unknown = [name for name in names if name not in FAMILIES]
    if unknown:
        raise argparse.ArgumentTypeError(f"{text!r} names no family; the families are {', '.join(FAMILIES)}")
    return names


def _positive(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number of at least 1")
    return int(text)


def _plan(options: argparse.Namespace) -> list[PlannedShot]:
    if options.families is not None:
        return families_plan(
            folds=options.fold or (), families=options.families, shots=options.shots or FAMILY_SHOTS,
            first_seed=FIRST_SEED if options.seed is None else options.seed, megapixels=options.megapixels,
        )  # fmt: skip
    if options.quick:
        first = QUICK_FIRST_SEED if options.seed is None else options.seed
        return quick_plan(options.groups, frames=options.shots or 20, first_seed=first)
    first = FIRST_SEED if options.seed is None else options.seed
    return full_plan(options.groups, shots=options.shots or SHOTS, first_seed=first)


def _render(plan: Sequence[PlannedShot], folder: Path) -> None:
    left = missing(plan, folder)
    for number, shot in enumerate(left, 1):
        print(f"rendering {shot.name}, {number} of {len(left)}", file=sys.stderr)
        render_shot(shot, folder)


def _measure(plan: Sequence[PlannedShot], folder: Path, *, processes: int) -> list[Measured]:
    tasks = [(shot, photo_path(shot, folder), truth_path(shot, folder)) for shot in plan]
    measured = []
    for one in measure_all(tasks, processes=processes):
        measured.append(one)
        if len(measured) % 10 == 0 or len(measured) == len(tasks):
            print(f"measured {len(measured)} of {len(tasks)}", file=sys.stderr)
    return measured


def _scores(measured: Sequence[Measured]) -> tuple[list[ShotScore], list[ShotScore]]:
    """Our scores and the textbook's."""
    ours = [score_shot(m.shot.name, m.truth, m.ours, group=m.shot.group) for m in measured]
    return ours, [score_shot(m.shot.name, m.truth, m.textbook, group=m.shot.group) for m in measured]


def _hand_out(measured: Sequence[Measured], options: argparse.Namespace) -> int:
    ours, textbook = _scores(without_runs(measured))
    refusals, runs = refusal_scores(measured), run_scores(measured)
    if options.sides:
        write_beside(options.sides, sides_csv(measured).encode())
    full = not options.quick and options.groups == GROUPS and (options.shots or SHOTS) >= SHOTS
    out = options.out or (REPORT if full and not options.only_rendered else None)
    if out:
        report = _report(ours, textbook, out, command=_command_of(options))
        more = [*together_text(runs, heading="## Solved together"), *refusal_text(refusals, heading="## Refused")]
        report = "\n\n".join([report.rstrip("\n"), *more]) + "\n"
        report = with_section(report, kept_section(out))
        write_beside(out, report.encode())
    if options.json:
        print(json.dumps(with_together(with_refusals(for_machines(ours), refusals), runs)))
    else:
        tables = [group_table(ours), detection_text(ours)] if ours else []
        print(*tables, *together_text(runs), *refusal_text(refusals), sep="\n\n")
    targets = (*targets_of(ours), *together_targets(runs), *refusal_targets(refusals))
    missed = [target for target in targets if not target.met]
    for target in missed if options.check else ():
        print(f"{target.name}: {target.found}, asked {target.asked}", file=sys.stderr)
    return 1 if options.check and missed else 0


def _report(ours: Sequence[ShotScore], textbook: Sequence[ShotScore], out: Path, *, command: str) -> str:
    """What is to be said of the shots, whose plots are written beside it; only the head where there are none."""
    if not ours:
        return head_of(command)
    plots = out.with_suffix(".png")
    write_beside(plots, plots_png(ours))
    return report_of(ours, textbook, command=command, picture=plots.name)


def _command_of(options: argparse.Namespace) -> str:
    """The command that makes the same figures anywhere: without the folders of this machine."""
    words = ["python -m calibration.study"]
    words += ["--quick"] if options.quick else []
    words += [f"--groups {','.join(options.groups)}"] if options.groups != GROUPS else []
    words += [f"--shots {options.shots}"] if options.shots else []
    words += [f"--seed {options.seed}"] if options.seed is not None else []
    words += ["--only-rendered"] if options.only_rendered else []
    return " ".join(words)
