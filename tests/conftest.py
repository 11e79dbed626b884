"""For all tests: one thread for linear algebra, its matrices being small and several processes share the cores."""

from __future__ import annotations

import os

import hypothesis

# before anything imports numpy, which reads it once
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# A slow machine is no failure: what is measured here is right or wrong, never fast. And what CI says of a state of the
# code can be repeated; elsewhere each run tries other examples.
hypothesis.settings.register_profile("unhurried", deadline=None, derandomize="CI" in os.environ)
hypothesis.settings.load_profile("unhurried")
