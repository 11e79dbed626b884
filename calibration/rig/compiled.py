"""Typed doors to numba's compiler, so that every kernel is compiled alike and cached on disk."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """`function` compiled to machine code at its first call; it runs without the interpreter's lock."""
    options = {"cache": True, "nogil": True, "error_model": "numpy", "fastmath": {"contract", "arcp"}}
    return cast(F, numba.njit(**options)(function))


def over_rows(rows: int, work: Callable[[int, int], None]) -> None:
    """Calls `work(first, last)` for bands of rows on all cores; `work` must spend its time in compiled code."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    band = max(1, min(64, -(-rows // (4 * cores))))
    with ThreadPoolExecutor(cores) as pool:
        list(pool.map(lambda first: work(first, min(first + band, rows)), range(0, rows, band)))
