"""From light to picture: lens blur, colour fringes, noise, tone curve, sharpening, eight bits."""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import optics
from calibration.rig.compiled import compiled, over_rows
from calibration.rig.phone_software import sharpened, smeared, tone_mapped, with_blotches
from calibration.rig.scene import Camera, Post

Singles = NDArray[np.float32]


def srgb_encode(linear: Singles) -> Singles:
    """The sRGB curve (IEC 61966-2-1), 0..1 to 0..1."""
    low, high = 12.92 * linear, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, low, high), np.float32)


def _bent(amount: float) -> Callable[[Singles], Singles]:
    def curve(linear: Singles) -> Singles:
        y = srgb_encode(linear)
        return np.asarray(y - amount * np.sin(2 * np.pi * y) / (2 * np.pi), np.float32)

    return curve


def _lifted(linear: Singles) -> Singles:
    return np.asarray(srgb_encode(linear) ** 0.9, np.float32)


TONES: dict[str, Callable[[Singles], Singles]] = {
    "srgb": srgb_encode,
    "s-mild": _bent(0.12),
    "s-strong": _bent(0.28),
    "flat": _bent(-0.12),
    "lifted": _lifted,
}
"""Tone curves, linear 0..1 to display 0..1: sRGB, S-curves of contrast on top of it, raised shadows."""


BLUR_STEPS = (0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 7.0)
"""Sigmas, px, added to the blur of the middle; what lies between two is mixed from both by variance."""


def added_variance(post: Post, camera: Camera) -> Singles:
    """Variance of blur, px^2, that each pixel has beyond `post.blur_px`, (height, width).

    The mat's distance is taken along the optical axis and without distortion: blur changes slowly.
    """
    o = optics(camera)
    x = ((np.arange(camera.width) - o.lens[1]) / o.lens[0]).astype(np.float32)
    y = ((np.arange(camera.height) - o.lens[2]) / o.lens[0]).astype(np.float32)[:, None]
    down = o.rotation[:, 2].astype(np.float32)
    further = 1 - (down[0] * x + down[1] * y + down[2]) / down[2]  # 1 - s / d of the thin lens
    corner = np.float32((camera.width**2 + camera.height**2) / (2 * o.lens[0]) ** 2)
    return np.asarray((post.defocus_px * further) ** 2 + (post.field_px * (x**2 + y**2) / corner) ** 2, np.float32)


def defocused(light: Singles, post: Post, camera: Camera) -> Singles:
    """The picture as the lens blurs it: by `post.blur_px` in the middle, by more where `added_variance` says so."""

    def blurred(added: float) -> Singles:
        sigma = math.hypot(post.blur_px, added)
        if sigma == 0:
            return light
        return np.asarray(cv2.GaussianBlur(light, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE), np.float32)

    out, low = blurred(0.0), 0.0
    if post.field_px == 0 and post.defocus_px == 0:
        return out
    variance = added_variance(post, camera)
    for high in BLUR_STEPS:
        share = np.clip((variance - low**2) / (high**2 - low**2), 0, 1)
        if not share.any():
            break
        out, low = out + share[..., None] * (blurred(high) - blurred(low)), high
    return np.asarray(out, np.float32)


def shake_kernel(length_px: float, angle_deg: float) -> Singles:
    """Point spread of a straight smear, area-sampled; its centroid is the middle of the kernel."""
    half = math.ceil(length_px / 2) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    for t in (np.arange(200) + 0.5) / 200 - 0.5:
        x, y = half + t * length_px * c, half + t * length_px * s
        i, j = int(x), int(y)
        f, g = x - i, y - j
        kernel[j, i] += (1 - f) * (1 - g)
        kernel[j, i + 1] += f * (1 - g)
        kernel[j + 1, i] += (1 - f) * g
        kernel[j + 1, i + 1] += f * g
    return np.asarray(kernel / kernel.sum(), np.float32)


@compiled
def cubic(a: float, b: float, c: float, d: float, t: float) -> float:
    """Catmull-Rom interpolation between b and c."""
    return b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))


