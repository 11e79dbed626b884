"""Families of scenes that vary what other scenes hold fixed, each drawn at random from a seed; see `folds`."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from calibration.rig.camera import focal_px_of
from calibration.rig.covers import cover_of
from calibration.rig.draws import Rng, hard_light, kind_light
from calibration.rig.family_clutter import with_clutter
from calibration.rig.family_drawing import (
    SAMPLING,
    Frame,
    drawn_camera,
    drawn_frame,
    drawn_mat,
    family_base,
    mean_colour,
    recast,
    with_lens,
)
from calibration.rig.family_lights import drawn_light
from calibration.rig.folds import Fold, fold_of
from calibration.rig.groups import focused
from calibration.rig.scene import Camera, Card, Face, Mat, Rgb, Scene, Shade, Warp
from calibration.rig.sheet_scenes import sheet_scene

Change = Callable[[Scene, Rng, Fold], Scene]

WAVY = {"lenses": 0.8, "crops": 0.5, "sheet-any": 0.5}
"""Share of shots with a wavy lens, where it is not `WAVY_ELSEWHERE`."""
WAVY_ELSEWHERE = 0.25
SURFACE = {"boards": 1.0, "surfaces": 1.0, "inks": 0.15, "lenses": 0.15, "alike": 0.5}
"""Share of shots on a table that is no plain mat, where it is not `SURFACE_ELSEWHERE`."""
SURFACE_ELSEWHERE = 0.33
TONES = ("srgb", "s-mild", "s-strong", "flat", "lifted")
TRIES = 8


def family_scene(
    family: str, seed: int, *, width: int | None = None, height: int | None = None, px_per_mm: float | None = None
) -> Scene:
    """A scene of a family, the same for the same arguments; 1 to 3 MP unless told otherwise. KeyError if unknown."""
    fold = fold_of(family)
    rng = np.random.default_rng([seed, 9100 + sum(ord(c) << (i % 12) for i, c in enumerate(family))])
    if family == "sheet-any":
        return focused(_sheet(rng, fold, width=width, height=height, px_per_mm=px_per_mm))
    for _ in range(TRIES):
        frame = drawn_frame(rng, width=width, height=height, px_per_mm=px_per_mm)
        wavy = WAVY.get(family, WAVY_ELSEWHERE)
        camera = _crop(rng, frame, fold) if family == "crops" else drawn_camera(rng, frame, fold, wavy=wavy)
        mat = drawn_mat(rng, fold, surface=SURFACE.get(family, SURFACE_ELSEWHERE))
        try:
            scene = family_base(rng, fold, frame, camera=camera, mat=mat)
        except ValueError:  # no room for the square, as beside a crop's edge
            continue
        return focused(CHANGES[family](scene, rng, fold))
    raise ValueError(f"no scene of {family} with seed {seed} has room for a square")


def _crop(rng: Rng, frame: Frame, fold: Fold) -> Camera:
    """A part of a larger picture: its principal point lies 5 to 30 % of the diagonal off its middle."""
    larger = float(rng.uniform(1.15, 1.7))
    whole = replace(frame, width=round(frame.width * larger), height=round(frame.height * larger))
    camera = drawn_camera(rng, whole, fold, wavy=WAVY["crops"])
    camera = replace(camera, focal_px=focal_px_of(frame.focal_35mm, width=whole.width, height=whole.height))
    turn, diagonal = float(rng.uniform(0, 2 * math.pi)), math.hypot(frame.width, frame.height)
    away = float(rng.uniform(0.05, 0.30)) * diagonal
    x = (frame.width - 1) / 2 + away * math.cos(turn) + camera.principal_px[0] - (whole.width - 1) / 2
    y = (frame.height - 1) / 2 + away * math.sin(turn) + camera.principal_px[1] - (whole.height - 1) / 2
    return replace(camera, width=frame.width, height=frame.height, principal_px=(x, y))


def _inks(scene: Scene, rng: Rng, fold: Fold) -> Scene:
    """Another printer: grey blacks, grey or yellow paper, ink that runs, bands and blocked nozzles."""
    level = float(rng.uniform(0.60, 0.95))
    paper: Rgb = (level, level * float(rng.uniform(0.96, 1.0)), level * float(rng.uniform(0.84, 1.02)))
    made = replace(
        scene.print, ink=float(rng.uniform(0.03, 0.20)), paper=paper, spread_mm=float(rng.uniform(-0.03, 0.14)),
        softness_mm=float(rng.uniform(0.02, 0.14)), halftone_mm=float(rng.choice([0.17, 0.25, 0.34, 0.42])),
        streaks=float(rng.uniform(0.05, 0.45)) if rng.uniform() < 0.6 else 0.0, streak_mm=float(rng.uniform(2, 12)),
    )  # fmt: skip
    return replace(scene, print=made)


def _processing(scene: Scene, rng: Rng, fold: Fold) -> Scene:
    """A phone whose software makes much of the picture, and a messenger that makes little of the file."""
    scale = max(0.6, Frame(width=scene.camera.width, height=scene.camera.height, px_per_mm=1, focal_35mm=26).blur_scale)

    def perhaps(chance: float, low: float, high: float) -> float:
        return float(rng.uniform(low, high)) if rng.uniform() < chance else 0.0

    sent = rng.uniform() < 0.4
    post = replace(
        scene.post, sharpen=float(rng.uniform(0.4, 2.4)), sharpen_px=float(rng.uniform(0.7, 2.2)),
        halo_light=float(rng.uniform(0.02, 0.12)), halo_dark=float(rng.uniform(0.04, 0.20)),
        local_tone=perhaps(0.7, 0.1, 0.4), smear=perhaps(0.7, 0.008, 0.035), smear_px=int(rng.integers(1, 4)),
        chroma=perhaps(0.7, 0.003, 0.015), chroma_px=float(rng.uniform(4, 14)),
        shot=scene.post.shot * float(rng.uniform(1, 8)), read=scene.post.read * float(rng.uniform(1, 4)),
        field_px=float(rng.uniform(0.4, 2.4)) * scale, tone=str(rng.choice(TONES)),
        quality=int(rng.integers(60, 81)) if sent else int(rng.integers(75, 97)),
        taken=float(rng.uniform(1.15, 1.5)) if sent else 1.0, saved=(int(rng.integers(85, 96)),) if sent else (),
    )  # fmt: skip
    camera = replace(
        scene.camera, lateral_red=1 + float(rng.normal(0, 4e-4)), lateral_blue=1 + float(rng.normal(0, 6e-4))
    )
    return replace(scene, post=post, camera=camera)


def _worn(scene: Scene, rng: Rng, fold: Fold) -> Scene:
    return replace(scene, cards=tuple(worn_card(card, rng) for card in scene.cards))


def worn_card(card: Card, rng: Rng) -> Card:
    """A card after many games: bowed along both axes, twisted, dog-eared, frayed, rubbed; now and then still flat."""
    warp = None
    if rng.uniform() < 0.75:
        bow_x, bow_y, twist = (float(np.clip(rng.normal(0, 0.3), -0.8, 0.8)) for _ in range(3))
        ear = float(rng.uniform(0.6, 3.0)) if rng.uniform() < 0.25 else 0.0
        warp = Warp(bow_x_mm=bow_x, bow_y_mm=bow_y, twist_mm=twist, ear_mm=ear, ear_corner=int(rng.integers(4)),
                    ear_reach_mm=float(rng.uniform(4, 9)))  # fmt: skip
    face = replace(card.face, wear=float(rng.uniform(0.1, 1.0)))
    return replace(card, warp=warp, face=face, fray_mm=float(rng.uniform(0.0, 0.12)))


def _alike(scene: Scene, rng: Rng, fold: Fold) -> Scene:
    """Borders nearly of the table's tone: on any table, white on white, black on black; often under a side light."""
    kind, mat = str(rng.choice(["table", "table", "pale", "black"])), scene.mat
    if kind in ("pale", "black"):
        mat = _laminate(rng, pale=kind == "pale")
        scene = replace(scene, mat=mat)
    tone = mean_colour(cover_of(mat, px_per_mm=6.0).tile)
    cards = tuple(alike_card(card, rng, tone) if rng.uniform() < 0.7 else card for card in scene.cards)
    scene = replace(scene, cards=cards)
    return _side_lit(scene, rng) if rng.uniform() < 0.5 else scene


