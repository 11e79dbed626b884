"""The study over families of scenes: `python -m calibration.study --families`.

Families are listed by fold; every fold has faces, tables and lenses that no other has, so that a figure of one fold is
what scenes unlike those of the other three give.
"""

from __future__ import annotations

import json
import math
from argparse import Namespace
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from calibration.rig.folds import FOLDS, fold_of
from calibration.study.figures import for_machines
from calibration.study.gross import GROSS_MM, GROSS_U, Gross, gross_sizes
from calibration.study.measuring import Measured
from calibration.study.planning import FIRST_SEED, PlannedShot
from calibration.study.records import ShotScore
from calibration.study.report import detection_text, group_table, table
from calibration.study.scoring import score_shot
from cardmeasure.reports.writing import write_beside

SHOTS = 6
FULL_MEGAPIXELS = (1.5, 3.1, 8.0, 12.2, 12.2, 24.0)
"""Sizes of pictures of a full study, in turn; small ones have 1 to 3 MP by the family's own draw."""
FULL_VIEW_MM = (230.0, 330.0)


def families_plan(
    *, folds: Sequence[int] = (), families: Sequence[str] = (), shots: int = SHOTS, first_seed: int = FIRST_SEED,
    megapixels: str = "small",
) -> list[PlannedShot]:  # fmt: skip
    """So many shots of each family of these folds, or of these families; the families take turns."""
    names = [name for fold in FOLDS for name in fold.families
             if (not folds or fold.number in folds) and (not families or name in families)]  # fmt: skip
    seeds = range(first_seed, first_seed + shots)
    return [_planned(name, seed, megapixels=megapixels) for seed in seeds for name in names]


def _planned(family: str, seed: int, *, megapixels: str) -> PlannedShot:
    if megapixels == "small":
        return PlannedShot(group=family, seed=seed)
    rng = np.random.default_rng([seed, 83])
    pixels = 1e6 * FULL_MEGAPIXELS[seed % len(FULL_MEGAPIXELS)]
    long = 16 * round(math.sqrt(pixels * 4 / 3) / 16)
    view = float(rng.uniform(*FULL_VIEW_MM))
    return PlannedShot(group=family, seed=seed, width_px=long, height_px=long * 3 // 4, px_per_mm=round(long / view, 3))


def hand_out_families(measured: Sequence[Measured], options: Namespace) -> int:
    """Prints the tables of all families, or writes them; returns the exit code."""
    scores = [score_shot(m.shot.name, m.truth, m.ours, group=m.shot.group) for m in measured]
    found = [one for m in measured for one in gross_sizes(m.shot.name, m.truth, m.ours, group=m.shot.group)]
    text = families_text(scores, found) + "\n"
    if options.out:
        write_beside(Path(options.out), text.encode())
    if options.json:
        print(json.dumps({**for_machines(scores), "gross": [asdict(one) for one in found]}))
    else:
        print(text, end="")
    return 0


def families_text(scores: Sequence[ShotScore], found: Sequence[Gross]) -> str:
    """The figures by family and by fold, what was missed and false, and each gross size, in Markdown."""
    folds = [replace(score, group=f"fold {fold_of(score.group).number}") for score in scores]
    order = sorted(scores, key=lambda score: fold_of(score.group).number)
    lost = sum(score.cards != () and all(card.missed is not None for card in score.cards) for score in scores)
    return "\n\n".join(
        [
            "## By family",
            "In brackets the 99.7 % interval, bootstrapped by shot; lengths in mm; all sizes, doubted or not.",
            group_table(order),
            "## By fold",
            group_table(sorted(folds, key=lambda score: score.group)),
            f"{lost} of {len(scores)} photos gave no size at all.",
            "## Missed and false, per 1000 cards",
            detection_text(order),
            f"## Gross: off by more than {GROSS_U:g} u and {GROSS_MM:g} mm, no flag of level doubt on piece or photo",
            gross_text(found),
        ]
    )


def gross_text(found: Sequence[Gross]) -> str:
    """How many, by cause and by family, and each of them."""
    causes = Counter(one.cause for one in found)
    groups = Counter(one.group for one in found)
    lead = f"{len(found)} sizes" + "".join(f"; {cause}: {count}" for cause, count in causes.most_common())
    if not found:
        return lead + "."
    lead += ". By family: " + ", ".join(f"{group} {count}" for group, count in groups.most_common()) + "."
    rows = [
        (one.shot, str(one.card), one.side, f"{one.error_mm:+.2f}", f"{one.u_mm:.3f}", one.mat, one.face,
         f"{one.corner_mm:.1f}", one.cause, ", ".join(one.flags))
        for one in found
    ]  # fmt: skip
    return lead + "\n\n" + table(
        ("shot", "card", "side", "error", "u", "mat", "face", "corner off", "cause?", "notes"), rows
    )  # fmt: skip
