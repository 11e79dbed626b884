"""Cards, cameras, lights and prints drawn at random from documented priors."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from calibration.rig.camera import focal_px_of, pose_above
from calibration.rig.face_rasters import face_raster
from calibration.rig.mats import MATS
from calibration.rig.outlines import rectangle_outline
from calibration.rig.scene import Camera, Card, Face, Lamp, Light, Phone, Place, Post, Print, Rgb, Xy

Rng = np.random.Generator

SIZES: tuple[tuple[float, float, str | None], ...] = (
    (63.0, 88.0, "poker"),
    (63.0, 88.0, "poker"),
    (63.5, 88.9, "poker"),
    (57.0, 88.0, "bridge"),
    (57.15, 88.9, "bridge"),
    (44.0, 68.0, "mini-european"),
    (41.0, 63.0, "mini-american"),
    (59.0, 92.0, "standard-european"),
    (70.0, 70.0, "square-70"),
    (70.0, 120.0, "tarot"),
    (80.0, 80.0, "square-80"),
)
"""Nominal cuts in mm and their size class; common formats stand twice."""
ODD_SIZES: tuple[Xy, ...] = ((50.0, 75.0), (66.0, 96.5), (48.0, 100.0), (74.0, 83.0))
"""Cuts that belong to no class."""
FACES = ("white-border", "black-border", "coloured-border", "full-bleed", "nearly-blank", "frame-line", "framed-dark")
DARK_MATS = ("dark-felt", "grey-neoprene", "green-cloth", "blue-velour", "brown-linen")
"""Plain mats that contrast with most borders."""


def odd_or_nominal(rng: Rng, *, odd_share: float = 0.12) -> tuple[float, float, str | None]:
    """A nominal cut and its class, now and then an odd one (class None)."""
    if rng.uniform() < odd_share:
        w, h = ODD_SIZES[rng.integers(len(ODD_SIZES))]
        return w, h, None
    return SIZES[rng.integers(len(SIZES))]


def draw_card(rng: Rng, *, nominal: tuple[float, float, str | None] | None = None, style: str | None = None) -> Card:
    """A card: cutting scatter 0.1 mm, 0-0.2 degrees out of square, taper 0.03 mm, thickness 0.30 +- 0.03 mm.

    It lies in the origin; `width_mm` <= `height_mm`.
    """
    w0, h0, size_class = nominal or odd_or_nominal(rng)
    w, h = sorted((w0 + rng.normal(0, 0.1), h0 + rng.normal(0, 0.1)))
    shear = rng.uniform(0, 0.2) * rng.choice([-1, 1])
    radius = float(rng.choice([0.0, 2.0, 3.0, 3.0, 3.2, 4.0]))
    return Card(
        outline=rectangle_outline(w, h, radius_mm=radius, shear_deg=float(shear), taper_mm=float(rng.normal(0, 0.03))),
        place=Place(x_mm=0.0, y_mm=0.0),
        width_mm=float(w),
        height_mm=float(h),
        face=Face(style=style or str(rng.choice(FACES)), seed=int(rng.integers(1 << 30))),
        thickness_mm=float(np.clip(rng.normal(0.30, 0.03), 0.2, 0.42)),
        rim_mm=float(rng.uniform(0.02, 0.05)),
        core=_core(rng),
        gloss=float(rng.uniform(0.1, 0.5)),
        roughness=float(rng.uniform(0.35, 0.55)),
        size_class=size_class,
    )


def border_contrast(card: Card, mat: str) -> float:
    """How much a card's border differs from the mat: the best channel's logarithm of the ratio of reflectances.

    Of 8 stretches along each side, 0.5 mm wide, the poorest but three count.
    """
    scale, table = 4.0, np.array(MATS[mat].rgb)
    face = face_raster(card.face, width_mm=card.width_mm, height_mm=card.height_mm, px_per_mm=scale)
    sides = face[:2], face[-2:], face[:, :2].swapaxes(0, 1), face[:, -2:].swapaxes(0, 1)
    parts = [part.mean((0, 1)) for side in sides for part in np.array_split(side, 8, axis=1)]
    return float(np.sort(np.abs(np.log((np.array(parts) + 0.01) / (table + 0.01))).max(1))[3])


def contrasting(card: Card, mat: str, rng: Rng, *, least: float) -> Card:
    """The card, with another face where its own hardly differs from the mat."""
    for _ in range(30):
        if border_contrast(card, mat) >= least:
            break
        face = Face(style=str(rng.choice(FACES)), seed=int(rng.integers(1 << 30)))
        card = replace(card, face=face)
    return card


def bank_card(rng: Rng) -> Card:
    """An ID-1 card: 85.60 x 53.98 x 0.76 mm, corner radius 3.18 mm (ISO/IEC 7810)."""
    w, h = 53.98 + rng.uniform(-0.02, 0.02), 85.60 + rng.uniform(-0.04, 0.04)
    return Card(
        outline=rectangle_outline(w, h, radius_mm=3.18),
        place=Place(x_mm=0.0, y_mm=0.0),
        width_mm=w,
        height_mm=h,
        face=Face(style="bank", seed=int(rng.integers(1 << 30))),
        thickness_mm=0.76,
        rim_mm=0.05,
        core=(0.80, 0.80, 0.80),
        gloss=0.8,
        roughness=0.3,
        size_class="id-1",
    )


def _core(rng: Rng) -> tuple[float, float, float]:
    level = rng.uniform(0.55, 0.8)
    return float(level), float(level * rng.uniform(0.96, 1.0)), float(level * rng.uniform(0.90, 0.98))


def draw_camera(
    rng: Rng, *, width: int, height: int, px_per_mm: float, tilt_deg: float, focal_35mm: float, k1: Xy = (-0.08, 0.06)
) -> Camera:
    """A phone camera above the origin: k1 from the range, k2 mostly undoing it in the corners, small decentring.

    k1, k2, k3 are those of a lens whose corners lie at 0.8 focal lengths, scaled so that any other lens distorts its
    corners as much: with the same figures a wide lens would fold its picture over. The principal point lies within some
    12 px (at 12 MP) of the middle; red and blue differ by some 1e-4.
    """
    f = focal_px_of(focal_35mm, width=width, height=height)
    size = math.hypot(width, height) / 5040
    rotation, centre = pose_above(
        target_mm=(float(rng.normal(0, 3)), float(rng.normal(0, 3))),
        distance_mm=f / px_per_mm,
        tilt_deg=tilt_deg,
        azimuth_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.normal(0, 4)),
    )
    first, corner = float(rng.uniform(*k1)), (0.8 * f / math.hypot(width / 2, height / 2)) ** 2
    return Camera(
        width=width,
        height=height,
        focal_px=f,
        principal_px=(
            (width - 1) / 2 + float(rng.normal(0, 12)) * size,
            (height - 1) / 2 + float(rng.normal(0, 12)) * size,
        ),
        rotation=rotation,
        centre_mm=centre,
        k1=first * corner,
        k2=float(-0.6 * first + rng.normal(0, 0.015)) * corner**2,
        k3=float(0.2 * first + rng.normal(0, 0.008)) * corner**3,
        p1=float(rng.normal(0, 3e-4)),
        p2=float(rng.normal(0, 3e-4)),
        lateral_red=1 + float(rng.normal(0, 1e-4)),
        lateral_blue=1 + float(rng.normal(0, 1.5e-4)),
    )


def lamp_at(
    *, azimuth_deg: float, elevation_deg: float, distance_mm: float, size_mm: float, strength: float, rgb: Rgb
) -> Lamp:
    """A square lamp that faces the origin."""
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    x, y, z = math.cos(a) * math.cos(e), math.sin(a) * math.cos(e), math.sin(e)
    return Lamp(
        centre_mm=(x * distance_mm, y * distance_mm, z * distance_mm),
        size_mm=(size_mm, size_mm),
        rgb=rgb,
        strength=strength,
    )


def kind_light(rng: Rng) -> Light:
    """A wide lamp high up and to the side, and as much light from all around."""
    lamp = lamp_at(
        azimuth_deg=float(rng.uniform(0, 360)),
        elevation_deg=float(rng.uniform(45, 68)),
        distance_mm=float(rng.uniform(1100, 1700)),
        size_mm=float(rng.uniform(300, 600)),
        strength=float(rng.uniform(0.5, 0.7)),
        rgb=(1.06, 1.0, 0.90),
    )
    dome = float(rng.uniform(0.4, 0.55))
    return Light(
        lamps=(lamp,),
        ambient=(dome * 0.96, dome, dome * 1.06),
        side=float(rng.uniform(0, 0.5)),
        side_deg=float(rng.uniform(0, 360)),
        phone=Phone(),
    )


def hard_light(rng: Rng) -> Light:
    """A small lamp at 20-40 degrees above the table and little else: long, sharp shadows."""
    lamp = lamp_at(
        azimuth_deg=float(rng.uniform(0, 360)),
        elevation_deg=float(rng.uniform(20, 40)),
        distance_mm=float(rng.uniform(700, 1200)),
        size_mm=float(rng.uniform(25, 80)),
        strength=float(rng.uniform(1.4, 1.9)),
        rgb=(1.12, 1.0, 0.80),
    )
    dome = float(rng.uniform(0.10, 0.22))
    return Light(lamps=(lamp,), ambient=(dome, dome, dome * 1.05), side=0.2, phone=Phone())


def draw_print(rng: Rng, *, spread: float = 0.003) -> Print:
    """A home printer's print: scale 1 +- 0.3 % on each axis, ink spread 0-0.08 mm, ink 0.06-0.09, paper 0.85."""
    return Print(
        scale_x=1 + float(rng.normal(0, spread)),
        scale_y=1 + float(rng.normal(0, spread)),
        spread_mm=float(rng.uniform(0, 0.08)),
        ink=float(rng.uniform(0.06, 0.09)),
        paper=(0.85, 0.85, 0.84),
        paper_mm=float(np.clip(rng.normal(0.10, 0.005), 0.085, 0.115)),
    )


