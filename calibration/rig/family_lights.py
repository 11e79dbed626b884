"""Lights as tables at home have them: a flash, two lamps, coloured light, a window, a hand's shadow."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from calibration.rig.camera import optics
from calibration.rig.draws import Rng, kind_light, lamp_at
from calibration.rig.scene import Camera, Lamp, Light, Phone, Shade
from calibration.rig.table_scenes import phone_shadow_light, uneven_light


def drawn_light(rng: Rng, camera: Camera) -> Light:
    """One of `KINDS` for a phone that stands where the camera is."""
    return KINDS[str(rng.choice(sorted(KINDS)))](rng, camera)


def _flash(rng: Rng, camera: Camera) -> Light:
    """The phone's own lamp beside its lens, and little else: it falls off to the sides and shines back from gloss."""
    o = optics(camera)
    x, y, z = (float(v) for v in o.centre + o.rotation[0] * rng.uniform(-16, 16) + o.rotation[1] * rng.uniform(-14, 14))
    lamp = Lamp(centre_mm=(x, y, z), size_mm=(4.0, 4.0), strength=float(rng.uniform(0.7, 1.3)), rgb=(0.97, 1.0, 1.05))
    dome = float(rng.uniform(0.04, 0.3))
    return Light(lamps=(lamp,), ambient=(dome * 1.1, dome, dome * 0.8), side=0.3)


def _two_lamps(rng: Rng, camera: Camera) -> Light:
    """Two lamps of different colours: every card throws two shadows."""
    lamps = tuple(
        lamp_at(
            azimuth_deg=float(rng.uniform(0, 360)), elevation_deg=float(rng.uniform(28, 72)),
            distance_mm=float(rng.uniform(600, 1700)), size_mm=float(rng.uniform(40, 350)),
            strength=float(rng.uniform(0.35, 0.8)),
            rgb=(float(rng.uniform(0.95, 1.25)), 1.0, float(rng.uniform(0.6, 1.1))),
        )
        for _ in range(2)
    )  # fmt: skip
    dome = float(rng.uniform(0.12, 0.35))
    return Light(lamps=lamps, ambient=(dome, dome, dome * 1.05), side=0.3, side_deg=float(rng.uniform(0, 360)),
                 phone=Phone())  # fmt: skip


def _coloured(rng: Rng, camera: Camera) -> Light:
    """A warm or a tinted lamp that white balance does not quite undo, and a dome of another colour."""
    lamp = lamp_at(
        azimuth_deg=float(rng.uniform(0, 360)), elevation_deg=float(rng.uniform(35, 75)),
        distance_mm=float(rng.uniform(700, 1500)), size_mm=float(rng.uniform(60, 400)),
        strength=float(rng.uniform(0.6, 1.0)), rgb=(float(rng.uniform(1.1, 1.7)), 1.0, float(rng.uniform(0.25, 0.7))),
    )  # fmt: skip
    dome = float(rng.uniform(0.15, 0.4))
    tint = (float(rng.uniform(0.6, 1.0)), 1.0, float(rng.uniform(1.0, 1.6)))
    return Light(lamps=(lamp,), ambient=(dome * tint[0], dome, dome * tint[2]), side=0.4, phone=Phone())


def _window(rng: Rng, camera: Camera) -> Light:
    """A large window close by on one side: light falls in low and fades across the table, often with bars."""
    lamp = lamp_at(
        azimuth_deg=float(rng.uniform(0, 360)), elevation_deg=float(rng.uniform(18, 42)),
        distance_mm=float(rng.uniform(550, 1000)), size_mm=float(rng.uniform(300, 700)),
        strength=float(rng.uniform(1.0, 1.8)), rgb=(0.96, 1.0, 1.08),
    )  # fmt: skip
    dome = float(rng.uniform(0.08, 0.25))
    shades = (_shade(rng, "window", 0.2, 0.7),) if rng.uniform() < 0.4 else ()
    return Light(lamps=(lamp,), ambient=(dome, dome, dome), side=0.6, side_deg=float(rng.uniform(0, 360)),
                 phone=Phone(), shades=shades)  # fmt: skip


def _hand_shadow(rng: Rng, camera: Camera) -> Light:
    light = phone_shadow_light(rng) if rng.uniform() < 0.5 else kind_light(rng)
    return replace(light, shades=(_shade(rng, "hand", 0.25, 0.65),))


def _glass(rng: Rng, camera: Camera) -> Light:
    return replace(kind_light(rng), shades=(_shade(rng, "glass", 0.3, 0.7),))


def _near_lamp(rng: Rng, camera: Camera) -> Light:
    light = uneven_light(rng)
    return replace(light, shades=(_shade(rng, "ramp", 0.3, 0.8),)) if rng.uniform() < 0.5 else light


def _shade(rng: Rng, kind: str, low: float, high: float) -> Shade:
    return Shade(kind=kind, depth=float(rng.uniform(low, high)), seed=int(rng.integers(1 << 30)))


KINDS: dict[str, Callable[[Rng, Camera], Light]] = {
    "flash": _flash,
    "two-lamps": _two_lamps,
    "coloured": _coloured,
    "window": _window,
    "hand-shadow": _hand_shadow,
    "glass": _glass,
    "near-lamp": _near_lamp,
}
"""All kinds of light of the family `light`."""