def alike_card(card: Card, rng: Rng, tone: Rgb) -> Card:
    """The card with a border within a fifth of a tone, and now and then a core as much alike."""
    factors = float(rng.uniform(0.82, 1.22)) * rng.normal(1, 0.03, 3)
    own = tuple(float(np.clip(t * f, 0.02, 0.86)) for t, f in zip(tone, factors, strict=True))
    border: Rgb = (own[0], own[1], own[2])
    core = border if rng.uniform() < 0.3 else card.core
    return replace(card, face=replace(card.face, tone=border), core=core)


def _laminate(rng: Rng, *, pale: bool) -> Mat:
    """A laminated desk whose tone is among the palest, or the darkest."""
    for _ in range(60):
        mat = Mat(name="laminate", seed=int(rng.integers(1 << 30)), polish=0.1)
        level = mean_colour(cover_of(mat, px_per_mm=6.0).tile)[1]
        if level > 0.5 if pale else level < 0.15:
            break
    return mat


def _side_lit(scene: Scene, rng: Rng) -> Scene:
    """The scene under a low lamp whose light fades from one side to the other."""
    shade = Shade(kind="ramp", depth=float(rng.uniform(0.4, 0.85)), seed=int(rng.integers(1 << 30)))
    light = hard_light(rng) if rng.uniform() < 0.5 else kind_light(rng)
    return recast(scene, replace(light, shades=(shade,)), rng)


