"""Several shots of one phone: the same lens but for what focus and stabilisation move from shot to shot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.rig.camera import focal_px_of
from calibration.rig.draws import DARK_MATS, contrasting, draw_camera, draw_card, draw_post, draw_print, kind_light
from calibration.rig.groups import focused, fullness, gathering, lay_out
from calibration.rig.scene import Camera, Mat, Scene

Rng = np.random.Generator

WIDTH_PX, HEIGHT_PX, PX_PER_MM = 2016, 1512, 6.0
SD_FOCAL, SD_K, SD_TANGENTIAL, SD_PRINCIPAL = 0.003, (0.006, 0.006, 0.003), 1e-4, 0.001
"""How far a shot's focal length (relative), k1 to k3, p1 and p2, and principal point (share of the diagonal) are from
the phone's own."""


def phone_scene(phone: int, shot: int, *, cards: int | None = None, design: str = "square-80") -> Scene:
    """Shot number `shot` of phone number `phone`: 1 to 5 cards, unless told otherwise, in kind light."""
    of_phone, rng = np.random.default_rng([phone, 83]), np.random.default_rng([phone, shot, 84])
    focal = float(of_phone.uniform(23.6, 27.4))
    lens = draw_camera(of_phone, width=WIDTH_PX, height=HEIGHT_PX, px_per_mm=PX_PER_MM, tilt_deg=0.0, focal_35mm=focal)
    camera = _of_shot(lens, rng, focal_35mm=focal)
    drawn = [draw_card(rng) for _ in range(cards or int(rng.integers(1, 6)))]
    designs = (design,)
    full = fullness(camera, drawn, designs=designs)
    squares, laid = lay_out(rng, camera, drawn, designs=designs, around=gathering(rng, camera, full=full))
    light, mat = kind_light(rng), str(rng.choice(DARK_MATS))
    post = draw_post(rng, light, focal_35mm=focal, size=0.5)
    return focused(
        Scene(
            camera=camera,
            light=light,
            mat=Mat(name=mat, seed=int(rng.integers(1 << 30))),
            squares=squares,
            cards=tuple(contrasting(card, mat, rng.spawn(1)[0], least=0.5) for card in laid),
            print=draw_print(of_phone),
            post=replace(post, model=f"Fjordlys P{phone}", orientation=1),
        )
    )


def _of_shot(lens: Camera, rng: Rng, *, focal_35mm: float) -> Camera:
    """A pose of its own, and the lens with what moves between shots."""
    pose = draw_camera(
        rng, width=WIDTH_PX, height=HEIGHT_PX, px_per_mm=PX_PER_MM * float(rng.uniform(0.9, 1.15)),
        tilt_deg=float(rng.uniform(0, 15)), focal_35mm=focal_35mm,
    )  # fmt: skip
    own = rng.normal(size=3) * SD_K
    x, y = lens.principal_px + rng.normal(0, SD_PRINCIPAL * float(np.hypot(WIDTH_PX, HEIGHT_PX)), 2)
    return replace(
        lens,
        rotation=pose.rotation,
        centre_mm=pose.centre_mm,
        focal_px=focal_px_of(focal_35mm, width=WIDTH_PX, height=HEIGHT_PX) * float(np.exp(rng.normal(0, SD_FOCAL))),
        principal_px=(float(x), float(y)),
        k1=lens.k1 + float(own[0]), k2=lens.k2 + float(own[1]), k3=lens.k3 + float(own[2]),
        p1=lens.p1 + float(rng.normal(0, SD_TANGENTIAL)), p2=lens.p2 + float(rng.normal(0, SD_TANGENTIAL)),
    )  # fmt: skip
