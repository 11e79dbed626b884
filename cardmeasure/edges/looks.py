"""How a side of a card looks across its edge: face, perhaps side wall, foot shadow, table, in three colours at once.

Light across a side is the face's level, then the wall's over the wall's width in the picture, then the table's: dimmed
as far as the card's shadow reaches from the foot of its wall, by the same share in all colours, and a little more at
the very foot, where the wall hides half of the room (`shading`); then in full. All of it is blurred by one Gaussian and
sharpened as cameras do (a step less a wider step, "unsharp masking"). Where the border is as bright as the shadow in
one colour it differs in another, as a shadow has the table's colour: so all colours share one place, and only the
levels are their own. (Shadows that may be dimmed more in one colour than in another were tried: borders then pass for
shadows.)
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.edges.channels import Channels
from cardmeasure.edges.shading import Shading, fall_off
from cardmeasure.numerics import normal_cdf, normal_cdf_and_pdf

Floats = NDArray[np.floating[Any]]

PARAMETERS = 15
PLACE, BLUR, SHARPENING, SHADOW, WIDTH, SHADE = range(6)
"""Place of the face's edge, px outward; blur, px; sharpening; reach of the shadow from the foot, px; width of the wall,
px, negative where the face hides it; light left in the shadow."""
FACE, WALL, TABLE = slice(6, 9), slice(9, 12), slice(12, 15)
"""Levels by colour."""
GEOMETRY = 5
"""So many unknowns move or widen the steps."""
SHARPENING_PX = 1.35
"""Blur that sharpening takes off, beside the photo's own."""


def expected_light(distance_px: Floats, looks: Floats, channels: Channels, shading: Shading) -> Floats:
    """Light (n, c, b) in the channels."""
    steps = [_values(distance_px, part, shading) for part in _blurs_of(looks, channels)]
    face, _, change = _levels(looks, channels, shading, kind=distance_px.dtype)
    return face + (change @ _by_channel(steps, channels))[:, :, 0]


def expected_light_with_jacobian(
    distance_px: Floats, looks: Floats, channels: Channels, shading: Shading
) -> tuple[Floats, Floats]:
    """Light (n, c, b) in the channels, and its derivatives (n, 15, c, b)."""
    (n, b), c = distance_px.shape, channels.count
    kind = distance_px.dtype
    steps, by = _steps_of_channels(distance_px, looks, channels, shading)
    mix, shade = channels.mix.astype(kind), looks[:, SHADE, None, None].astype(kind)
    face, table, change = _levels(looks, channels, shading, kind=kind)
    lacking, shown = (part.astype(kind) for part in _dimming(looks, shading))
    j = np.empty((n, PARAMETERS, c, b), kind)
    # (n, c channels, 4 steps) times (n, c channels, 4 steps, 5 unknowns x b)
    j[:, :GEOMETRY] = (change @ by).reshape(n, c, GEOMETRY, b).transpose(0, 2, 1, 3)
    edge, foot, rim, near = steps.transpose(2, 0, 1, 3)
    shadow, of_room = foot - rim, shown * table * near
    hides_foot = np.where(looks[:, WIDTH] < 0, shading.fall, 0.0)[:, None, None].astype(kind)
    j[:, WIDTH] -= hides_foot * lacking * table * near
    j[:, SHADE] = table * shadow - of_room / 2
    for part, share in ((FACE, 1 - edge), (WALL, edge - foot), (TABLE, shade * shadow + rim - lacking * near)):
        j[:, part] = mix.transpose(0, 2, 1)[..., None] * share[:, None]
    j[:, WALL] += (kind.type(shading.per_light / 6) * of_room)[:, None]
    return face + (change @ steps)[:, :, 0], j


def _dimming(looks: Floats, shading: Shading) -> tuple[Floats, Floats]:
    """What `room_hidden` says, (n, 1, 1) each."""
    lacking, shown = shading.room_hidden(looks[:, WALL], looks[:, SHADE], looks[:, WIDTH])
    return lacking[:, None, None], shown[:, None, None]


def seen_shadow_px(looks: Floats) -> Floats:
    """Width (n,) of the shadow that the face does not hide, from looks (n, 15)."""
    return np.asarray(np.maximum(looks[:, SHADOW] + np.minimum(looks[:, WIDTH], 0.0), 0.0))


