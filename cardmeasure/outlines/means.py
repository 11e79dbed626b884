"""Means over a small window of a picture of logarithms, some rows or some pixels at a time.

A whole picture in floating point costs more to get from the system's memory than to work out: a few rows stay in the
processor's cache.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from cardmeasure import kernels
from cardmeasure.photo.colour import looked_up

Floats = NDArray[np.float32]
Codes = NDArray[np.uint8 | np.uint16]
Ints = NDArray[np.integer[Any]]

STRIP = 48
"""Rows that are worked on at a time."""


class Means(Protocol):
    """A picture (h, w, 3) of means."""

    @property
    def shape(self) -> tuple[int, int]:
        """Its height and width."""
        ...

    def rows(self, first: int, end: int) -> Floats:
        """Some of its rows, (n, w, 3)."""
        ...

    def at(self, y: Ints, x: Ints) -> Floats:
        """Some of its pixels, (n, 3)."""
        ...


@dataclass(frozen=True, kw_only=True, eq=False)
class MeansOfPicture:
    """Those of a small picture (h, w, 3), which are made at once."""

    picture: Floats

    @staticmethod
    def of(log: Floats, window_px: int) -> MeansOfPicture:
        """From the picture of logarithms itself."""
        return MeansOfPicture(picture=np.asarray(cv2.blur(log, (window_px, window_px))))

    @property
    def shape(self) -> tuple[int, int]:
        """Its height and width."""
        return self.picture.shape[0], self.picture.shape[1]

    def rows(self, first: int, end: int) -> Floats:
        """Some of its rows, (n, w, 3)."""
        return self.picture[first:end]

    def at(self, y: Ints, x: Ints) -> Floats:
        """Some of its pixels, (n, 3)."""
        return self.picture[y, x]


@dataclass(frozen=True, kw_only=True, eq=False)
class MeansOfCodes:
    """Those of a picture in code values (h, w, 3), which are looked up in a table (256,) or (65536,) when asked for."""

    codes: Codes
    table: Floats
    window_px: int

    @property
    def shape(self) -> tuple[int, int]:
        """Its height and width."""
        return self.codes.shape[0], self.codes.shape[1]

    def rows(self, first: int, end: int) -> Floats:
        """Some of its rows, (n, w, 3)."""
        half = self.window_px // 2
        above = max(first - half, 0)
        log = looked_up(self.table, self.codes[above : end + half])
        mean = np.asarray(cv2.blur(log, (self.window_px, self.window_px)), np.float32)
        return mean[first - above : end - above]

    def at(self, y: Ints, x: Ints) -> Floats:
        """Some of its pixels, (n, 3)."""
        step = np.arange(self.window_px) - self.window_px // 2
        rows, columns = (_mirrored(at[:, None] + step, size) for at, size in zip((y, x), self.shape, strict=True))
        places = rows[:, :, None] * self.shape[1] + columns[:, None]
        codes = self.codes.reshape(-1, 3).take(places.reshape(len(y), -1), axis=0)
        return np.asarray(self.table.take(codes).mean(axis=1))


def strips(height: int) -> Iterator[tuple[int, int]]:
    """First row and end of each strip of a picture."""
    for first in range(0, height, STRIP):
        yield first, min(first + STRIP, height)


def halved_log(codes: Codes, table: Floats) -> Floats:
    """Means of the logarithms of a picture (h, w, 3) over 2 x 2 pixels; of odd numbers the last ones are left out."""
    height, width = (size // 2 * 2 for size in codes.shape[:2])
    even = codes[:height, :width]
    half = np.empty((height // 2, width // 2, 3), np.float32)
    if kernels.compiled is not None and codes.dtype == np.uint8:
        kernels.compiled.halved((height, width), np.ascontiguousarray(even), kernels.singles(table), half)
        return half
    for first, end in strips(height):
        part = half[first // 2 : end // 2]
        cv2.resize(looked_up(table, even[first:end]), part.shape[1::-1], part, interpolation=cv2.INTER_AREA)
    return half


def _mirrored(at: Ints, size: int) -> Ints:
    """Places beyond the ends of an axis mirrored at its first and last pixel, as OpenCV's filters do."""
    back = np.abs(at)
    return np.where(back >= size, 2 * (size - 1) - back, back)
