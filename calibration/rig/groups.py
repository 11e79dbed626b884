"""Whole scenes drawn at random, by group: what is hard about a group, and nothing else, differs from `kind`."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import defocus_px_of, optics, project
from calibration.rig.draws import (
    DARK_MATS,
    contrasting,
    draw_camera,
    draw_card,
    draw_post,
    draw_print,
    hard_light,
    kind_light,
)
from calibration.rig.packing import design_named
from calibration.rig.plans import plan_corners
from calibration.rig.scene import Camera, Card, Curl, Mat, Place, Scene, Square, Xy
from calibration.rig.truth import on_table

Floats = NDArray[np.float64]
Rng = np.random.Generator

GAP_MM = 5.0
"""Pieces are laid at least so far apart."""


def separation_mm(a: Floats, b: Floats) -> float:
    """Largest gap between two convex polygons along any of their sides' normals; negative where they overlap."""
    gap = -math.inf
    for polygon in (a, b):
        sides = np.roll(polygon, -1, 0) - polygon
        for side in sides:
            normal = np.array([side[1], -side[0]]) / np.linalg.norm(side)
            pa, pb = a @ normal, b @ normal
            gap = max(gap, float(pb.min() - pa.max()), float(pa.min() - pb.max()))
    return gap


def is_free(polygon: Floats, taken: list[Floats]) -> bool:
    """Whether a convex polygon keeps `GAP_MM` from all others; middles far apart or close together settle it fast."""
    middle, outer, inner = polygon.mean(0), *_radii(polygon)
    for other in taken:
        apart, (far, near) = float(np.linalg.norm(other.mean(0) - middle)), _radii(other)
        if apart > outer + far + GAP_MM:
            continue
        if apart < inner + near or separation_mm(polygon, other) < GAP_MM:
            return False
    return True


def _radii(polygon: Floats) -> tuple[float, float]:
    """Radii of circles about the middle, one around the polygon and one inside it."""
    spokes, sides = polygon - polygon.mean(0), np.roll(polygon, -1, 0) - polygon
    away = np.abs(spokes[:, 0] * sides[:, 1] - spokes[:, 1] * sides[:, 0]) / np.linalg.norm(sides, axis=1)
    return float(np.linalg.norm(spokes, axis=1).max()), float(away.min())


def _candidates(rng: Rng, camera: Camera, *, steep: bool, count: int) -> Floats:
    """Random x, y (mm) and turn (degrees), (count, 3), over what the photo may show."""
    reach = 0.7 * max(camera.width, camera.height) * camera.centre_mm[2] / camera.focal_px
    spot = rng.uniform(-reach, reach, (count, 2)) + camera.centre_mm[:2]
    turn = (
        rng.uniform(0, 360, count) if steep else rng.choice([0.0, 90.0, 180.0, 270.0], count) + rng.normal(0, 5, count)
    )
    return np.column_stack([spot, turn])


def find_place(
    rng: Rng,
    camera: Camera,
    corners: Floats,
    taken: list[Floats],
    *,
    steep: bool,
    margin_px: float,
    around: Xy | None,
) -> Place | None:
    """A free place for a piece, whole inside the frame; None where none is found.

    `steep`: any turn, else near a multiple of 90 degrees. `around`: of all places found, the nearest to this
    pixel, which leaves the most room for the next; None takes the first.
    """
    drawn = _candidates(rng, camera, steep=steep, count=3000)
    c, s = np.cos(np.radians(drawn[:, 2])), np.sin(np.radians(drawn[:, 2]))
    x = drawn[:, :1] + np.outer(c, corners[:, 0]) + np.outer(s, corners[:, 1])
    y = drawn[:, 1:2] + np.outer(s, corners[:, 0]) - np.outer(c, corners[:, 1])
    flat = project(camera, np.column_stack([x.ravel(), y.ravel(), np.full(x.size, 0.3)]))
    px = flat.reshape(*x.shape, 2)
    high = np.array([camera.width, camera.height]) - margin_px
    inside = np.flatnonzero(((px > margin_px) & (px < high)).all((1, 2)))
    if around is not None:
        inside = inside[np.argsort(np.linalg.norm(px[inside].mean(1) - around, axis=1))]
    world = np.stack([x[inside], y[inside]], axis=2)
    for n in np.flatnonzero(_may_be_free(world, taken)):
        if is_free(world[n], taken):
            spot, turn = drawn[inside[n], :2], drawn[inside[n], 2]
            return Place(x_mm=float(spot[0]), y_mm=float(spot[1]), turn_deg=float(turn))
    return None


