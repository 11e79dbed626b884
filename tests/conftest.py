"""For all tests: one thread for linear algebra, its matrices being small and several processes share the cores."""

from __future__ import annotations

import os

# before anything imports numpy, which reads it once
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
