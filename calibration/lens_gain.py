"""What a lens profile gains: shots of several phones, each phone's first ones for learning, the rest measured twice.

    python -m calibration.lens_gain FOLDER [--small]

With --small the later shots show one card and the 30 mm square, which knows least of the lens.

Renders into FOLDER what is not there yet. The print's scale is known, so that nothing else hides the lens.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.rig.phone_scenes import phone_scene
from calibration.rig.shots import write_shot
from calibration.study.measuring import found_pieces
from calibration.study.profiles import profile_of_truth
from calibration.study.scoring import score_shot
from cardmeasure.lens.learning import learned_profiles
from cardmeasure.pipeline import measure_photo
from cardmeasure.settings import Settings
from cardmeasure.together import ShotObservations

PHONES, SHOTS, LEARNING, FIRST_PHONE = 4, 12, 6, 21
CARDS_LEARNT_FROM = 5


def shots_of(phone: int, folder: Path, *, small: bool) -> list[Path]:
    """The phone's shots, rendered if need be."""
    paths = []
    for shot in range(SHOTS):
        later = shot >= LEARNING
        path = folder / str(phone) / f"{shot:02d}{'-small' if small and later else ''}.jpg"
        if not path.with_suffix(".truth.json").exists():
            cards = (1 if small else None) if later else CARDS_LEARNT_FROM
            design = "square-30" if small and later else "square-80"
            write_shot(phone_scene(phone, shot, cards=cards, design=design), path, seed=shot)
        paths.append(path)
    return paths


def settings_of(path: Path) -> Settings:
    """Settings with the true print scale."""
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    return Settings(print_profile=profile_of_truth("kind", truth, seed=0))


def errors_and_u(path: Path, settings: Settings) -> NDArray[np.float64]:
    """Error and u of each size in a shot, (n, 2)."""
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    score = score_shot(path.name, truth, found_pieces(measure_photo(path, settings=settings)), group="lens")
    rows = [(side.error_mm, side.u_mm) for card in score.cards for side in card.sides]
    return np.array(rows, np.float64).reshape(-1, 2)


def of_phone(phone: int, folder: Path, *, small: bool) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Errors and u of a phone's later shots without its profile, and with it."""
    paths = shots_of(phone, folder, small=small)
    seen: list[ShotObservations] = []
    for path in paths[:LEARNING]:
        measure_photo(path, settings=settings_of(path), observe=seen.append)
    profiles = tuple(one.profile for one in learned_profiles(seen)[0])
    without, with_it = [], []
    for path in paths[LEARNING:]:
        plain = settings_of(path)
        without.append(errors_and_u(path, plain))
        with_it.append(errors_and_u(path, replace(plain, lens_profiles=profiles)))
    return np.concatenate(without), np.concatenate(with_it)


def figures(name: str, rows: NDArray[np.float64]) -> str:
    """One line: RMS error, mean u, error over u."""
    error, u = rows.T
    return (
        f"{name:<8} {len(error):>3} sizes  RMS {np.sqrt(np.mean(error**2)):.4f} mm  worst {np.abs(error).max():.3f}  "
        f"u {np.sqrt(np.mean(u**2)):.4f}  error/u {np.sqrt(np.mean((error / u) ** 2)):.2f}"
    )


def main(folder: Path, phones: Sequence[int], *, small: bool) -> None:
    """Print the figures."""
    pairs = [of_phone(phone, folder, small=small) for phone in phones]
    for phone, (without, with_it) in zip(phones, pairs, strict=True):
        print(f"phone {phone}", figures("without", without), figures("with", with_it), sep="\n  ")
    both = [np.concatenate(part) for part in zip(*pairs, strict=True)]
    print("all", figures("without", both[0]), figures("with", both[1]), sep="\n  ")


if __name__ == "__main__":
    numbers = [int(argument) for argument in sys.argv[2:] if argument.isdecimal()]
    main(Path(sys.argv[1]), numbers or range(FIRST_PHONE, FIRST_PHONE + PHONES), small="--small" in sys.argv)
