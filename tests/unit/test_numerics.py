"""Small numerical functions against their models."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.numerics import median


@given(values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40))
def test_the_median_is_that_of_numpy(values: list[float]) -> None:
    assert median(np.array(values)) == np.median(values)
