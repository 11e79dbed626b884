"""Typed door to numba's compiler, so that every kernel is compiled alike and kept on disk."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

F = TypeVar("F", bound=Callable[..., Any])


def _keep_kernels_by_source() -> None:
    # A kernel holds the code of the kernels it calls, and numba compares each file with its own kernels only: so the
    # place where they are kept is named after all sources that hold kernels together.
    here = Path(__file__).parent
    sources = [path.read_bytes() for path in sorted(here.glob("*.py"))]
    source = b"".join(text for text in sources if b"@compiled" in text) + Path(__file__).read_bytes()
    config: Any = numba.config
    config.CACHE_DIR = str(here / "__pycache__" / f"kernels-{hashlib.sha256(source).hexdigest()[:16]}")


_keep_kernels_by_source()


def compiled(function: F) -> F:
    """`function` compiled to machine code at its first call; it runs without the interpreter's lock.

    It must not make arrays: without numba's runtime no references are counted, and records of many arrays are handed
    down without being copied where calls are inlined; both are several times as fast.
    """
    return _compile(function, inline=True)


def compiled_apart(function: F) -> F:
    """Like `compiled`, but not copied into its callers: for what is long, called from several places, or rare."""
    return _compile(function, inline=False)


def _compile(function: F, *, inline: bool) -> F:
    options: dict[str, Any] = {
        "cache": True,
        "nogil": True,
        "_nrt": False,
        "forceinline": inline,
        "error_model": "numpy",
    }
    options["fastmath"] = {"contract", "arcp"}
    return cast(F, numba.njit(**options)(function))


def over_rows(rows: int, work: Callable[[int, int], None]) -> None:
    """Calls `work(first, last)` for bands of rows on all cores; `work` must spend its time in compiled code."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    band = max(1, min(64, -(-rows // (4 * cores))))
    with ThreadPoolExecutor(cores) as pool:
        list(pool.map(lambda first: work(first, min(first + band, rows)), range(0, rows, band)))
