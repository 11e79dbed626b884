"""`python -m calibration.training.agreement FILE [OTHER]`: the map's probabilities on drawn views, by this OpenCV.

Writes them to a file, or says how far they are from those that another version of OpenCV wrote. Measured on 2026-12-01:
4.10.0 and 5.0.0 differ by 1.5e-5 at most.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np

MODEL = Path(__file__).parents[2] / "cardmeasure" / "detection" / "map.onnx"
SIZES = ((320, 416), (832, 640), (672, 896), (288, 416))


def main() -> None:
    """Write or compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("file", type=Path)
    parser.add_argument("other", type=Path, nargs="?", help="what another version wrote")
    given = parser.parse_args()
    network = cv2.dnn.readNetFromONNX(str(MODEL))
    parts = []
    for seed, (h, w) in enumerate(SIZES):
        noise = np.random.default_rng(seed).integers(0, 256, (h, w, 3), dtype=np.uint8)
        view = cv2.GaussianBlur(noise, (0, 0), 1.5 + seed)
        cv2.rectangle(view, (60, 50), (186, 226), (230, 235, 240), -1)
        network.setInput(cv2.dnn.blobFromImage(view, 4 / 255, mean=(127.5, 127.5, 127.5)))
        logits = network.forward()[0]
        likely = np.exp(logits - logits.max(axis=0))
        parts.append((likely / likely.sum(axis=0)).ravel())
    found = np.concatenate(parts)
    np.save(given.file, found)
    print(cv2.__version__, "" if given.other is None else float(np.abs(found - np.load(given.other)).max()))


if __name__ == "__main__":
    main()
