"""Inner loops in C, for a package that was built where a C compiler was at hand; everything works without, only slower.

The extension is a module of its own beside the package, so that a checkout finds the one that was installed. What each
kernel does stands in numpy where it is called; tests hold both equal.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

INTERFACE = 11
"""Of the extension that this package fits; another build is left alone."""
MOST_BINS = 504
"""A longer profile has no room in the kernels."""
MOST_PIXELS = 2040
"""Of a patch around a crossing."""
MOST_RAYS = 1024
"""Of a search for the nearest change of a size class."""


def _loaded() -> Any:
    try:
        module = import_module("cardmeasure_kernels")
    except ImportError:
        return None
    return module if getattr(module, "INTERFACE", None) == INTERFACE else None


compiled: Any = _loaded()
"""The extension, or None where there is none."""


def singles(values: NDArray[Any]) -> NDArray[np.float32]:
    """Contiguous, in single precision."""
    return np.ascontiguousarray(values, np.float32)


def doubles(values: NDArray[Any]) -> NDArray[np.float64]:
    """Contiguous, in double precision."""
    return np.ascontiguousarray(values, np.float64)
