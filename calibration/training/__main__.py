"""`python -m calibration.training --out FOLDER`: learn the map anew."""

from __future__ import annotations

import argparse
from pathlib import Path

from calibration.training.learning import Plan, learned


def main() -> None:
    """Learn as asked for, and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=1500.0)
    parser.add_argument("--processes", type=int, default=14)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--most-views", type=int, default=60_000)
    parser.add_argument("--start", default=None, help="weights to go on from")
    parser.add_argument("--pictures", default=None, help="a file of pictures, where scikit-image is not at hand")
    given = parser.parse_args()
    plan = Plan(
        seconds=given.seconds, processes=given.processes, batch=given.batch, rate=given.rate,
        first_seed=given.first_seed, most_views=given.most_views, start=given.start, pictures=given.pictures,
    )  # fmt: skip
    figures = learned(plan, given.out)
    print({key: value for key, value in figures.items() if key != "history"})


if __name__ == "__main__":
    main()
