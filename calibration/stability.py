"""What photos come to when they are saved again, when the print is read a little otherwise, or taken from elsewhere.

`python -m calibration.stability FOLDER` measures all photos of a folder (with its `print.toml`, if there is one);
`python -m calibration.stability --shots 20 [--groups A,B] [--seed N]` renders scenes of groups or families and measures
them three times more: saved again at JPEG quality 92, with readings that are 0.05 mm longer, and from another place.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from calibration.rig.folds import FAMILIES
from calibration.rig.scene import Scene
from calibration.study.planning import PlannedShot
from calibration.study.records import Findings, Piece
from calibration.study.stability import Agreement, Move, agreements_between, moves_between, stability_text
from cardmeasure.reference.print_profile import PrintProfile, profile_from_readings, read_print_profile
from cardmeasure.reference.readings import MARKS, Reading

QUALITY = 92
READ_MORE_MM = 0.05
FIRST_SEED = 3000
BARS = ("long_bar", "short_bar")
PHOTOS = (".jpg", ".jpeg", ".png", ".webp", ".heic")


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line; returns its exit code."""
    options = _parser().parse_args(arguments)
    moves: list[Move] = []
    agreements: list[Agreement] = []
    if options.folder:
        for path in sorted(p for p in options.folder.rglob("*") if p.suffix.lower() in PHOTOS):
            moves += photo_moves(path, _readings_beside(path), name=str(path.relative_to(options.folder)))
            print(path.name, file=sys.stderr)
    else:
        groups = options.groups or FAMILIES
        for number in range(options.shots):
            shot = PlannedShot(group=groups[number % len(groups)], seed=options.seed + number)
            print(f"{shot.name}, {number + 1} of {options.shots}", file=sys.stderr)
            more, same = shot_stability(shot)
            moves, agreements = [*moves, *more], [*agreements, *same]
    print(stability_text(moves, agreements))
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m calibration.stability", description="How stable results are.")
    parser.add_argument("folder", nargs="?", type=Path, metavar="FOLDER", help="of photos; else scenes are rendered")
    parser.add_argument("--shots", type=int, default=len(FAMILIES), metavar="N", help=f"scenes ({len(FAMILIES)})")
    parser.add_argument("--groups", type=lambda text: tuple(text.split(",")), metavar="A,B", help="groups or families")
    parser.add_argument("--seed", type=int, default=FIRST_SEED, metavar="N", help=f"of the first scene ({FIRST_SEED})")
    return parser


def _readings_beside(path: Path) -> PrintProfile | tuple[Reading, ...]:
    """The print profile beside a photo, or readings of a print of exactly 100 %."""
    beside = path.parent / "print.toml"
    return read_print_profile(beside) if beside.exists() else true_readings(1.0, 1.0)


def true_readings(scale_x: float, scale_y: float, *, more_mm: float = 0.0) -> tuple[Reading, ...]:
    """Both bars read with a steel rule on a page printed at these scales, without an error but `more_mm`."""
    lengths = {"long_bar": MARKS["long_bar"].down_mm * scale_y, "short_bar": MARKS["short_bar"].across_mm * scale_x}
    return tuple(Reading(name=name, reading_mm=lengths[name] + more_mm, instrument="steel-rule") for name in BARS)


def read_otherwise(known: PrintProfile | tuple[Reading, ...]) -> PrintProfile:
    """The profile with both bars read `READ_MORE_MM` longer."""
    if not isinstance(known, PrintProfile):
        return profile_from_readings(tuple(replace(r, reading_mm=r.reading_mm + READ_MORE_MM) for r in known))
    more_x, more_y = READ_MORE_MM / MARKS["short_bar"].across_mm, READ_MORE_MM / MARKS["long_bar"].down_mm
    return replace(known, scale_x=known.scale_x + more_x, scale_y=known.scale_y + more_y)


def photo_moves(path: Path, known: PrintProfile | tuple[Reading, ...], *, name: str) -> list[Move]:
    """How far one photo's results move when it is saved again and when its print is read a little otherwise."""
    profile = known if isinstance(known, PrintProfile) else profile_from_readings(known)
    before = _measured(path, profile)
    with tempfile.TemporaryDirectory() as folder:
        again = saved_again(path, Path(folder))
        saved = _measured(again, profile)
    read = _measured(path, read_otherwise(known))
    return [
        *moves_between(name, f"saved again at quality {QUALITY}", before, saved),
        *moves_between(name, f"read {READ_MORE_MM:g} mm longer", before, read),
    ]


def saved_again(path: Path, folder: Path) -> Path:
    """The photo saved once more as a JPEG of `QUALITY`, with the same EXIF data."""
    import pillow_heif
    from PIL import Image

    pillow_heif.register_heif_opener()
    target = folder / (path.stem + ".jpg")
    with Image.open(path) as picture:
        picture.convert("RGB").save(target, quality=QUALITY, exif=picture.getexif().tobytes())
    return target


def shot_stability(shot: PlannedShot) -> tuple[list[Move], list[Agreement]]:
    """One rendered scene: its moves, and how well a second photo of the same cards agrees with the first."""
    from calibration.rig.shots import write_shot

    scene = shot.scene()
    with tempfile.TemporaryDirectory() as folder:
        first, second = Path(folder) / f"{shot.name}.jpg", Path(folder) / f"{shot.name}-again.jpg"
        write_shot(scene, first, seed=shot.seed)
        write_shot(seen_from_elsewhere(scene, seed=shot.seed), second, seed=shot.seed + 1)
        readings = true_readings(scene.print.scale_x, scene.print.scale_y)
        moves = photo_moves(first, readings, name=shot.name)
        profile = profile_from_readings(readings)
        a, b = (_by_card(_truth(path), _measured(path, profile)) for path in (first, second))
    return moves, agreements_between(shot.name, a, b)


def seen_from_elsewhere(scene: Scene, *, seed: int) -> Scene:
    """The same table, cards and light, photographed by the same phone from another place, nearer or farther."""
    from calibration.rig.camera import pose_above

    rng = np.random.default_rng([seed, 84])
    z = scene.camera.centre_mm[2]
    rotation, centre = pose_above(
        target_mm=(float(rng.normal(0, 6)), float(rng.normal(0, 6))), distance_mm=z * float(rng.uniform(1.0, 1.15)),
        tilt_deg=float(rng.uniform(2, 14)), azimuth_deg=float(rng.uniform(0, 360)), roll_deg=float(rng.normal(0, 6)),
    )  # fmt: skip
    return replace(scene, camera=replace(scene.camera, rotation=rotation, centre_mm=centre))


def _measured(path: Path, profile: PrintProfile) -> Findings:
    from calibration.study.measuring import measure_by_cardmeasure

    return measure_by_cardmeasure(path, profile)


def _truth(path: Path) -> dict[str, Any]:
    return dict(json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8")))


def _by_card(truth: dict[str, Any], findings: Findings) -> dict[int, Piece]:
    """The pieces by the number of the card they are."""
    from calibration.study.scoring import matched

    return {number: findings.pieces[index] for number, index in matched(truth["cards"], findings.pieces).items()}


if __name__ == "__main__":
    sys.exit(main())
