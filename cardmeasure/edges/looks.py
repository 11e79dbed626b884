"""How a side of a card looks across its edge: face, perhaps side wall, foot shadow, table, in three colours at once.

Light across a side is the face's level, then the wall's over the wall's width in the picture, then the table's: dimmed
as far as the card's shadow reaches from the foot of its wall, by the same share in all colours, then in full. All of it
is blurred by one Gaussian and sharpened as cameras do (a step less a wider step, "unsharp masking"). Where the border
is as bright as the shadow in one colour it differs in another, as a shadow has the table's colour: so all colours
share one place, and only the levels are their own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.numerics import normal_cdf_and_pdf

Floats = NDArray[np.floating[Any]]

PARAMETERS = 15
PLACE, BLUR, SHARPENING, SHADOW, SHADE, WIDTH = range(6)
"""Place of the face's edge, px outward; blur, px; sharpening; reach of the shadow from the foot, px; light left in it;
width of the wall, px, negative where the face hides it."""
FACE, WALL, TABLE = slice(6, 9), slice(9, 12), slice(12, 15)
"""Levels by colour."""
SOFTNESS = 0.3
"""Blur of the shadow's rim over its reach: a lamp is no point."""
SHARPENING_PX = 1.35
"""Blur that sharpening takes off, beside the photo's own."""


def expected_light_with_jacobian(distance_px: Floats, looks: Floats) -> tuple[Floats, Floats]:
    """Light (n, 3, b) and its derivatives (n, 15, 3, b)."""
    face, wall, table, by = _shares(distance_px, looks)
    n, b = distance_px.shape
    j = np.empty((n, PARAMETERS, 3, b), distance_px.dtype)
    levels = np.stack([looks[:, FACE], looks[:, WALL], looks[:, TABLE]], axis=2).astype(distance_px.dtype)
    # (n, 3 colours, 3 parts) times (n, 3 parts, 6 unknowns x b)
    j[:, :6] = (levels @ by.reshape(n, 3, 6 * b)).reshape(n, 3, 6, b).transpose(0, 2, 1, 3)
    j[:, 6:] = 0
    for k in range(3):
        j[:, FACE.start + k, k], j[:, WALL.start + k, k], j[:, TABLE.start + k, k] = face, wall, table
    return _light(looks, face, wall, table), j


def shares_with_slope(distance_px: Floats, looks: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Shares of face, wall and table (n, b) in the light, and the derivatives (n, 3, b) of all after the place."""
    x = distance_px
    place, blur, sharpening, shadow, shade, width = (looks[:, k, None].astype(x.dtype) for k in range(6))
    visible, reach, _ = _ends(shadow, width)
    v1, d1 = _step(x - place, blur, sharpening)[:2]
    v2, d2 = _step(x - place - visible, blur, sharpening)[:2]
    v3, d3 = _step(x - place - reach, np.sqrt(blur**2 + (SOFTNESS * shadow) ** 2), sharpening)[:2]
    slope = np.stack([d1, d2 - d1, -shade * d2 - (1 - shade) * d3], axis=1)
    return 1 - v1, v1 - v2, shade * v2 + (1 - shade) * v3, slope


def _light(looks: Floats, face: Floats, wall: Floats, table: Floats) -> Floats:
    levels = np.stack([looks[:, FACE], looks[:, WALL], looks[:, TABLE]], axis=2).astype(face.dtype)
    return np.asarray(levels @ np.stack([face, wall, table], axis=1))


def _shares(x: Floats, looks: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Shares of face, wall and table (n, b), and their derivatives (n, 3, 6, b) after all but the levels."""
    place, blur, sharpening, shadow, shade, width = (looks[:, k, None].astype(x.dtype) for k in range(6))
    visible, reach, ends = _ends(shadow, width)
    showing = (width > 0).astype(x.dtype)
    rim = np.sqrt(blur**2 + (SOFTNESS * shadow) ** 2)
    d = x - place
    v1, d1, b1, a1 = _step(d, blur, sharpening)
    v2, d2, b2, a2 = _step(d - visible, blur, sharpening)
    v3, d3, b3, a3 = _step(d - reach, rim, sharpening)
    dark = 1 - shade
    by = np.empty((len(x), 3, 6, x.shape[1]), x.dtype)
    by[:, 0, PLACE], by[:, 1, PLACE], by[:, 2, PLACE] = d1, d2 - d1, -shade * d2 - dark * d3
    by[:, 0, BLUR], by[:, 1, BLUR], by[:, 2, BLUR] = -b1, b1 - b2, shade * b2 + dark * b3 * (blur / rim)
    by[:, 0, SHARPENING], by[:, 1, SHARPENING], by[:, 2, SHARPENING] = -a1, a1 - a2, shade * a2 + dark * a3
    by[:, :2, SHADOW : SHADE + 1] = 0
    by[:, 2, SHADOW] = dark * (b3 * (SOFTNESS**2 * shadow / rim) - d3 * ends)
    by[:, 2, SHADE] = v2 - v3
    by[:, 0, WIDTH], by[:, 1, WIDTH] = 0, showing * d2
    by[:, 2, WIDTH] = -shade * showing * d2 - dark * d3 * np.where(ends > 0, 1, showing)
    return 1 - v1, v1 - v2, shade * v2 + dark * v3, by


def _ends(shadow: Floats, width: Floats) -> tuple[Floats, Floats, Floats]:
    """Where wall and shadow end, from the face's edge, and whether (1 or 0) a shadow is seen at all.

    It is seen from where the wall ends, or from the face's edge where that hides its beginning.
    """
    visible = np.maximum(width, 0)
    seen = np.minimum(width, 0) + shadow > 0
    return visible, np.where(seen, width + shadow, visible), seen.astype(width.dtype)


def _step(d: Floats, blur: Floats, sharpening: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """A sharpened, blurred step at distances (n, b), and its derivatives after distance, blur and sharpening."""
    wide = np.sqrt(blur**2 + SHARPENING_PX**2)
    z, zw = d / blur, d / wide
    (c, g), (cw, gw) = normal_cdf_and_pdf(z), normal_cdf_and_pdf(zw)
    more = 1 + sharpening
    g *= more / blur
    gw *= sharpening / wide
    by_blur = gw * zw * (blur / wide) - g * z
    return more * c - sharpening * cw, g - gw, by_blur, c - cw