def _may_be_free(world: Floats, taken: list[Floats]) -> NDArray[np.bool_]:
    """Which of many places (n, corners, 2) of one polygon are not taken at first sight: middles too close together."""
    free = np.ones(len(world), bool)
    if len(world) and taken:
        middles, inner = world.mean(1), _radii(world[0])[1]
        for other in taken:
            near = inner + _radii(other)[1] - 1e-9
            free &= np.linalg.norm(middles - other.mean(0), axis=1) >= near
    return free


def fullness(camera: Camera, cards: list[Card], *, designs: tuple[str, ...]) -> float:
    """Share of what the photo shows that the pieces and the gaps around them fill."""
    seen = camera.width * camera.height * (camera.centre_mm[2] / camera.focal_px) ** 2
    filled = sum((c.width_mm + GAP_MM) * (c.height_mm + GAP_MM) for c in cards)
    return (filled + sum((design_named(d).side_mm + GAP_MM) ** 2 for d in designs)) / seen


def gathering(rng: Rng, camera: Camera, *, full: float) -> Xy | None:
    """The pixel around which pieces are laid: none while there is room, the middle, or a corner where it is tight."""
    if full < 1 / 3:
        return None
    if full < 0.6:
        return (float(rng.uniform(0.35, 0.65)) * camera.width, float(rng.uniform(0.35, 0.65)) * camera.height)
    return (float(rng.integers(2)) * camera.width, float(rng.integers(2)) * camera.height)


def lay_out(
    rng: Rng, camera: Camera, cards: list[Card], *, designs: tuple[str, ...], around: Xy | None
) -> tuple[tuple[Square, ...], tuple[Card, ...]]:
    """Squares first, then cards, the large ones first; a card for which no place is found stays away.

    `around`: pieces lie nearly parallel to each other, close together around this pixel; None scatters them.
    """
    taken: list[Floats] = []
    squares, laid = [], []
    margin = 0.012 * max(camera.width, camera.height)
    for design in designs:
        corners = np.asarray(design_named(design).cut_corners_mm, np.float64)
        place = find_place(rng, camera, corners, taken, steep=around is None, margin_px=2 * margin, around=around)
        if place is None:
            raise ValueError(f"no room for {design} in a photo of {camera.width} x {camera.height}")
        trim = tuple((float(x), float(y)) for x, y in rng.normal(0, 0.15, (4, 2)))
        squares.append(Square(design=design, place=place, trim_mm=trim))
        taken.append(on_table(place, corners))
    for card in sorted(cards, key=lambda c: -c.width_mm * c.height_mm):
        corners = plan_corners(card.outline)
        place = find_place(rng, camera, corners, taken, steep=around is None, margin_px=margin, around=around)
        if place is not None:
            laid.append(replace(card, place=place))
            taken.append(on_table(place, corners))
    return tuple(squares), tuple(laid)


def _kind(scene: Scene, rng: Rng) -> Scene:
    return scene


def _hard(scene: Scene, rng: Rng) -> Scene:
    light = hard_light(rng)
    post = draw_post(rng, light, focal_35mm=float(scene.post.focal_35mm_tag or 26))
    return replace(scene, light=light, post=replace(post, exposure=0.9 * post.exposure))


def _curl(scene: Scene, rng: Rng) -> Scene:
    def bent(card: Card) -> Card:
        rise = float(rng.uniform(0.2, 1.0) * rng.choice([1, 1, -1]))
        return replace(card, curl=Curl(rise_mm=rise, across=int(rng.integers(2))))

    return replace(scene, cards=tuple(bent(card) for card in scene.cards))


def _misprint(scene: Scene, rng: Rng) -> Scene:
    scale = float(rng.uniform(0.94, 0.985))
    made = replace(scene.print, scale_x=scale, scale_y=scale * (1 + float(rng.normal(0, 0.002))))
    return replace(scene, print=made)


def _noise(scene: Scene, rng: Rng) -> Scene:
    shot, read = float(rng.uniform(1e-3, 4e-3)), float(rng.uniform(5e-3, 1.5e-2))
    return replace(scene, post=replace(scene.post, shot=shot, read=read, grain_px=float(rng.uniform(0.4, 1.0))))


