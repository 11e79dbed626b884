"""How far a results file is from the truth that stands beside rendered photos.

python -m calibration.against_truth RESULTS.json FOLDER
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

NEAR_PX = 40.0
"""A measured piece whose middle lies so near a true one's is the same."""


def errors(results: dict[str, Any], folder: Path) -> tuple[list[tuple[float, float]], dict[str, int]]:
    """Error and u of every side, mm, and counts of cards, of those missed, of false pieces and of right classes."""
    sides: list[tuple[float, float]] = []
    counts = {"cards": 0, "missed": 0, "false": 0, "class right": 0}
    for shot in results["shots"]:
        truth = json.loads((folder / shot["file"]).with_suffix(".truth.json").read_text(encoding="utf-8"))
        left = [card for card in shot["cards"] if card["width_mm"] is not None]
        for card in truth["cards"]:
            counts["cards"] += 1
            middle = np.mean(card["corners_px"], axis=0)
            found = [c for c in left if np.linalg.norm(np.mean(c["corners_px"], axis=0) - middle) < NEAR_PX]
            if not found:
                counts["missed"] += 1
                continue
            left.remove(found[0])
            counts["class right"] += found[0]["size_class"] == card["size_class"]
            sides += [(found[0][f"{s}_mm"] - card[f"{s}_mm"], found[0][f"u_{s}_mm"]) for s in ("width", "height")]
        counts["false"] += len(left)
    return sides, counts


def main(results: Path, folder: Path) -> None:
    """Print the figures."""
    sides, counts = errors(json.loads(results.read_text(encoding="utf-8")), folder)
    print(", ".join(f"{name} {count}" for name, count in counts.items()))
    if sides:
        error, u = np.array(sides).T
        inside = np.mean(np.abs(error) <= 2 * u)
        print(
            f"{len(error)} sides: mean error {error.mean():+.3f} mm, RMS {np.sqrt(np.mean(error**2)):.3f} mm, worst "
            f"{np.abs(error).max():.3f} mm, median u {np.median(u):.3f} mm"
        )
        print(
            f"error/u: RMS {np.sqrt(np.mean((error / u) ** 2)):.2f}, worst {np.abs(error / u).max():.1f}; "
            f"{100 * inside:.0f} % within 2 u"
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
