"""Means of parts of a picture are those of the whole picture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cardmeasure.outlines.means import Codes, Floats, MeansOfCodes, MeansOfPicture, halved_log, strips

SIZES = [(50, 61), (49, 60), (24, 24), (73, 40)]


def _codes(height: int, width: int, *, deep: bool = False) -> tuple[Codes, Floats]:
    """A random picture and a table of logarithms."""
    rng = np.random.default_rng(height * width)
    levels = 65536 if deep else 256
    codes = rng.integers(0, levels, (height, width, 3)).astype(np.uint16 if deep else np.uint8)
    return codes, np.log(np.linspace(0, 1, levels) + 0.004).astype(np.float32)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("deep", [False, True])
@pytest.mark.parametrize("window_px", [3, 5])
def test_means_of_strips_are_the_whole_pictures_and_mirrored_at_its_rim(
    size: tuple[int, int], deep: bool, window_px: int
) -> None:
    codes, table = _codes(*size, deep=deep)
    whole = cv2.blur(table[codes], (window_px, window_px))
    means = MeansOfCodes(codes=codes, table=table, window_px=window_px)
    assert means.shape == size
    seen = np.concatenate([means.rows(first, end) for first, end in strips(size[0])])
    np.testing.assert_allclose(seen, whole, rtol=0, atol=2e-6)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10**6), size=st.sampled_from(SIZES), window_px=st.sampled_from([3, 5]))
def test_means_of_single_pixels_are_those_of_the_rows(seed: int, size: tuple[int, int], window_px: int) -> None:
    codes, table = _codes(*size)
    rng = np.random.default_rng(seed)
    y, x = (np.concatenate([[0, n - 1], rng.integers(0, n, 20)]) for n in size)
    means = MeansOfCodes(codes=codes, table=table, window_px=window_px)
    np.testing.assert_allclose(means.at(y, x), means.rows(0, size[0])[y, x], rtol=0, atol=2e-6)
    small = MeansOfPicture.of(table[codes], window_px)
    np.testing.assert_allclose(small.at(y, x), means.at(y, x), rtol=0, atol=2e-6)
    np.testing.assert_array_equal(small.rows(3, 9), small.picture[3:9])


@pytest.mark.parametrize("size", SIZES)
def test_half_a_picture_of_logarithms_holds_means_over_four_pixels(size: tuple[int, int]) -> None:
    codes, table = _codes(*size)
    height, width = size[0] // 2, size[1] // 2
    even = table[codes[: 2 * height, : 2 * width]]
    whole = even.reshape(height, 2, width, 2, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(halved_log(codes, table), whole, rtol=0, atol=2e-6)