def _gloss(scene: Scene, rng: Rng) -> Scene:
    def shiny(card: Card) -> Card:
        return replace(card, gloss=float(rng.uniform(0.8, 1.5)), roughness=float(rng.uniform(0.2, 0.35)))

    return replace(scene, cards=tuple(shiny(card) for card in scene.cards))


def _tone(scene: Scene, rng: Rng) -> Scene:
    tone = str(rng.choice(["s-mild", "s-strong", "flat", "lifted"]))
    return replace(scene, post=replace(scene.post, tone=tone))


CHANGES: dict[str, Callable[[Scene, Rng], Scene]] = {
    "kind": _kind,
    "hard": _hard,
    "3mp": _kind,
    "tilt": _kind,
    "wide": _kind,
    "curl": _curl,
    "print-entered": _kind,
    "print-assumed": _kind,
    "misprint": _misprint,
    "noise": _noise,
    "gloss": _gloss,
    "tone": _tone,
}
"""All groups, and what each changes in a drawn scene."""


def focused(scene: Scene) -> Scene:
    """The scene with the phone focused on what lies in the middle of its picture: the rest is out of focus a little."""
    distance_mm = scene.camera.centre_mm[2] / max(-float(optics(scene.camera).rotation[2, 2]), 0.1)
    return replace(scene, post=replace(scene.post, defocus_px=defocus_px_of(scene.camera, distance_mm=distance_mm)))


def random_scene(
    group: str,
    seed: int,
    *,
    width: int | None = None,
    height: int | None = None,
    px_per_mm: float | None = None,
    cards: int | None = None,
    focal_35mm: float | None = None,
    mat: str | None = None,
    contrast: float = 0.5,
) -> Scene:
    """A scene of a group, the same for the same arguments. Raises KeyError for a group that is not in `CHANGES`.

    Priors: 1-12 cards, 9-13 px/mm at 4032 x 3024 (half of that at 3 MP), tilt 0-15 degrees (15-35 in `tilt`), true
    focal length 24-27 mm equivalent within 0.5 mm of its tag, print scale 1 +- 0.3 % an axis, card thickness
    0.30 +- 0.03 mm, k1 -0.08...0.06 (-0.2...0.1 and 14-18 mm in `wide`). Where there is no room, fewer cards lie.

    Borders differ from the mat by `contrast` (see `draws.border_contrast`); 0 lets black cards lie on black felt.
    """
    change = CHANGES[group]
    rng = np.random.default_rng([seed, sum(ord(c) << (i % 16) for i, c in enumerate(group))])
    small = group == "3mp"
    width, height = width or (2016 if small else 4032), height or (1512 if small else 3024)
    focal = focal_35mm or float(rng.uniform(13.6, 18.4) if group == "wide" else rng.uniform(23.6, 27.4))
    density = px_per_mm or float(rng.uniform(9.3, 12.5)) * (0.5 if small else 1.0)
    tilt = float(rng.uniform(15, 35) if group == "tilt" else rng.uniform(0, 15))
    lens = (-0.2, 0.1) if group == "wide" else (-0.08, 0.06)
    camera = draw_camera(rng, width=width, height=height, px_per_mm=density, tilt_deg=tilt, focal_35mm=focal, k1=lens)
    drawn = [draw_card(rng) for _ in range(cards or int(rng.integers(1, 13)))]
    designs = ("square-80",)
    full = fullness(camera, drawn, designs=designs)
    for share in (full, max(full, 0.5), 1.0):  # closer together until all have room
        around = gathering(rng, camera, full=share)
        squares, laid = lay_out(rng, camera, drawn, designs=designs, around=around)
        if len(laid) == len(drawn):
            break
    light = kind_light(rng)
    cover = mat or str(rng.choice(DARK_MATS))
    laid = tuple(contrasting(card, cover, rng.spawn(1)[0], least=contrast) for card in laid)
    scene = Scene(
        camera=camera,
        light=light,
        mat=Mat(name=cover, seed=int(rng.integers(1 << 30))),
        squares=squares,
        cards=laid,
        print=draw_print(rng),
        post=draw_post(rng, light, focal_35mm=focal, size=0.5 if small else 1.0),
    )
    return focused(change(scene, rng))
