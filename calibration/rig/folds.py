"""Which families of scenes belong together: four folds, fixed beforehand, to fit on three and to test on the fourth.

Kinds of faces, of tables and of lenses are split between the folds as well: scenes of a fold show none of another's. So
what was fitted to three folds has seen neither the effect nor the looks that the fourth tests it with.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Fold:
    """One fold: its number, and its families, faces (`face_rasters.STYLES`), plain mats (`mats.MATS`), other tables
    (`surfaces.SURFACES`) and wavy lenses (`lenses.WAVES`)."""

    number: int
    families: tuple[str, ...]
    faces: tuple[str, ...]
    mats: tuple[str, ...]
    surfaces: tuple[str, ...]
    lenses: tuple[str, ...]


FOLDS = (
    Fold(
        number=1,
        families=("lenses", "worn", "light"),
        faces=("white-border", "full-bleed", "lattice-back"),
        mats=("dark-felt", "pale-linen"),
        surfaces=("marble", "leather", "open-brick"),
        lenses=("moustache",),
    ),
    Fold(
        number=2,
        families=("crops", "boards", "inks"),
        faces=("black-border", "nearly-blank", "ray-back", "two-tone"),
        mats=("grey-neoprene",),
        surfaces=("planks", "oilcloth", "hex-board", "pale-wood"),
        lenses=("one-crossing",),
    ),
    Fold(
        number=3,
        families=("processing", "alike", "clutter"),
        faces=("coloured-border", "frame-line", "icons", "parchment"),
        mats=("green-cloth", "brown-linen"),
        surfaces=("folded-cloth", "open-grass", "laminate"),
        lenses=("early-rise",),
    ),
    Fold(
        number=4,
        families=("surfaces", "sheet-any"),
        faces=("framed-dark", "portrait", "fading", "rules-only"),
        mats=("blue-velour",),
        surfaces=("speckled-stone", "printed-page", "carpet", "terrazzo", "open-gravel"),
        lenses=("two-crossings",),
    ),
)
FAMILIES = tuple(family for fold in FOLDS for family in fold.families)
"""All families, fold by fold."""


def fold_of(family: str) -> Fold:
    """The fold of a family. Raises KeyError for a name that no fold has."""
    for fold in FOLDS:
        if family in fold.families:
            return fold
    raise KeyError(family)
