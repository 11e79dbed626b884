"""Renders `sample_images`: photos as two households would take them, with the print profile each would have written.

    python -m calibration.samples [FOLDER]

The scenes, faces and phones are invented; the same version of the rig renders the same pictures. Those that are kept in
`sample_images` come from an earlier one. Photos that are there already are left alone. Truth stands beside each photo.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.rig.bank_scenes import bank_scene
from calibration.rig.decoy_scenes import decoy_scene
from calibration.rig.groups import random_scene
from calibration.rig.neighbour_scenes import neighbour_scene
from calibration.rig.odd_scenes import odd_scene
from calibration.rig.scene import Print, Scene
from calibration.rig.sheet_scenes import sheet_scene
from calibration.rig.shots import write_shot
from calibration.rig.table_scenes import table_scene
from cardmeasure.reference.layout import page_layout

U_READING_MM = 0.08
"""Of a bar read with a good steel rule and a magnifier, the rule's own limits included."""
BARS = ("long_bar", "short_bar", "diagonal")


@dataclass(frozen=True, kw_only=True)
class Printer:
    """One household's print: the folder its photos lie in, its true scales, and the seed of its reading errors."""

    folder: str
    scale_x: float
    scale_y: float
    seed: int


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One photo: its file, the group and seed its scene is drawn from, how many cards, and how the phone wrote it."""

    name: str
    group: str
    seed: int
    cards: int
    mat: str | None = None
    width: int = 4032
    height: int = 3024
    px_per_mm: float | None = None
    quality: int = 88
    orientation: int = 1


KITCHEN = Printer(folder="kitchen_printer", scale_x=1.0024, scale_y=0.9979, seed=11)
OFFICE = Printer(folder="office_printer", scale_x=0.9966, scale_y=1.0011, seed=12)
COMPONENTS = Printer(folder="odd_components", scale_x=1.0014, scale_y=0.9986, seed=13)
THICKNESS = {
    COMPONENTS: "# Tiles and tokens, measured with a calliper; the card between them is as thick as cards are.\n"
    "[pieces]\ncircle = 3.0\npolygon = 3.0\n"
}
"""What households wrote down of pieces that are thicker than cards."""
SHEET = Printer(folder="measuring_sheet", scale_x=0.9978, scale_y=1.0014, seed=15)
ANYWHERE = Printer(folder="any_table", scale_x=1.0019, scale_y=0.9988, seed=16)
SHOTS: dict[Printer, tuple[Shot, ...]] = {
    KITCHEN: (
        Shot(name="kitchen_table.jpg", group="kind", seed=301, cards=9, px_per_mm=9.4, mat="blue-velour"),
        Shot(name="evening_mat.heic", group="kind", seed=302, cards=6, quality=50, mat="dark-felt"),
        Shot(name="one_odd_size.jpg", group="kind", seed=317, cards=1, width=2016, height=1512, px_per_mm=8.5),
    ),
    OFFICE: (
        Shot(name="desk_mat.jpg", group="kind", seed=304, cards=9, px_per_mm=9.4),
        Shot(name="held_upright.jpg", group="kind", seed=305, cards=7, orientation=6),
        Shot(name="from_the_chair.jpg", group="tilt", seed=306, cards=4, width=2592, height=1944, px_per_mm=7.0),
        Shot(
            name="window_light.jpg",
            group="kind",
            seed=307,
            cards=5,
            width=2592,
            height=1944,
            px_per_mm=6.5,
            mat="dark-felt",
        ),
    ),
    COMPONENTS: (
        Shot(name="tiles_and_tokens.jpg", group="odd", seed=9483, cards=5, width=2016, height=1512, px_per_mm=8.0),
    ),
    ANYWHERE: (
        Shot(
            name="wooden_table.jpg",
            group="tables",
            seed=511,
            cards=5,
            width=2016,
            height=1512,
            px_per_mm=7.0,
            mat="wood-grain",
        ),
        Shot(name="edge_to_edge.jpg", group="neighbours", seed=522, cards=4, width=2016, height=1512, px_per_mm=7.0),
        Shot(name="things_lying_about.jpg", group="decoys", seed=513, cards=3, width=2016, height=1512, px_per_mm=7.0),
    ),
    SHEET: (Shot(name="white_desk.jpg", group="sheet", seed=427, cards=6, width=2016, height=1512, px_per_mm=6.9),),
}


ELSEWHERE: dict[str, Callable[[Shot], Scene]] = {
    "tables": lambda shot: table_scene(
        shot.seed, width=shot.width, height=shot.height, px_per_mm=shot.px_per_mm, cards=shot.cards, table=shot.mat
    ),
    "neighbours": lambda shot: neighbour_scene(
        shot.seed, width=shot.width, height=shot.height, px_per_mm=shot.px_per_mm, kind="row"
    ),
    "decoys": lambda shot: decoy_scene(shot.seed, width=shot.width, height=shot.height, px_per_mm=shot.px_per_mm),
}
"""Groups whose scenes are not drawn as those of cards on a mat are."""


def scene_of(shot: Shot, printer: Printer) -> Scene:
    """The scene of a shot, printed by a printer."""
    if shot.group == "odd":
        scene = odd_scene(shot.seed, width=shot.width, height=shot.height, px_per_mm=shot.px_per_mm, kind="tokens")
    elif shot.group == "sheet":
        scene = sheet_scene(
            shot.seed, width=shot.width, height=shot.height, px_per_mm=shot.px_per_mm, cards=shot.cards, paper="a4"
        )
        scene = replace(scene, mat=replace(scene.mat, name="pale-linen"))
    elif shot.group in ELSEWHERE:
        scene = ELSEWHERE[shot.group](shot)
    else:
        scene = _scene_of_cards(shot)
    post = replace(scene.post, quality=shot.quality, orientation=shot.orientation)
    made: Print = replace(scene.print, scale_x=printer.scale_x, scale_y=printer.scale_y)
    return replace(scene, print=made, post=post)


def _scene_of_cards(shot: Shot) -> Scene:
    return random_scene(
        shot.group, shot.seed, width=shot.width, height=shot.height, px_per_mm=shot.px_per_mm, cards=shot.cards,
        mat=shot.mat,
    )  # fmt: skip


def print_toml(printer: Printer) -> str:
    """What the household read on its page: the true lengths, each with an error drawn from its stated u."""
    rng = np.random.default_rng(printer.seed)
    layout = page_layout("a4")
    lines = ["# Read on the printed page with a steel rule and a magnifier."]
    for name in BARS:
        mark = layout.mark(name)
        across, down = (abs(b - a) for a, b in zip(mark.start_mm, mark.end_mm, strict=True))
        length = float(np.hypot(across * printer.scale_x, down * printer.scale_y))
        reading = round(length + float(rng.normal(0, U_READING_MM)), 2)
        lines += ["", f"[{name}]", f"reading_mm = {reading}", f"u_mm = {U_READING_MM}"]
    return "\n".join(lines) + "\n"


BANK_CARD_SHOT = "no_readings/bank_card.jpg"
"""A household that has read nothing on its page, and lays a bank card (an invented one) beside the cards."""


def bank_card_scene() -> Scene:
    """Five cards, one of them the bank card, at 3 MP."""
    scene = bank_scene(9414, width=2016, height=1512, px_per_mm=6.6, cards=4, mat="dark-felt")
    return replace(scene, post=replace(scene.post, quality=88, orientation=1))


def main(folder: Path) -> None:
    """Render what is not there yet."""
    if not (folder / BANK_CARD_SHOT).exists():
        write_shot(bank_card_scene(), folder / BANK_CARD_SHOT, seed=9414)
    for printer, shots in SHOTS.items():
        place = folder / printer.folder
        place.mkdir(parents=True, exist_ok=True)
        (place / "print.toml").write_text(print_toml(printer), encoding="utf-8")
        if printer in THICKNESS:
            (place / "thickness.toml").write_text(THICKNESS[printer], encoding="utf-8")
        for shot in shots:
            if not (place / shot.name).exists():
                write_shot(scene_of(shot, printer), place / shot.name, seed=shot.seed)
                print(place / shot.name, file=sys.stderr)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent.parent / "sample_images")