def _lit(scene: Scene, rng: Rng, fold: Fold) -> Scene:
    return recast(scene, drawn_light(rng, scene.camera), rng)


def _cluttered(scene: Scene, rng: Rng, fold: Fold) -> Scene:
    return with_clutter(scene, rng)


def _as_drawn(scene: Scene, rng: Rng, fold: Fold) -> Scene:
    return scene


CHANGES: dict[str, Change] = {
    "lenses": _as_drawn,
    "crops": _as_drawn,
    "inks": _inks,
    "processing": _processing,
    "worn": _worn,
    "alike": _alike,
    "boards": _as_drawn,
    "surfaces": _as_drawn,
    "light": _lit,
    "clutter": _cluttered,
}
"""What each family changes in a drawn scene; the sheet's scenes are drawn by `_sheet`."""


def _sheet(rng: Rng, fold: Fold, *, width: int | None, height: int | None, px_per_mm: float | None) -> Scene:
    """A measuring sheet with cards on it, under one to three of the other families' changes."""
    frame = drawn_frame(rng, width=width, height=height, px_per_mm=px_per_mm)
    scale = px_per_mm or max(frame.width, frame.height) / float(rng.uniform(250, 300))
    scene = sheet_scene(int(rng.integers(1 << 30)), width=frame.width, height=frame.height, px_per_mm=scale)
    post = replace(scene.post, blur_px=max(0.5, scene.post.blur_px * frame.blur_scale))
    mat, camera = drawn_mat(rng, fold, surface=0.5), with_lens(rng, scene.camera, fold, wavy=WAVY["sheet-any"])
    faces = [replace(c, face=Face(style=str(rng.choice(fold.faces)), seed=c.face.seed)) for c in scene.cards]
    scene = replace(scene, post=post, mat=mat, camera=camera, cards=tuple(faces), sampling=SAMPLING)
    names = [str(v) for v in rng.permutation(list(SHEET_CHANGES))[: int(rng.integers(1, 4))]]
    for name in sorted(names, key=list(SHEET_CHANGES).index):
        scene = SHEET_CHANGES[name](scene, rng, fold)
    return scene


def _alike_check(scene: Scene, rng: Rng, fold: Fold) -> Scene:
    """Cards as grey as the cells of the check."""
    level = scene.print.light if rng.uniform() < 0.5 else scene.print.dark
    cards = tuple(alike_card(card, rng, (level, level, level)) if rng.uniform() < 0.6 else card for card in scene.cards)
    return replace(scene, cards=cards)


SHEET_CHANGES: dict[str, Change] = {
    "inks": _inks, "light": _lit, "alike": _alike_check, "worn": _worn, "clutter": _cluttered,
    "processing": _processing,
}  # fmt: skip
"""What may happen to a sheet, in the order in which it happens: light exposes anew, so it comes before processing."""
