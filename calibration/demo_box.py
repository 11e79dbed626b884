"""Renders the photos of `sample_images/demo_box`: an invented game of five decks, one photo each, by one phone.

    python -m calibration.demo_box [FOLDER]

Photos that are there already are left alone; those that are kept come from an earlier state of the rig. Truth stands
beside each photo, the print profile in the folder.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.rig.draws import contrasting, draw_camera, draw_card, draw_post, draw_print, kind_light
from calibration.rig.groups import lay_out
from calibration.rig.scene import Mat, Scene
from calibration.rig.shots import write_shot
from calibration.samples import Printer, print_toml

WIDTH, HEIGHT = 2016, 1512
FOCAL_35MM = 26.0
PRINTER = Printer(folder="photos", scale_x=1.0019, scale_y=0.9984, seed=21)


@dataclass(frozen=True, kw_only=True)
class DeckShot:
    """One deck's photo: its name, the cut of its cards with its size class, how many lie there, face, scale, seed."""

    name: str
    cut: tuple[float, float, str | None]
    cards: int
    style: str
    px_per_mm: float
    seed: int


SHOTS = (
    DeckShot(name="tides", cut=(63.0, 88.0, "poker"), cards=6, style="white-border", px_per_mm=5.6, seed=601),
    DeckShot(name="crew", cut=(57.0, 88.0, "bridge"), cards=6, style="nearly-blank", px_per_mm=5.6, seed=612),
    DeckShot(name="cargo", cut=(41.0, 63.0, "mini-american"), cards=8, style="white-border", px_per_mm=6.2, seed=603),
    DeckShot(name="charts", cut=(70.0, 120.0, "tarot"), cards=4, style="white-border", px_per_mm=5.2, seed=614),
    DeckShot(name="omens", cut=(48.0, 101.5, None), cards=5, style="white-border", px_per_mm=5.6, seed=605),
)


def scene_of(shot: DeckShot) -> Scene:
    """The scene of a deck's photo; the same for the same shot."""
    rng = np.random.default_rng(shot.seed)
    camera = draw_camera(
        rng, width=WIDTH, height=HEIGHT, px_per_mm=shot.px_per_mm, tilt_deg=float(rng.uniform(2, 9)),
        focal_35mm=FOCAL_35MM, k1=(-0.05, 0.04),
    )  # fmt: skip
    drawn = [draw_card(rng, nominal=shot.cut, style=shot.style) for _ in range(shot.cards)]
    drawn = [replace(card, thickness_mm=0.31) for card in drawn]
    squares, laid = lay_out(rng, camera, drawn, designs=("square-80",), around=(WIDTH / 2, HEIGHT / 2))
    if len(laid) < shot.cards:
        raise ValueError(f"{shot.name}: no room for all {shot.cards} cards")
    light = kind_light(rng)
    post = replace(draw_post(rng, light, focal_35mm=FOCAL_35MM, size=0.5), quality=84)
    return Scene(
        camera=camera,
        light=light,
        mat=Mat(name="dark-felt", seed=shot.seed),
        squares=squares,
        cards=tuple(contrasting(card, "dark-felt", rng.spawn(1)[0], least=0.5) for card in laid),
        print=replace(draw_print(rng), scale_x=PRINTER.scale_x, scale_y=PRINTER.scale_y),
        post=post,
    )


def main(folder: Path) -> None:
    """Render what is not there yet."""
    place = folder / PRINTER.folder
    place.mkdir(parents=True, exist_ok=True)
    (place / "print.toml").write_text(print_toml(PRINTER), encoding="utf-8")
    for shot in SHOTS:
        path = place / f"{shot.name}.jpg"
        if not path.exists():
            write_shot(scene_of(shot), path, seed=shot.seed)
            print(path, file=sys.stderr)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent.parent / "sample_images" / "demo_box")
