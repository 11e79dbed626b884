"""What solving a run together gains: runs of several photos of one phone and one print, measured one by one and again.

    python -m calibration.together_gain FOLDER [--runs N]

Renders into FOLDER what is not there yet. Every run is measured with the print's scale as its user has read it on the
page, with the scale assumed, and with the scale known to 0.01 %, where only the lens is in common.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.lens_gain import figures
from calibration.rig.phone_scenes import phone_scene
from calibration.rig.shots import write_shot
from calibration.study.measuring import found_pieces
from calibration.study.profiles import profile_of_truth
from calibration.study.scoring import score_shot
from cardmeasure.batch.resolving import FLAG, encoded_observations, resolved
from cardmeasure.classes import standard_classes
from cardmeasure.pipeline import measure_photo
from cardmeasure.results import ShotResult
from cardmeasure.settings import Settings
from cardmeasure.together import ShotObservations

RUNS, SHOTS, FIRST_PHONE = 6, 6, 61
KNOWN = {"scale known": "kind", "bars read": "print-entered", "scale assumed": "print-assumed"}
"""What is known of the print, by the study's group whose users know as much."""

Pairs = tuple[NDArray[np.float64], NDArray[np.float64]]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m calibration.together_gain", description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--runs", type=int, default=RUNS)
    options = parser.parse_args(arguments)
    runs = [shots_of(FIRST_PHONE + run, options.folder) for run in range(options.runs)]
    for name, group in KNOWN.items():
        pairs = [of_run(paths, group=group, seed=seed) for seed, paths in enumerate(runs)]
        alone, together = (np.concatenate(part) for part in zip(*pairs, strict=True))
        print(f"{name}, {len(runs)} runs of {SHOTS} photos", figures("alone", alone), sep="\n  ", end="\n  ")
        print(figures("together", together))


def shots_of(phone: int, folder: Path) -> list[Path]:
    """The shots of a run, rendered if need be."""
    paths = [folder / f"run-{phone}" / f"{shot:02d}.jpg" for shot in range(SHOTS)]
    for shot, path in enumerate(paths):
        if not path.with_suffix(".truth.json").exists():
            write_shot(phone_scene(phone, shot), path, seed=shot)
    return paths


def of_run(paths: Sequence[Path], *, group: str, seed: int) -> Pairs:
    """Error and u of each size, (n, 2), one by one and solved together.

    Raises RuntimeError where the run was not solved together.
    """
    truths = [json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8")) for path in paths]
    settings = Settings(print_profile=profile_of_truth(group, truths[0], seed=seed))
    shots: list[ShotResult] = []
    observations: dict[int, bytes] = {}
    for index, path in enumerate(paths):
        seen: list[ShotObservations] = []
        shots.append(measure_photo(path, settings=settings, observe=seen.append))
        observations.update((index, encoded_observations(one)) for one in seen)
    again = resolved(shots, observations=observations, classes=standard_classes())
    if not all(FLAG in shot.flags for index, shot in enumerate(again) if index in observations):
        raise RuntimeError(f"the photos beside {paths[0]} were not solved together")
    return _errors_and_u(shots, truths), _errors_and_u(again, truths)


def _errors_and_u(shots: Sequence[ShotResult], truths: Sequence[dict[str, object]]) -> NDArray[np.float64]:
    scores = [
        score_shot(shot.file, truth, found_pieces(shot), group="together")
        for shot, truth in zip(shots, truths, strict=True)
    ]
    rows = [(side.error_mm, side.u_mm) for score in scores for card in score.cards for side in card.sides]
    return np.array(rows, np.float64).reshape(-1, 2)


if __name__ == "__main__":
    main()
