"""The channels in which a photo keeps its colours: brightness at every pixel, colour at every other one.

JPEG, HEIC and their like store display values as a luma and two colour differences (ITU-R BT.601, T.871) and mostly
halve the latter ("4:2:0"): a decoded edge is then blurred more in colour than in brightness, and two colours that meet
there overshoot each other. Edges are therefore fitted in brightness and in that difference of colours in which face
and table differ most. Near an edge both are combinations of linear light, with the slope of the display curve at the
level between face and table.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

LUMA_BGR = np.array([0.114, 0.587, 0.299])
"""Shares of blue, green and red in luma (ITU-R BT.601)."""
HALVED_PX, FILTERED_PX = 1.0, 0.5
"""Blur of colour beyond that of brightness. By halving it and smoothing it out again: variances of 1/4 px^2 for the
mean of two pixels, 3/4 for interpolation between neighbours by 3 : 1. And where colour is kept in full: a sensor's
filter lets each pixel see one colour only (common practice, no source for the figure)."""
MISFIT, MISFIT_COMMON = 0.007, (0.004, 0.04)
"""Of luma and colour. Colour is told from brightness to first order only, and lenses shift it."""
DISPLAY_EXPONENT = 1 / 2.4
"""Of the sRGB curve (IEC 61966-2-1), but for its straight beginning."""
LEAST_LEVEL, LEAST_PARTING = 0.004, 1e-6


@dataclass(frozen=True, kw_only=True, eq=False)
class Channels:
    """Channels of n sides: mix (n, c, 3), by which they are made of BGR light; softness_px, the blur that all but the
    first have beyond that; misfit, misfit_common (c), what no model of an edge explains: shares of the range of a
    channel, and of the largest range of all."""

    mix: Floats
    softness_px: float
    misfit: float
    misfit_common: tuple[float, ...]

    @property
    def count(self) -> int:
        """Number of channels, c."""
        return int(self.mix.shape[1])

    def rows(self, index: NDArray[np.intp]) -> Channels:
        """Those of some sides."""
        return replace(self, mix=self.mix[index])

    def of(self, light: Floats) -> Floats:
        """BGR light (n, b, 3) in the channels, (n, b, c)."""
        return np.asarray(light @ self.mix.transpose(0, 2, 1).astype(light.dtype))

    @property
    def rough(self) -> Channels:
        """The first alone, for a first look in less time."""
        return replace(self, mix=self.mix[:, :1], softness_px=0.0, misfit_common=self.misfit_common[:1])


def plain_channels(n: int) -> Channels:
    """Blue, green and red themselves, of n sides."""
    return Channels(mix=np.tile(np.eye(3), (n, 1, 1)), softness_px=0.0, misfit=0.012, misfit_common=(0.004,) * 3)


def channels_for(face: Floats, table: Floats, *, colour_halved: bool | None) -> Channels:
    """The channels for sides between face and table (n, 3); None: plain ones, as light has no colours there."""
    if colour_halved is None:
        return plain_channels(len(face))
    return luma_channels(face, table, colour_halved=colour_halved)


def luma_channels(face: Floats, table: Floats, *, colour_halved: bool) -> Channels:
    """Luma, and the difference from it that parts face and table (n, 3) most, about the level between them."""
    slope = np.maximum((face + table) / 2, LEAST_LEVEL) ** (DISPLAY_EXPONENT - 1)
    luma = LUMA_BGR * slope
    differences = np.eye(3)[[0, 2]] - luma[:, None] / slope[:, [0, 2], None]
    parting = (differences @ (table - face)[..., None])[..., 0]
    parting += LEAST_PARTING * (np.abs(parting).max(axis=1, keepdims=True) == 0)
    parting /= np.linalg.norm(parting, axis=1, keepdims=True)
    mix = np.stack([luma / luma.sum(axis=1, keepdims=True), (parting[:, None] @ differences)[:, 0]], axis=1)
    softness = HALVED_PX if colour_halved else FILTERED_PX
    return Channels(mix=mix, softness_px=softness, misfit=MISFIT, misfit_common=MISFIT_COMMON)
