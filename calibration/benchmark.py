"""Speed and memory of the whole pipeline: `python -m calibration.benchmark [--json] [PHOTO...]`.

Times are given as ratios to `cv2.imread` of the same photo in the same run, so that they say the same on any machine.
Without photos named it takes the 12-megapixel JPEGs of `sample_images` that show at least eight cards.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import statistics
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from multiprocessing.pool import Pool
from pathlib import Path
from typing import Any
from unittest.mock import patch

ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
os.environ.update(ONE_THREAD)  # read once, when numpy is imported

import cv2  # noqa: E402

import cardmeasure.thickness.solving as thickness_solving  # noqa: E402
from cardmeasure import pipeline, solving  # noqa: E402
from cardmeasure.pipeline import measure_photo  # noqa: E402

SAMPLES = Path(__file__).parent.parent / "sample_images"
FEWEST_CARDS = 8
MEGAPIXELS = (11.5, 12.6)
REPEATS = 7
TASKS = 8
"""At least so many photos a round, when one process is compared with two."""
ROUNDS = 3
TOTAL = "total"
STAGES = {
    "read": (pipeline, "read_photo"),
    "find_reference": (pipeline, "find_squares"),
    "solve_reference": (pipeline, "solve_reference"),
    "find_pieces": (pipeline, "find_pieces"),
    "solve": (thickness_solving, "solve"),
    "locate": (solving, "located_quads"),
    "edges": (solving, "measure_edges"),
    "adjustment": (solving, "adjust"),
    "shapes": (thickness_solving, "odd_shapes"),
    "radii": (thickness_solving, "corners_of_cards"),
    "sizing": (thickness_solving, "sized_cards"),
}
"""The stages by the names under which their callers know them; one within another is reported as `outer.inner`."""

Seconds = dict[str, list[float]]


@dataclass(frozen=True, kw_only=True)
class Figures:
    """What the benchmark finds: times over that of decoding, wall time of one process over that of two, and memory."""

    ratio_to_decode: float
    speedup_two_processes: float
    peak_mb: float
    stages: dict[str, float]


class StageClock:
    """Collects the processor time of the stages while a photo is measured."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self._within: list[str] = []

    @contextmanager
    def running(self) -> Iterator[None]:
        """Within the block the stages of the pipeline are timed."""
        with ExitStack() as stack:
            for name, (module, function) in STAGES.items():
                stack.enter_context(patch.object(module, function, self._timed(name, getattr(module, function))))
            yield

    def _timed(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def timed(*args: object, **keywords: object) -> object:
            self._within.append(name)
            start = time.process_time()
            try:
                return function(*args, **keywords)
            finally:
                self.seconds[".".join(self._within)] += time.process_time() - start
                self._within.pop()

        return timed


def sample_photos(folder: Path) -> list[Path]:
    """JPEGs of 12 megapixels in a folder, the truth beside which names at least eight cards."""
    photos = []
    for truth in sorted(folder.rglob("*.truth.json")):
        content = json.loads(truth.read_text(encoding="utf-8"))
        photo = truth.with_name(content["photo"])
        if photo.suffix.lower() in (".jpg", ".jpeg") and len(content["cards"]) >= FEWEST_CARDS and _is_12_mp(photo):
            photos.append(photo)
    return photos


def _is_12_mp(photo: Path) -> bool:
    pixels = cv2.imread(str(photo), cv2.IMREAD_REDUCED_GRAYSCALE_8)
    return pixels is not None and MEGAPIXELS[0] < pixels.size * 64 / 1e6 < MEGAPIXELS[1]


def benchmark(photos: Sequence[Path]) -> Figures:
    """All figures over some photos, of which there must be one at least."""
    peak_mb = peak_memory_mb(photos)
    ratios = [ratios_to_decode(photo) for photo in photos]
    names = {name for one in ratios for name in one}
    medians = {name: statistics.median(one.get(name, 0.0) for one in ratios) for name in names}
    order = sorted(names - {TOTAL}, key=lambda name: [list(STAGES).index(part) for part in name.split(".")])
    return Figures(
        ratio_to_decode=round(medians[TOTAL], 3),
        speedup_two_processes=round(speedup_of_two_processes(photos), 3),
        peak_mb=round(peak_mb, 1),
        stages={name: round(medians[name], 4) for name in order},
    )


def ratios_to_decode(photo: Path) -> dict[str, float]:
    """Median processor time of the whole pipeline and of each stage over that of decoding; one thread, warm."""
    cv2.setNumThreads(1)
    decode: list[float] = []
    stages: Seconds = defaultdict(list)
    measure_photo(photo)
    for _ in range(REPEATS):  # in turns, so that whatever else the machine does slows both
        start = time.process_time()
        cv2.imread(str(photo))
        decode.append(time.process_time() - start)
        clock = StageClock()
        with clock.running():
            start = time.process_time()
            measure_photo(photo)
            stages[TOTAL].append(time.process_time() - start)
        for name, seconds in clock.seconds.items():
            stages[name].append(seconds)
    unit = statistics.median(decode)
    return {name: statistics.median(seconds) / unit for name, seconds in stages.items()}


def speedup_of_two_processes(photos: Sequence[Path]) -> float:
    """Wall time in which one process measures some photos over that in which two share them."""
    tasks = [str(photo) for photo in photos] * -(-TASKS // len(photos))
    spawn = multiprocessing.get_context("spawn")
    with spawn.Pool(1, initializer=_start_worker) as one, spawn.Pool(2, initializer=_start_worker) as two:
        for pool in (one, two):
            _wall_seconds(pool, tasks)
        pairs = [(_wall_seconds(one, tasks), _wall_seconds(two, tasks)) for _ in range(ROUNDS)]
    return statistics.median(single / double for single, double in pairs)


def _wall_seconds(pool: Pool, tasks: Sequence[str]) -> float:
    start = time.perf_counter()
    pool.map(_measure, tasks, chunksize=1)
    return time.perf_counter() - start


def _start_worker() -> None:
    cv2.setNumThreads(1)


def _measure(photo: str) -> str:
    return measure_photo(Path(photo)).status


_WORKER = """
import resource, sys
import cv2
from cardmeasure.pipeline import measure_photo
cv2.setNumThreads(1)
for photo in sys.argv[1:]:
    measure_photo(photo)
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(peak / (1e6 if sys.platform == "darwin" else 1e6 / 1024))
"""


def peak_memory_mb(photos: Sequence[Path]) -> float:
    """Peak resident memory of a fresh process that measures some photos one after the other, imports included.

    To be asked before this process itself has held photos: a child's peak starts at its parent's.
    """
    command = [sys.executable, "-c", _WORKER, *(str(photo.resolve()) for photo in photos)]
    root = str(Path(__file__).parent.parent)
    environment = {**os.environ, **ONE_THREAD, "PYTHONPATH": os.pathsep.join([root, os.environ.get("PYTHONPATH", "")])}
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment)
    return float(done.stdout)


def _table(figures: Figures) -> str:
    rows = [("whole photo, over cv2.imread", f"{figures.ratio_to_decode:.2f}")]
    rows += [(f"  {name}", f"{ratio:.3f}") for name, ratio in figures.stages.items()]
    rows += [
        ("speed-up with two processes", f"{figures.speedup_two_processes:.2f}"),
        ("peak memory of a process, MB", f"{figures.peak_mb:.0f}"),
    ]
    return "\n".join(f"{name:<34}{value:>8}" for name, value in rows)


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line; returns its exit code."""
    parser = argparse.ArgumentParser(prog="python -m calibration.benchmark", description="Speed and memory.")
    parser.add_argument("photos", nargs="*", type=Path, metavar="PHOTO", help="by default those of sample_images")
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    options = parser.parse_args(arguments)
    photos = options.photos or sample_photos(SAMPLES)
    if not photos:
        parser.error(f"sample_images holds no 12-megapixel JPEG with {FEWEST_CARDS} cards; name a PHOTO to measure.")
    for photo in photos:
        if cv2.imread(str(photo), cv2.IMREAD_REDUCED_GRAYSCALE_8) is None:
            parser.error(f"{photo} cannot be decoded; name a JPEG.")
    figures = benchmark(photos)
    print(json.dumps(asdict(figures)) if options.json else _table(figures))
    return 0


if __name__ == "__main__":
    sys.exit(main())