@compiled
def magnify_rows(channel: Singles, out: Singles, first: int, last: int, cx: float, cy: float, factor: float) -> None:
    """Fills rows `first` to `last` of `out`; see `magnified`."""
    rows, columns = channel.shape
    for j in range(first, last):
        y = min(max(cy + (j - cy) / factor, 1.0), rows - 2.001)
        r = int(y)
        for i in range(columns):
            x = min(max(cx + (i - cx) / factor, 1.0), columns - 2.001)
            c = int(x)
            v0 = cubic(channel[r - 1, c - 1], channel[r - 1, c], channel[r - 1, c + 1], channel[r - 1, c + 2], x - c)
            v1 = cubic(channel[r, c - 1], channel[r, c], channel[r, c + 1], channel[r, c + 2], x - c)
            v2 = cubic(channel[r + 1, c - 1], channel[r + 1, c], channel[r + 1, c + 1], channel[r + 1, c + 2], x - c)
            v3 = cubic(channel[r + 2, c - 1], channel[r + 2, c], channel[r + 2, c + 1], channel[r + 2, c + 2], x - c)
            out[j, i] = cubic(v0, v1, v2, v3, y - r)


def magnified(channel: Singles, cx: float, cy: float, factor: float) -> Singles:
    """A channel magnified about (cx, cy) by a factor within a few thousandths of 1."""
    out = np.empty_like(channel)
    over_rows(len(channel), lambda first, last: magnify_rows(channel, out, first, last, cx, cy, factor))
    return out


def expose(linear: Singles, post: Post, camera: Camera) -> Singles:
    """What reaches the sensor: blurred, smeared, fringed, darker in the corners; still linear and noiseless."""
    light = linear * (np.array(post.gains, np.float32) * np.float32(post.exposure))
    light = defocused(light, post, camera)
    if post.shake_px > 0:
        kernel = shake_kernel(post.shake_px, post.shake_deg)
        light = cv2.filter2D(light, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    for channel, factor in ((0, camera.lateral_red), (2, camera.lateral_blue)):
        if factor != 1:
            light[..., channel] = magnified(np.ascontiguousarray(light[..., channel]), *camera.principal_px, factor)
    if post.vignette:
        y, x = np.ogrid[: camera.height, : camera.width]
        cx, cy = (camera.width - 1) / 2, (camera.height - 1) / 2
        light *= (1 - post.vignette * ((x - cx) ** 2 + (y - cy) ** 2) / (cx**2 + cy**2)).astype(np.float32)[..., None]
    return np.asarray(light, np.float32)


def add_noise(light: Singles, post: Post, seed: int) -> Singles:
    """Shot and read noise (Gaussian), smoothed by `grain_px` and scaled back to its deviation."""
    if post.shot == 0 and post.read == 0:
        return light
    noise = np.random.default_rng([seed, 73]).standard_normal(light.shape, np.float32)
    if post.grain_px > 0:
        noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), post.grain_px, borderType=cv2.BORDER_REFLECT), np.float32)
        noise /= float(noise[::16, ::16].std())
    return np.asarray(light + noise * np.sqrt(post.shot * np.maximum(light, 0) + post.read**2), np.float32)


def display(light: Singles, post: Post) -> Singles:
    """Display values, 0..1, by the tone curve (KeyError if unknown), and what phones' software makes of them."""
    # A table is ten times as fast as the powers, and finer than a 16-bit sensor.
    table = TONES[post.tone](np.linspace(0, 1, 65536, dtype=np.float32))
    shown = table[(np.clip(light, 0, 1) * 65535 + 0.5).astype(np.uint16)]
    shown = sharpened(tone_mapped(smeared(shown, post), post), post)
    return np.asarray(np.clip(shown, 0, 1), np.float32)


def develop(linear: Singles, post: Post, *, camera: Camera, seed: int) -> NDArray[np.uint8]:
    """The finished picture, upright, (height, width, 3) sRGB bytes, from linear radiance of the same shape."""
    light = with_blotches(add_noise(expose(linear, post, camera), post, seed), post, seed)
    shown = display(light, post)
    return np.asarray(shown * 255 + 0.5, np.uint8)
