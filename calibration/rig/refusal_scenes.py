"""Shots that cannot be measured, each for one reason: what a phone hands over when something went wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from calibration.rig.camera import rays
from calibration.rig.draws import DARK_MATS, contrasting, draw_camera, draw_card, draw_post, draw_print, kind_light
from calibration.rig.groups import focused, fullness, gathering, lay_out
from calibration.rig.outlines import rectangle_outline
from calibration.rig.scene import Camera, Card, Face, Flaw, Mat, Place, Scene, Square

Rng = np.random.Generator

WIDTH_PX, HEIGHT_PX, PX_PER_MM = 2000, 1500, 6.5
SLANTED_DEG, FAR_PX_PER_MM = (64.0, 71.0), (0.5, 0.85)


def _laid_out(rng: Rng, camera: Camera, drawn: list[Card], *, kind: str) -> tuple[tuple[Square, ...], tuple[Card, ...]]:
    """The square among the cards; alone in the middle where the view is so slanted that hardly anything has room."""
    if kind == "slanted":
        place = Place(x_mm=0.0, y_mm=0.0, turn_deg=float(rng.uniform(0, 360)))
        return (Square(design="square-80", place=place),), ()
    around = gathering(rng, camera, full=max(0.5, fullness(camera, drawn, designs=("square-80",))))
    return lay_out(rng, camera, drawn, designs=("square-80",), around=around)


def _missing(scene: Scene, rng: Rng) -> Scene:
    return replace(scene, squares=())


def _covered(scene: Scene, rng: Rng) -> Scene:
    """A card lies over the middle of the square, and leaves half of it free."""
    place, way = scene.squares[0].place, float(rng.uniform(0, 2 * np.pi))
    shift = float(rng.uniform(14, 22))
    over = Place(
        x_mm=place.x_mm + shift * np.cos(way), y_mm=place.y_mm + shift * np.sin(way),
        turn_deg=float(rng.uniform(0, 360)), base_mm=0.12,
    )  # fmt: skip
    card = Card(
        outline=rectangle_outline(63.0, 88.0, radius_mm=3.0), place=over, width_mm=63.0, height_mm=88.0,
        face=Face(style="full-bleed", seed=int(rng.integers(1 << 30))), size_class="poker",
    )  # fmt: skip
    return replace(scene, cards=(*scene.cards, card))


def _cut(scene: Scene, rng: Rng) -> Scene:
    """The frame runs through the square, near its middle."""
    width, height = scene.camera.width, scene.camera.height
    along = rng.uniform(0.25, 0.75)
    x, y = [(along * width, -1.0), (along * width, height), (-1.0, along * height), (width, along * height)][
        int(rng.integers(4))
    ]
    way, centre = rays(scene.camera, np.array([[x, y]]))[0], np.array(scene.camera.centre_mm)
    at = centre[:2] - way[:2] * centre[2] / way[2] + rng.uniform(-5, 5, 2)
    square = replace(scene.squares[0], place=replace(scene.squares[0].place, x_mm=float(at[0]), y_mm=float(at[1])))
    return replace(scene, squares=(square,), cards=())


def _blurred(scene: Scene, rng: Rng) -> Scene:
    """Out of focus, or moved."""
    per_mm = float(rng.uniform(1.1, 1.6)) * scene.camera.focal_px / scene.camera.centre_mm[2]
    if rng.uniform() < 0.5:
        return replace(scene, post=replace(scene.post, blur_px=per_mm))
    return replace(scene, post=replace(scene.post, shake_px=4.5 * per_mm, shake_deg=float(rng.uniform(0, 180))))


def _screen(scene: Scene, rng: Rng) -> Scene:
    """A screen is brighter than paper in the same room, so phones expose less."""
    return replace(scene, post=replace(scene.post, exposure=0.6 * scene.post.exposure))


def _as_it_is(scene: Scene, rng: Rng) -> Scene:
    return scene


KINDS: dict[str, tuple[tuple[str, ...], Callable[[Scene, Rng], Scene]]] = {
    "missing": (("no-reference",), _missing),
    "covered": (("reference-covered",), _covered),
    "cut": (("reference-cut",), _cut),
    "mirrored": (("reference-mirrored",), _as_it_is),
    "screen": (("reference-on-screen",), _screen),
    "blurred": (("too-blurred",), _blurred),
    "slanted": (("too-slanted",), _as_it_is),
    "far": (("reference-too-small",), _as_it_is),
    "glare": (("reference-glare",), _as_it_is),
}
"""Kinds of flaw: the codes that name each rightly, and how a good scene is spoiled, if not in its light or camera."""


def refusal_scene(
    seed: int, *, width: int | None = None, height: int | None = None, px_per_mm: float | None = None,
    kind: str | None = None,
) -> Scene:  # fmt: skip
    """A scene with one flaw; the kinds take turns by seed."""
    rng = np.random.default_rng([seed, 82])
    kind = kind or list(KINDS)[seed % len(KINDS)]
    codes, change = KINDS[kind]
    width, height, focal = width or WIDTH_PX, height or HEIGHT_PX, float(rng.uniform(23.6, 27.4))
    density = float(rng.uniform(*FAR_PX_PER_MM)) if kind == "far" else px_per_mm or PX_PER_MM
    tilt = float(rng.uniform(*SLANTED_DEG) if kind == "slanted" else rng.uniform(0, 15))
    camera = draw_camera(rng, width=width, height=height, px_per_mm=density, tilt_deg=tilt, focal_35mm=focal)
    drawn = [draw_card(rng) for _ in range(int(rng.integers(1, 4)))]
    light, mat = kind_light(rng), str(rng.choice(DARK_MATS))
    squares, laid = _laid_out(rng, camera, drawn, kind=kind)
    scene = Scene(
        camera=camera,
        light=light,
        mat=Mat(name=mat, seed=int(rng.integers(1 << 30))),
        squares=squares,
        cards=tuple(contrasting(card, mat, rng.spawn(1)[0], least=0.5) for card in laid),
        print=draw_print(rng),
        post=draw_post(rng, light, focal_35mm=focal, size=width / 4032),
        flaw=Flaw(kind=kind, codes=codes, seed=seed),
    )
    scene = focused(scene)
    return change(scene, rng)
