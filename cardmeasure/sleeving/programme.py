"""Integer programmes on HiGHS, by way of SciPy: whole numbers in, whole numbers out, and how sure the optimum is.

Coefficients are whole numbers, so an answer can be checked exactly, and objectives can be ranked: the second is
minimised among all optima of the first.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

Terms = Mapping[int, int]
"""Coefficients by variable."""


@dataclass(frozen=True, kw_only=True)
class Bounded:
    """A linear constraint: low <= sum of terms <= high; None: no limit."""

    terms: Terms
    low: int | None = None
    high: int | None = None


@dataclass
class Programme:
    """Variables (whole numbers from 0 to their upper limit) and constraints; built up step by step."""

    upper: list[int] = field(default_factory=list)
    constraints: list[Bounded] = field(default_factory=list)

    def variable(self, upper: int = 1) -> int:
        """A new variable from 0 to `upper`; its index."""
        self.upper.append(upper)
        return len(self.upper) - 1

    def bound(self, terms: Terms, *, low: int | None = None, high: int | None = None) -> None:
        """A new constraint."""
        self.constraints.append(Bounded(terms=dict(terms), low=low, high=high))


@dataclass(frozen=True, kw_only=True)
class Solution:
    """An answer: values of the variables, and for each objective its value and a proven lower bound."""

    values: tuple[int, ...]
    objectives: tuple[int, ...]
    bounds: tuple[float, ...]

    @property
    def is_proven(self) -> bool:
        """Whether each objective is proven to be the least possible."""
        return all(bound > value - 1 + 1e-6 for value, bound in zip(self.objectives, self.bounds, strict=True))

    @property
    def gap(self) -> float:
        """What the first objective may be above the least possible, over its value; 0 where proven."""
        value, bound = self.objectives[0], self.bounds[0]
        return 0.0 if bound > value - 1 + 1e-6 else (value - bound) / max(abs(value), 1)


def solve(
    programme: Programme, objectives: Sequence[Terms], *, seconds: float = 5.0, start_value: int | None = None
) -> Solution | None:
    """The answer that minimises the objectives in their order, or None where there is none or none was found in time.

    Parameters
    ----------
    objectives : at least one; each is minimised among the optima of those before it.
    seconds : time allowed for the first; each further one gets a quarter of it.
    start_value : the first objective's value in an answer known beforehand: none that is larger is looked for.
    """
    if not programme.upper:
        nothing = (0,) * len(objectives)
        return (
            Solution(values=(), objectives=nothing, bounds=tuple(map(float, nothing))) if holds(programme, ()) else None
        )
    fixed: list[Bounded] = [] if start_value is None else [Bounded(terms=objectives[0], high=start_value)]
    best: tuple[int, ...] | None = None
    values: list[int] = []
    bounds: list[float] = []
    for rank, terms in enumerate(objectives):
        found = _minimised(programme, terms, extra=fixed, seconds=seconds if rank == 0 else seconds / 4)
        if found is None and best is None:
            return None
        if found is None:
            value, bound = _value(terms, best or ()), float("-inf")
        else:
            best, bound = found
            value = _value(terms, best)
        values.append(value)
        bounds.append(bound)
        fixed = [*(fixed if start_value is None or rank > 0 else []), Bounded(terms=terms, high=value)]
        if bound <= value - 1 + 1e-6:
            break  # what comes after an unproven optimum would be ranked among the wrong plans
    assert best is not None
    return Solution(
        values=best, objectives=tuple(_value(t, best) for t in objectives[: len(bounds)]), bounds=tuple(bounds)
    )


def relaxed_bound(programme: Programme, terms: Terms) -> float:
    """The least value of an objective where variables need not be whole: a bound that no answer beats."""
    result = _run(programme, terms, extra=(), seconds=60.0, is_whole=False)
    return float(result.fun) if result.x is not None else float("inf")


def holds(programme: Programme, values: Sequence[int]) -> bool:
    """Whether whole values meet all limits and constraints, in whole numbers throughout."""
    if any(not 0 <= value <= upper for value, upper in zip(values, programme.upper, strict=True)):
        return False
    sums = ((_value(c.terms, values), c) for c in programme.constraints)
    return all((c.low is None or s >= c.low) and (c.high is None or s <= c.high) for s, c in sums)


def _value(terms: Terms, values: Sequence[int]) -> int:
    return sum(factor * values[i] for i, factor in terms.items())


def _minimised(
    programme: Programme, terms: Terms, *, extra: Sequence[Bounded], seconds: float
) -> tuple[tuple[int, ...], float] | None:
    result = _run(programme, terms, extra=extra, seconds=seconds, is_whole=True)
    if result.x is None:
        return None
    values = tuple(int(value) for value in np.rint(result.x))
    if not holds(programme, values):
        return None
    bound = result.mip_dual_bound
    return values, float("-inf") if bound is None else float(bound)


def _run(programme: Programme, terms: Terms, *, extra: Sequence[Bounded], seconds: float, is_whole: bool):  # type: ignore[no-untyped-def]
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    rows = [*programme.constraints, *extra]
    entries = [(r, i, factor) for r, row in enumerate(rows) for i, factor in row.terms.items()]
    n = len(programme.upper)
    constraints = []
    if rows:
        at = np.array([entry[:2] for entry in entries], dtype=int).reshape(-1, 2)
        matrix = csr_array(([float(e[2]) for e in entries], (at[:, 0], at[:, 1])), shape=(len(rows), n))
        low = [-np.inf if row.low is None else row.low for row in rows]
        high = [np.inf if row.high is None else row.high for row in rows]
        constraints = [LinearConstraint(matrix, low, high)]
    cost = np.zeros(n)
    for i, factor in terms.items():
        cost[i] = factor
    with _silent_library():
        return milp(
            cost,
            integrality=np.full(n, int(is_whole)),
            bounds=Bounds(0, np.array(programme.upper, dtype=float)),
            constraints=constraints,
            options={"time_limit": seconds, "mip_rel_gap": 0.0},
        )


@contextmanager
def _silent_library() -> Iterator[None]:
    """Keeps the solver's own rare lines, which no option turns off, from the process's output."""
    try:
        sys.stdout.flush()
        kept = os.dup(1)
    except (OSError, ValueError):  # there is no output to protect
        yield
        return
    try:
        with Path(os.devnull).open("wb") as nowhere:
            os.dup2(nowhere.fileno(), 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
