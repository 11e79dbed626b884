"""Runs of shots of one phone and one print: their sizes measured one by one, and solved again together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.rig.phone_scenes import RUNS, run_of
from calibration.study.bootstrap import Interval, ratio_interval
from calibration.study.figures import COVERAGE_K
from calibration.study.measuring import Measured, found_pieces
from calibration.study.records import Findings, ShotScore
from calibration.study.report import number, table, with_interval
from calibration.study.scoring import score_shot
from calibration.study.targets import Target
from cardmeasure.batch.resolving import FLAG, resolved
from cardmeasure.classes import standard_classes

Floats = NDArray[np.float64]

KNOWN_OF_THE_PRINT = {"run-entered": "bars read", "run-assumed": "nothing"}
LEVEL = 0.95
MOST_ERROR_OVER_U = 1.1
INTRODUCTION = """\
Runs of five photos of one phone and one print at 3 megapixels, lens and focus moving a little from shot to shot; cards,
their places, tilt and light are each photo's own. Measured one by one, and the same photos with `--together`. *cards*:
those to be measured and, behind, missed and false; *u*: the mean; *less scale*: RMS of what is left of the errors when
one scale for each run, the one that fits best, is taken out; in brackets the 95 % interval, bootstrapped by run.
No photo knows how long a millimetre is: where nothing is known of the print, errors are mostly those of a few prints,
and error/u depends on these. The other tables leave these photos out, for those of a run share their errors.
"""
HEAD = ("known of the print", "way", "photos", "cards", "RMS", "worst", "less scale", "u", "error/u",
        "within 95 %")  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class RunScore:
    """A shot of a run: its score alone, and as the run solved together has it (None: it was not solved again).

    `sizes_mm`: true width and height of each card that has a size.
    """

    group: str
    run: int
    sizes_mm: tuple[float, ...]
    alone: ShotScore
    together: ShotScore | None


@dataclass(frozen=True, kw_only=True)
class Gain:
    """Figures of some shots of runs, of both ways over the same sizes, each pair (one by one, together), lengths in mm.

    `solved`: shots that were solved again; the others count together as they are. `less_scale_mm`: RMS error, the scale
    that fits each run best taken out. `rms_ratio`: with its interval.
    """

    shots: int
    solved: int
    cards: int
    missed: int
    false: int
    sizes: int
    rms_mm: tuple[float, float]
    worst_mm: tuple[float, float]
    less_scale_mm: tuple[float, float]
    mean_u_mm: tuple[float, float]
    error_over_u: tuple[float, float]
    coverage95: tuple[float, float]
    rms_ratio: float
    rms_ratio_interval: Interval | None


def without_runs(measured: Sequence[Measured]) -> list[Measured]:
    """The shots that have nothing in common with others."""
    return [one for one in measured if one.shot.group not in RUNS]


def run_scores(measured: Sequence[Measured]) -> list[RunScore]:
    """The scores of all shots of runs. They are solved again as one folder, so that runs must be told apart, too."""
    shots = [one for one in measured if one.shot.group in RUNS]
    kept = [(i, one.of_run) for i, one in enumerate(shots) if one.of_run is not None]
    found = resolved(
        [of_run.result for _, of_run in kept],
        observations={at: of_run.observations for at, (_, of_run) in enumerate(kept)},
        classes=standard_classes(),
    )
    again = {i: found_pieces(result) for (i, _), result in zip(kept, found, strict=True) if FLAG in result.flags}
    return [_score(one, again.get(i)) for i, one in enumerate(shots)]


def _score(one: Measured, again: Findings | None) -> RunScore:
    name, group = one.shot.name, one.shot.group
    alone, cards = score_shot(name, one.truth, one.ours, group=group), one.truth["cards"]
    return RunScore(
        group=group,
        run=run_of(one.shot.seed)[0],
        sizes_mm=tuple(cards[c.number][key] for c in alone.cards if c.sides for key in ("width_mm", "height_mm")),
        alone=alone,
        together=score_shot(name, one.truth, again, group=group) if again else None,
    )


def gain_of(scores: Sequence[RunScore]) -> Gain | None:
    """The figures; None where nothing has a size."""
    alone, together = [s.alone for s in scores], [s.together or s.alone for s in scores]
    (error, u), (error_2, u_2) = _sizes(alone), _sizes(together)
    if not len(error):
        return None
    rms = _rms(error), _rms(error_2)
    cards = [card for shot in alone for card in shot.cards]
    return Gain(
        shots=len(scores),
        solved=sum(s.together is not None for s in scores),
        cards=len(cards),
        missed=sum(card.missed is not None for card in cards),
        false=sum(len(shot.false) for shot in alone),
        sizes=len(error),
        rms_mm=rms,
        worst_mm=(float(np.abs(error).max()), float(np.abs(error_2).max())),
        less_scale_mm=(_rms_less_scale(scores, error), _rms_less_scale(scores, error_2)),
        mean_u_mm=(float(u.mean()), float(u_2.mean())),
        error_over_u=(_rms(error / u), _rms(error_2 / u_2)),
        coverage95=(_inside(error / u), _inside(error_2 / u_2)),
        rms_ratio=rms[1] / rms[0],
        rms_ratio_interval=_of_ratio(scores, alone, together),
    )


def _of_ratio(scores: Sequence[RunScore], alone: list[ShotScore], together: list[ShotScore]) -> Interval | None:
    """Interval of the ratio of both RMS errors."""
    squares = np.array([[np.sum(_sizes([shot])[0] ** 2) for shot in shots] for shots in (alone, together)])
    runs = np.array([score.run for score in scores])
    by_run = np.array([squares[:, runs == run].sum(axis=1) for run in np.unique(runs)])
    mean = ratio_interval(by_run[:, 1], by_run[:, 0], level=LEVEL)
    return Interval(low=mean.low**0.5, high=mean.high**0.5) if mean else None


def _sizes(shots: Sequence[ShotScore]) -> tuple[Floats, Floats]:
    """Errors and u of all sizes."""
    sides = [side for shot in shots for card in shot.cards for side in card.sides if side.u_mm]
    return np.array([side.error_mm for side in sides]), np.array([side.u_mm for side in sides], float)


def _rms_less_scale(scores: Sequence[RunScore], error: Floats) -> float:
    """RMS of the errors when each run's part that grows with size, by least squares, is taken out."""
    size = np.array([size for score in scores for size in score.sizes_mm])
    runs = np.array([score.run for score in scores for _ in score.sizes_mm])
    left = error.copy()
    for run in np.unique(runs):
        mine = runs == run
        left[mine] -= size[mine] * (size[mine] @ error[mine]) / (size[mine] @ size[mine])
    return _rms(left)


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _inside(ratios: Floats) -> float:
    return float(np.mean(np.abs(ratios) <= COVERAGE_K))


