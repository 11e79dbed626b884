"""Several shots of one phone: the same lens but for what focus and stabilisation move from shot to shot.

A *run* is what `--together` is for: some shots of one phone and one print, everything else new in each.
"""

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
RUNS = ("run-entered", "run-assumed")
"""Groups of runs, the phones taking turns: the bars of the print have been read, nothing is known of the print."""
RUN_SHOTS = 5
RUN_PX_PER_MM = 9.0


def run_of(seed: int) -> tuple[int, int]:
    """Which run of its group a seed stands for, and which shot of the run."""
    return divmod(seed, RUN_SHOTS)


def run_scene(
    group: str, seed: int, *, width: int | None = None, height: int | None = None, px_per_mm: float | None = None
) -> Scene:
    """A shot of a run of one of the groups `RUNS`; each run is of a phone and a print of its own."""
    run, shot = run_of(seed)
    phone = run * len(RUNS) + RUNS.index(group)
    size = (width or WIDTH_PX, height or HEIGHT_PX)
    return phone_scene(phone, shot, size_px=size, px_per_mm=px_per_mm or RUN_PX_PER_MM, closer=True)


def phone_scene(
    phone: int, shot: int, *, cards: int | None = None, design: str = "square-80",
    size_px: tuple[int, int] = (WIDTH_PX, HEIGHT_PX), px_per_mm: float = PX_PER_MM, closer: bool = False,
) -> Scene:  # fmt: skip
    """Shot number `shot` of phone number `phone`: 1 to 5 cards, unless told otherwise, in kind light.

    closer: they lie closer together where not all have room; else what has none stays away.
    """
    width, height = size_px
    of_phone, rng = np.random.default_rng([phone, 83]), np.random.default_rng([phone, shot, 84])
    focal = float(of_phone.uniform(23.6, 27.4))
    lens = draw_camera(of_phone, width=width, height=height, px_per_mm=px_per_mm, tilt_deg=0.0, focal_35mm=focal)
    camera = _of_shot(lens, rng, focal_35mm=focal, px_per_mm=px_per_mm)
    drawn = [draw_card(rng) for _ in range(cards or int(rng.integers(1, 6)))]
    designs = (design,)
    full = fullness(camera, drawn, designs=designs)
    for share in (full, max(full, 0.5), 1.0) if closer else (full,):
        squares, laid = lay_out(rng, camera, drawn, designs=designs, around=gathering(rng, camera, full=share))
        if len(laid) == len(drawn):
            break
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


def _of_shot(lens: Camera, rng: Rng, *, focal_35mm: float, px_per_mm: float) -> Camera:
    """A pose of its own, and the lens with what moves between shots."""
    width, height = lens.width, lens.height
    pose = draw_camera(
        rng, width=width, height=height, px_per_mm=px_per_mm * float(rng.uniform(0.9, 1.15)),
        tilt_deg=float(rng.uniform(0, 15)), focal_35mm=focal_35mm,
    )  # fmt: skip
    own = rng.normal(size=3) * SD_K
    x, y = lens.principal_px + rng.normal(0, SD_PRINCIPAL * float(np.hypot(width, height)), 2)
    return replace(
        lens,
        rotation=pose.rotation,
        centre_mm=pose.centre_mm,
        focal_px=focal_px_of(focal_35mm, width=width, height=height) * float(np.exp(rng.normal(0, SD_FOCAL))),
        principal_px=(float(x), float(y)),
        k1=lens.k1 + float(own[0]), k2=lens.k2 + float(own[1]), k3=lens.k3 + float(own[2]),
        p1=lens.p1 + float(rng.normal(0, SD_TANGENTIAL)), p2=lens.p2 + float(rng.normal(0, SD_TANGENTIAL)),
    )  # fmt: skip