def _levels(
    looks: Floats, channels: Channels, shading: Shading, *, kind: np.dtype[Any]
) -> tuple[Floats, Floats, Floats]:
    """Levels of face and table (n, c, 1), and the changes (n, c, 1, 4) of light at the three steps and near the
    foot."""
    mix, shade = channels.mix.astype(kind), looks[:, SHADE, None, None].astype(kind)
    face, wall, table = (mix @ looks[:, part, None].astype(kind) for part in (FACE, WALL, TABLE))
    lacking = _dimming(looks, shading)[0].astype(kind) * table
    # light is the face's, and changes at the edge, at the foot and at the shadow's rim
    change = [wall - face, shade * table - wall, (1 - shade) * table, -lacking]
    return face, table, np.concatenate(change, axis=2)[:, :, None]


def shares(distance_px: Floats, looks: Floats, shading: Shading) -> Floats:
    """What `shares_with_slope` says of the first channel, (3, n, b), without slopes, in less than half its time."""
    shade, lacking = looks[:, SHADE, None], _dimming(looks, shading)[0][:, 0]
    steps = _values(distance_px, looks, shading).transpose(1, 0, 2)
    return _shares_of(steps, shade.astype(steps.dtype), lacking.astype(steps.dtype), whole=1.0)


def shares_with_slope(
    distance_px: Floats, looks: Floats, channels: Channels, shading: Shading
) -> tuple[Floats, Floats]:
    """Shares (3, n, c, b) of face, wall and table in the light of each channel, and their derivatives after the
    place."""
    kind = distance_px.dtype
    shade, lacking = looks[:, SHADE, None, None].astype(kind), _dimming(looks, shading)[0].astype(kind)
    values, slopes = [], []
    for part in _blurs_of(looks, channels):
        step, slope, *_ = _four_steps(distance_px, part, shading)
        values.append(step)
        slopes.append(-slope)
    of_values, of_slopes = (_by_channel(steps, channels).transpose(2, 0, 1, 3) for steps in (values, slopes))
    return _shares_of(of_values, shade, lacking, whole=1.0), _shares_of(of_slopes, shade, lacking, whole=0.0)


def _shares_of(steps: Floats, shade: Floats, lacking: Floats, *, whole: float) -> Floats:
    """Shares (3, ...) of face, wall and table from the four steps (4, ...); of derivatives the whole is none."""
    edge, foot, rim, near = steps
    return np.stack([whole - edge, edge - foot, shade * (foot - rim) + rim - lacking * near])


def _steps_of_channels(x: Floats, looks: Floats, channels: Channels, shading: Shading) -> tuple[Floats, Floats]:
    """Steps (n, c, 4, b) of each channel and their derivatives (n, c, 4, 5 b) after what moves or widens them."""
    values, slopes = [], []
    for part in _blurs_of(looks, channels):
        v, by = _steps(x, part, shading)
        by[:, :, BLUR] *= (looks[:, BLUR] / part[:, BLUR]).astype(x.dtype)[:, None, None]
        values.append(v)
        slopes.append(by.reshape(len(x), 4, -1))
    return _by_channel(values, channels), _by_channel(slopes, channels)


def _by_channel(parts: list[Floats], channels: Channels) -> Floats:
    """What the first channel and the others show, (n, ...) each, for all channels, (n, c, ...)."""
    first, other = parts[0], parts[-1]
    if len(parts) == 1:
        return np.broadcast_to(first[:, None], (len(first), channels.count, *first.shape[1:]))
    return np.stack([first, *[other] * (channels.count - 1)], axis=1)


def _blurs_of(looks: Floats, channels: Channels) -> list[Floats]:
    """Looks as the first channel and, where they differ, the others show them."""
    if channels.softness_px == 0:
        return [looks]
    blurred = looks.copy()
    blurred[:, BLUR] = np.hypot(looks[:, BLUR], channels.softness_px)
    return [looks, blurred]


def _steps(x: Floats, looks: Floats, shading: Shading) -> tuple[Floats, Floats]:
    """Steps (n, 4, b) and their derivatives (n, 4, 5, b) after what moves or widens them; see `_four_steps`."""
    blur, shadow, width = (looks[:, k, None].astype(x.dtype) for k in (BLUR, SHADOW, WIDTH))
    ends = _ends(shadow, width)[2]
    showing = (width > 0).astype(x.dtype)
    softness = shading.softness[:, None].astype(x.dtype)
    rim = np.hypot(blur, softness * shadow)
    step, slope, by_blur, by_sharpening = _four_steps(x, looks, shading)
    by = np.zeros((len(x), 4, GEOMETRY, x.shape[1]), x.dtype)
    np.negative(slope, out=by[:, :, PLACE])
    by[:, :, BLUR], by[:, :, SHARPENING] = by_blur, by_sharpening
    by[:, 2, BLUR] *= blur / rim
    by[:, 2, SHADOW] = by_blur[:, 2] * (softness**2 * shadow / rim) - slope[:, 2] * ends
    by[:, 1, WIDTH] = -showing * slope[:, 1]
    by[:, 2, WIDTH] = -slope[:, 2] * np.where(ends > 0, 1, showing)
    by[:, 3, WIDTH] = -showing * slope[:, 3]
    return step, by