def _gains(scores: Sequence[RunScore]) -> dict[str, Gain]:
    """By what is known of the print."""
    gains = {
        known: gain_of([score for score in scores if score.group == group])
        for group, known in KNOWN_OF_THE_PRINT.items()
    }
    return {known: gain for known, gain in gains.items() if gain}


def together_text(scores: Sequence[RunScore], *, heading: str = "Solved together") -> list[str]:
    """Heading, what is in the table, and the table; nothing where there are no such shots."""
    rows = [row for known, gain in _gains(scores).items() for row in _rows(known, gain)]
    return [heading, INTRODUCTION.rstrip("\n"), table(HEAD, rows)] if rows else []


def _rows(known: str, gain: Gain) -> list[tuple[str, ...]]:
    """One by one, together, the ratio of both."""
    cards = f"{gain.cards}, {gain.missed}, {gain.false}"
    columns = ((gain.rms_mm, ".4f"), (gain.worst_mm, ".3f"), (gain.less_scale_mm, ".4f"), (gain.mean_u_mm, ".4f"),
               (gain.error_over_u, ".2f"), (gain.coverage95, ".3f"))  # fmt: skip
    rows = [
        (known, way, str(photos), cards, *(number(pair[k], form) for pair, form in columns))
        for k, (way, photos) in enumerate((("one by one", gain.shots), ("together", gain.solved)))
    ]
    worst, less, u = (number(a and b / a, ".3f") for a, b in (gain.worst_mm, gain.less_scale_mm, gain.mean_u_mm))
    rms = with_interval(gain.rms_ratio, gain.rms_ratio_interval, ".3f")
    return [*rows, ("", "ratio", "", "", rms, worst, less, u, "", "")]


def together_targets(scores: Sequence[RunScore]) -> list[Target]:
    """That all runs are solved again, that this makes errors and u smaller, and that u stays as true as it was.

    Where nothing is known of the print, errors less the scale count, and error/u against that of the photos alone.
    """
    targets = []
    for known, g in _gains(scores).items():
        of, (u, u_2), (z, z_2), (a, b) = f"together, {known}", g.mean_u_mm, g.error_over_u, g.less_scale_mm
        is_known = known == KNOWN_OF_THE_PRINT["run-entered"]
        gain, most = (g.rms_ratio, MOST_ERROR_OVER_U) if is_known else (b / a, MOST_ERROR_OVER_U * z)
        name = "RMS" if is_known else "RMS less scale"
        solved = f"{g.solved} of {g.shots}"
        targets += [
            Target(name=f"{of}: photos solved again", asked="all", found=solved, met=g.solved == g.shots),
            Target(name=f"{of}: {name}, ratio", asked="< 1", found=f"{gain:.3f}", met=gain < 1),
            Target(name=f"{of}: u, ratio", asked="< 1", found=f"{u_2 / u:.3f}", met=u_2 < u),
            Target(name=f"{of}: error/u", asked=f"≤ {most:.2f}", found=f"{z_2:.2f}", met=z_2 <= most),
        ]
    return targets


def with_together(figures: dict[str, Any], scores: Sequence[RunScore]) -> dict[str, Any]:
    """The figures for machines, with those of the runs under `together`."""
    keys = ("shots", "solved", "cards", "missed", "false", "sizes", "rms_mm", "worst_mm", "less_scale_mm",
            "mean_u_mm", "error_over_u", "coverage95", "rms_ratio")  # fmt: skip
    gains = {group: gain_of([score for score in scores if score.group == group]) for group in RUNS}
    found = {group: {key: _rounded(getattr(gain, key)) for key in keys} for group, gain in gains.items() if gain}
    return figures | {"together": found} if found else figures


def _rounded(value: Any) -> Any:
    if isinstance(value, tuple):
        return {"alone": round(value[0], 5), "together": round(value[1], 5)}
    return round(value, 5) if isinstance(value, float) else value
