"""Edits the sample photos as people and apps do, measures them, and counts the sides that err in silence.

    python -m calibration.edited [--json] [--samples sample_images] [--seed 1] [--kinds "panorama,turned"]

A side, width or height of a rectangle, errs in silence where it is off by more than three of its u and neither the card
nor the photo carries a flag that doubts it. Which flags doubt is said by `is_doubt`. All photos are rendered ones.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import zlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from calibration.edited.edits import EDITS, Edited, exif_of
from calibration.edited.samples import NAMES, Sample, read_sample
from cardmeasure.flags import FLAGS, Level
from cardmeasure.pipeline import measure_photo
from cardmeasure.results import Card, ShotResult
from cardmeasure.settings import Settings

SILENT_U = 3.0
NEAR_MM = 6.0
"""A measured piece whose middle lies so near a true one's is the same."""
NO_DOUBT = ("beside-another",)
"""Says how a card lies, and widens its u; it is no hint that something is wrong with the photo."""


def is_doubt(code: str) -> bool:
    """Whether a flag tells the user not to rely on a size."""
    return FLAGS[code].level is Level.DOUBT and code not in NO_DOUBT


@dataclass(frozen=True, kw_only=True)
class Side:
    """One side of a sized card: its error and u, mm, and whether its card or photo is doubted."""

    error_mm: float
    u_mm: float
    doubted: bool

    @property
    def errs(self) -> bool:
        """Whether it is off by more than its u allows."""
        return abs(self.error_mm) > SILENT_U * self.u_mm

    @property
    def silent(self) -> bool:
        """Whether it errs and nothing says so."""
        return self.errs and not self.doubted


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of one edited photo: its sides, the photo's flags, and its trouble."""

    sides: tuple[Side, ...]
    flags: tuple[str, ...]
    trouble: str | None


def measured(sample: Sample, edited: Edited, folder: Path) -> Outcome:
    """An edited photo, written, measured and compared with its truth."""
    path = folder / "edited.jpg"
    exif = exif_of(sample, edited).tobytes()
    Image.fromarray(edited.pixels).save(path, quality=edited.quality, exif=exif)
    shot = measure_photo(path, settings=Settings(print_profile=edited.print_profile))
    return Outcome(
        sides=tuple(_sides(sample, edited, shot)), flags=shot.flags, trouble=shot.trouble.code if shot.trouble else None
    )


def _sides(sample: Sample, edited: Edited, shot: ShotResult) -> list[Side]:
    doubted = any(is_doubt(code) for code in shot.flags)
    left = [card for card in shot.cards if card.is_sized and card.shape == "rectangle"]
    out: list[Side] = []
    for true in sample.truth["cards"]:
        if true["shape"] != "rectangle" or true["expect"] != "measured":
            continue
        middle = edited.moved(np.array(true["corners_px"], float)).mean(axis=0)
        near = NEAR_MM * sample.truth["px_per_mm"]
        found = min(left, key=lambda card: _away(card, middle), default=None)
        if found is None or _away(found, middle) > near:
            continue
        left.remove(found)
        also = doubted or any(is_doubt(code) for code in found.flags)
        out += _sides_of(found, true, doubted=also)
    return out


def _away(card: Card, middle: Any) -> float:
    return float(np.linalg.norm(np.mean(card.corners_px, axis=0) - middle))


def _sides_of(card: Card, true: dict[str, Any], *, doubted: bool) -> list[Side]:
    assert card.width_mm and card.height_mm and card.u_width_mm and card.u_height_mm
    return [
        Side(error_mm=card.width_mm - true["width_mm"], u_mm=card.u_width_mm, doubted=doubted),
        Side(error_mm=card.height_mm - true["height_mm"], u_mm=card.u_height_mm, doubted=doubted),
    ]


def summary(outcomes: list[Outcome]) -> dict[str, Any]:
    """The figures of one kind of edit."""
    sides = [side for one in outcomes for side in one.sides]
    silent = [side for side in sides if side.silent]
    errors = np.array([(side.error_mm, side.u_mm) for side in sides]).reshape(-1, 2)
    return {
        "photos": len(outcomes),
        "refused": sum(one.trouble is not None for one in outcomes),
        "sides": len(sides),
        "doubted": sum(side.doubted for side in sides),
        "erring": sum(side.errs for side in sides),
        "silent": len(silent),
        "worst_silent_mm": max((abs(side.error_mm) for side in silent), default=0.0),
        "median_u_mm": float(np.median(errors[:, 1])) if sides else None,
        "rms_mm": float(np.sqrt(np.mean(errors[:, 0] ** 2))) if sides else None,
        "error_over_u": float(np.sqrt(np.mean((errors[:, 0] / errors[:, 1]) ** 2))) if sides else None,
        "flags": dict(Counter(code for one in outcomes for code in one.flags if is_doubt(code))),
    }


def run(folder: Path, *, seed: int, kinds: tuple[str, ...], names: tuple[str, ...]) -> dict[str, dict[str, Any]]:
    """The figures of all kinds; each photo and kind has random numbers of its own."""
    found: dict[str, list[Outcome]] = {kind: [] for kind in kinds}
    with tempfile.TemporaryDirectory() as place:
        for name in names:
            sample = read_sample(folder, name)
            for kind in kinds:
                rng = np.random.default_rng([seed, zlib.crc32(name.encode()), zlib.crc32(kind.encode())])
                edited = EDITS[kind](sample, rng)
                if edited is not None:
                    found[kind].append(measured(sample, edited, Path(place)))
            print(name, file=sys.stderr)
    return {kind: summary(outcomes) for kind, outcomes in found.items()}


def table(figures: dict[str, dict[str, Any]]) -> str:
    """The figures for people."""
    lines = [f"{'kind':28}{'photos':>7}{'refused':>8}{'sides':>6}{'doubted':>8}{'erring':>7}{'silent':>7}"
             f"{'worst mm':>9}{'rms mm':>8}{'u mm':>7}{'err/u':>7}  doubts"]  # fmt: skip
    for kind, f in figures.items():
        rms, u, ratio = (math.nan if f[k] is None else f[k] for k in ("rms_mm", "median_u_mm", "error_over_u"))
        flags = ", ".join(f"{code} {count}" for code, count in f["flags"].items())
        lines.append(
            f"{kind:28}{f['photos']:7}{f['refused']:8}{f['sides']:6}{f['doubted']:8}{f['erring']:7}{f['silent']:7}"
            f"{f['worst_silent_mm']:9.3f}{rms:8.3f}{u:7.3f}{ratio:7.2f}  {flags}"
        )
    sides, silent = (sum(f[key] for f in figures.values()) for key in ("sides", "silent"))
    return "\n".join([*lines, f"in all: {silent} of {sides} sides err in silence"])


def main() -> None:
    """Measure, and print the figures."""
    parser = argparse.ArgumentParser(prog="python -m calibration.edited", description=__doc__)
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument("--samples", type=Path, default=Path(__file__).parents[2] / "sample_images")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", default=",".join(EDITS).replace(", ", "; "), help="some kinds only, ';' for ', '")
    parser.add_argument("--photos", default="", help="only samples whose names hold one of these, by commas")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    kinds = tuple(kind.strip().replace("; ", ", ") for kind in args.kinds.split(","))
    names = tuple(name for name in NAMES if any(part in name for part in args.photos.split(",")))
    figures = run(args.samples, seed=args.seed, kinds=kinds, names=names)
    print(json.dumps(figures, indent=1) if args.json else table(figures))


if __name__ == "__main__":
    main()
