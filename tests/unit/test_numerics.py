"""Small numerical functions against their models."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from numpy.typing import NDArray

from cardmeasure.numerics import lengths, median, medians, percentile


@given(values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40))
def test_the_median_is_that_of_numpy(values: list[float]) -> None:
    assert median(np.array(values)) == np.median(values)


@given(columns=arrays(np.float64, st.tuples(st.integers(1, 9), st.integers(1, 3)), elements=st.floats(-1e6, 1e6)))
def test_medians_of_columns_are_those_of_numpy(columns: NDArray[np.float64]) -> None:
    np.testing.assert_array_equal(medians(columns), np.median(columns, axis=0))


@given(values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40), percent=st.floats(0, 100))
def test_percentiles_are_those_of_numpy(values: list[float], percent: float) -> None:
    assert percentile(np.array(values), percent) == pytest.approx(np.percentile(values, percent), rel=1e-12, abs=1e-9)


@given(vectors=arrays(np.float64, array_shapes(min_dims=1, max_dims=3, max_side=4), elements=st.floats(-1e3, 1e3)))
def test_lengths_are_those_of_numpy(vectors: NDArray[np.float64]) -> None:
    np.testing.assert_allclose(lengths(vectors), np.linalg.norm(vectors, axis=-1), rtol=1e-12, atol=1e-150)
