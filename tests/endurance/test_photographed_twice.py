"""Rendered tables photographed twice, from another side, are told from the same table laid anew."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.rig.draws import draw_camera
from calibration.rig.groups import random_scene
from calibration.rig.shots import write_shot
from cardmeasure.batch import find_photos, run
from cardmeasure.batch.duplicates import with_duplicates
from cardmeasure.settings import Settings

WIDTH_PX, HEIGHT_PX = 1480, 1110
TABLES = 5


def test_the_second_photo_of_a_table_is_a_duplicate_and_no_other(tmp_path: Path) -> None:
    for seed in range(TABLES):
        scene = random_scene("kind", 300 + seed, width=WIDTH_PX, height=HEIGHT_PX, px_per_mm=4.6, cards=3)
        write_shot(scene, tmp_path / f"{seed}a.jpg", seed=seed)
        rng = np.random.default_rng(seed)
        tilt = float(rng.uniform(4, 20))
        camera = draw_camera(rng, width=WIDTH_PX, height=HEIGHT_PX, px_per_mm=4.2, tilt_deg=tilt, focal_35mm=26.0)
        write_shot(replace(scene, camera=camera), tmp_path / f"{seed}b.jpg", seed=100 + seed)
    rows = sorted(run(find_photos([tmp_path]), settings=Settings()), key=lambda row: row.index)
    faces = {row.index: row.faces for row in rows if row.faces is not None}
    shots = with_duplicates([row.shot for row in rows], faces=faces)
    assert [shot.status for shot in shots] == ["measured"] * 2 * TABLES
    pairs = list(zip(shots[::2], shots[1::2], strict=True))
    for first, second in pairs:
        assert {first.duplicate_of, second.duplicate_of} <= {None, first.file, second.file}
    # a single card with a size proves nothing
    enough = [pair for pair in pairs if all(sum(card.is_sized for card in shot.cards) > 1 for shot in pair)]
    assert len(enough) > TABLES / 2
    assert all((first.duplicate_of is None) != (second.duplicate_of is None) for first, second in enough)