def brightness(light: Light, channel: int = 1) -> float:
    """Rough irradiance of the middle of the table in one colour."""
    total = light.ambient[channel]
    for lamp in light.lamps:
        total += lamp.strength * lamp.rgb[channel] * lamp.centre_mm[2] / math.dist(lamp.centre_mm, (0, 0, 0))
    return total


def draw_post(rng: Rng, light: Light, *, focal_35mm: float, size: float = 1.0) -> Post:
    """A phone's processing: white paper exposed to 0.55-0.8, mild blur and shake, noise, sharpening, JPEG 60-95.

    Corners are softer than the middle by up to 0.8 px. What depends on the distance is left to the caller.

    White balance is right within some per cent; half of the files are stored turned. `size` scales lengths in px: 1 at
    12 MP, 0.5 for a picture binned to 3 MP.
    """
    red, green, blue = (brightness(light, channel) for channel in range(3))
    return Post(
        exposure=float(rng.uniform(0.55, 0.80)) / (0.85 * green),
        gains=(float(rng.uniform(0.94, 1.04)) * green / red, 1.0, float(rng.uniform(0.94, 1.06)) * green / blue),
        blur_px=max(float(rng.uniform(0.7, 1.1)) * size, 0.5),
        shake_px=float(rng.uniform(0, 0.8)) * size,
        shake_deg=float(rng.uniform(0, 180)),
        vignette=float(rng.uniform(0.05, 0.3)),
        shot=float(rng.uniform(0.5e-4, 3e-4)) * size**2,
        read=float(rng.uniform(0.5e-3, 2e-3)) * size,
        grain_px=float(rng.uniform(0.3, 0.7)),
        sharpen=float(rng.uniform(0.2, 0.7)),
        sharpen_px=float(rng.uniform(0.8, 1.5)),
        quality=int(rng.integers(60, 96)),
        focal_35mm_tag=round(focal_35mm),
        orientation=int(rng.spawn(1)[0].choice([1, 1, 1, 3, 6, 8])),
        field_px=float(rng.spawn(1)[0].uniform(0, 0.8)) * size,
    )