def _four_steps(x: Floats, looks: Floats, shading: Shading) -> tuple[Floats, Floats, Floats, Floats]:
    """The steps at the edge, the foot and the shadow's rim, and the fall from the foot of what a wall hides; and their
    derivatives after distance, blur and sharpening: (n, 4, b) each."""
    d, blurs, sharpening = _from_steps(x, looks, shading)
    three = _step(d, blurs, sharpening)
    if shading.height_px.any():
        fall = _fall(d[:, 1], blurs[:, 1], sharpening[:, 0], shading.fall[:, None].astype(x.dtype))
    else:
        fall = (np.zeros_like(x),) * 4
    value, slope, by_blur, by_sharpening = (
        np.concatenate([part, other[:, None]], axis=1) for part, other in zip(three, fall, strict=True)
    )
    return value, slope, by_blur, by_sharpening


def _values(x: Floats, looks: Floats, shading: Shading) -> Floats:
    """The first that `_four_steps` gives."""
    d, blurs, sharpening = _from_steps(x, looks, shading)
    out = np.zeros((len(x), 4, x.shape[1]), x.dtype)
    step, wide = normal_cdf(np.stack([d / blurs, d / _widened(blurs)]))
    out[:, :3] = _sharpened(step, wide, sharpening)
    if shading.height_px.any():
        out[:, 3] = _fall(d[:, 1], blurs[:, 1], sharpening[:, 0], shading.fall[:, None].astype(x.dtype))[0]
    return out


def _from_steps(x: Floats, looks: Floats, shading: Shading) -> tuple[Floats, Floats, Floats]:
    """Distances (n, 3, b) from the edge, the foot and the shadow's rim, their blurs (n, 3, 1), sharpening (n, 1, 1)."""
    place, blur, sharpening, shadow, width = (looks[:, k, None].astype(x.dtype) for k in range(GEOMETRY))
    visible, reach, _ = _ends(shadow, width)
    rim = np.hypot(blur, shading.softness[:, None].astype(x.dtype) * shadow)
    d = x[:, None] - np.stack([place, place + visible, place + reach], axis=1)
    return d, np.stack([blur, blur, rim], axis=1), sharpening[:, None]


def _ends(shadow: Floats, width: Floats) -> tuple[Floats, Floats, Floats]:
    """Where wall and shadow end, from the face's edge, and whether (1 or 0) a shadow is seen at all.

    It is seen from where the wall ends, or from the face's edge where that hides its beginning.
    """
    visible = np.maximum(width, 0)
    seen = np.minimum(width, 0) + shadow > 0
    return visible, np.where(seen, width + shadow, visible), seen.astype(width.dtype)


def _step(d: Floats, blur: Floats, sharpening: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """A sharpened, blurred step at distances (...), and its derivatives after distance, blur and sharpening."""
    wide = _widened(blur)
    z = np.stack([d / blur, d / wide])  # one call for both costs little more than for one
    (c, cw), (g, gw) = normal_cdf_and_pdf(z)
    g *= (1 + sharpening) / blur
    gw *= sharpening / wide
    by_blur = gw * z[1] * (blur / wide) - g * z[0]
    return _sharpened(c, cw, sharpening), g - gw, by_blur, c - cw


def _widened(blur: Floats) -> Floats:
    """Blur of the wider step that sharpening takes off."""
    return np.asarray(np.sqrt(blur**2 + SHARPENING_PX**2))


def _sharpened(step: Floats, wide: Floats, sharpening: Floats) -> Floats:
    return (1 + sharpening) * step - sharpening * wide


def _fall(d: Floats, blur: Floats, sharpening: Floats, fall: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """What `_step` says of a step, of the fall from a foot at distances (...)."""
    wide = _widened(blur)
    v, g, by = fall_off(np.stack([d, d]), np.stack([blur, wide]), fall)
    more = 1 + sharpening
    by_blur = more * by[0] - sharpening * by[1] * (blur / wide)
    return more * v[0] - sharpening * v[1], more * g[0] - sharpening * g[1], by_blur, v[0] - v[1]
