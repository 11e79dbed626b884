"""What scenes of all families begin with: a phone above a table of the fold, cards with the fold's faces."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from calibration.rig.draws import Rng, border_contrast, draw_camera, draw_card, draw_post, draw_print, kind_light
from calibration.rig.folds import Fold
from calibration.rig.groups import fullness, gathering, lay_out
from calibration.rig.lenses import with_classic_lens, with_shifted_principal, with_wave
from calibration.rig.mats import MATS
from calibration.rig.scene import Camera, Card, Face, Light, Mat, Post, Sampling, Scene
from calibration.rig.surfaces import POLISH
from calibration.rig.table_scenes import LIGHTS

CONTRAST = 0.3
"""Borders differ at least so much from a plain mat (see `draws.border_contrast`), where the fold has such faces."""
SAMPLING = Sampling(plain=2, face=3, print=36, edge=16, lamp=2)
"""Fewer rays than other scenes have: these are many and small, and 0.02 px a saddle point is below their noise."""
VIEW_MM = (230.0, 330.0)
"""What the long side of a photo shows."""


@dataclass(frozen=True, kw_only=True)
class Frame:
    """A picture's size, and its scale in its middle; its 35 mm equivalent focal length."""

    width: int
    height: int
    px_per_mm: float
    focal_35mm: float

    @property
    def blur_scale(self) -> float:
        """By what lengths in pixels are scaled, 1 at 12 MP: small pictures are binned from larger ones."""
        return min(1.0, math.sqrt(self.width * self.height / 12.2e6) * 1.25)


def drawn_frame(rng: Rng, *, width: int | None, height: int | None, px_per_mm: float | None) -> Frame:
    """A frame of 1 to 3 MP, 4:3 or 3:4, unless a size is given; main cameras, now and then a longer lens."""
    pixels, portrait = float(rng.uniform(1.0, 3.0)) * 1e6, rng.uniform() < 0.35
    long = 16 * round(math.sqrt(pixels * 4 / 3) / 16)
    sides = (long * 3 // 4, long) if portrait else (long, long * 3 // 4)
    width, height = width or sides[0], height or sides[1]
    view = float(rng.uniform(*VIEW_MM))
    focal = float(rng.uniform(35, 52) if rng.uniform() < 0.12 else rng.uniform(22.6, 28.4))
    return Frame(width=width, height=height, px_per_mm=px_per_mm or max(width, height) / view, focal_35mm=focal)


def drawn_camera(rng: Rng, frame: Frame, fold: Fold, *, wavy: float) -> Camera:
    """A phone above the table; its lens is one of the fold's waves with a chance of `wavy`, else a classic one."""
    camera = draw_camera(
        rng, width=frame.width, height=frame.height, px_per_mm=frame.px_per_mm,
        tilt_deg=min(abs(float(rng.normal(0, 9))), 30.0), focal_35mm=frame.focal_35mm,
    )  # fmt: skip
    return with_lens(rng, camera, fold, wavy=wavy)


def with_lens(rng: Rng, camera: Camera, fold: Fold, *, wavy: float) -> Camera:
    """The camera with a lens of the fold, its principal point moved by stabilisation."""
    if rng.uniform() < wavy:
        camera = with_wave(rng, camera, str(rng.choice(fold.lenses)))
    else:
        camera = with_classic_lens(rng, camera)
    return with_shifted_principal(rng, camera)


def drawn_mat(rng: Rng, fold: Fold, *, surface: float) -> Mat:
    """A table of the fold; with a chance of `surface` one that is no plain mat."""
    seed = int(rng.integers(1 << 30))
    if rng.uniform() < surface:
        name = str(rng.choice(fold.surfaces))
        return Mat(name=name, seed=seed, polish=POLISH.get(name, 0.0) * float(rng.uniform(0.3, 1.2)))
    return Mat(name=str(rng.choice(fold.mats)), seed=seed)


def drawn_card(rng: Rng, fold: Fold, *, mat: str) -> Card:
    """A card with a face of the fold; on a plain mat one that stands out, if there is one."""
    card = draw_card(rng, style=str(rng.choice(fold.faces)))
    for _ in range(12):
        if mat not in MATS or border_contrast(card, mat) >= CONTRAST:
            break
        card = replace(card, face=Face(style=str(rng.choice(fold.faces)), seed=int(rng.integers(1 << 30))))
    return card


def family_base(
    rng: Rng, fold: Fold, frame: Frame, *, camera: Camera | Callable[[], Camera], mat: Mat, light: Light | None = None,
    most_cards: int = 8,
) -> Scene:  # fmt: skip
    """One to eight cards and a square on a table; small squares now and then, fewer cards where there is no room.

    Raises ValueError where no place for the square is found.
    """
    made = camera if isinstance(camera, Camera) else camera()
    light = light or (kind_light(rng) if mat.name in MATS else LIGHTS[int(rng.integers(len(LIGHTS)))](rng))
    drawn = [drawn_card(rng, fold, mat=mat.name) for _ in range(int(rng.integers(1, most_cards + 1)))]
    designs = ("square-30",) if rng.uniform() < 0.15 else ("square-80",)
    full = fullness(made, drawn, designs=designs)
    for share in (full, max(full, 0.5), 1.0):
        around = gathering(rng, made, full=share)
        squares, laid = lay_out(rng, made, drawn, designs=designs, around=around)
        if len(laid) == len(drawn):
            break
    return Scene(
        camera=made, light=light, mat=mat, squares=squares, cards=laid, print=draw_print(rng),
        post=exposed_post(rng, light, frame),
        sampling=SAMPLING,
    )  # fmt: skip


def recast(scene: Scene, light: Light, rng: Rng) -> Scene:
    """The scene under another light, exposed for it."""
    tag = float(scene.post.focal_35mm_tag or 26)
    frame = Frame(width=scene.camera.width, height=scene.camera.height, px_per_mm=1.0, focal_35mm=tag)
    return replace(scene, light=light, post=exposed_post(rng, light, frame))


def exposed_post(rng: Rng, light: Light, frame: Frame) -> Post:
    """A phone's processing as in other scenes, but exposed as brightly as phones do it: white paper may be clipped."""
    post = draw_post(rng, light, focal_35mm=frame.focal_35mm, size=frame.blur_scale)
    return replace(post, exposure=post.exposure * float(rng.uniform(0.9, 1.4)))


def mean_colour(tile: np.ndarray) -> tuple[float, float, float]:
    """Mean reflectance of a cover's tile (n, n, 3)."""
    r, g, b = (float(v) for v in tile[::7, ::7].mean((0, 1)))
    return r, g, b
