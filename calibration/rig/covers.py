"""The cover of any table by its name: a plain mat's, a hard table's, or one of the surfaces of families."""

from __future__ import annotations

from calibration.rig import mats, surfaces, table_covers
from calibration.rig.scene import Mat
from calibration.rig.shading import Cover


def cover_of(mat: Mat, *, px_per_mm: float) -> Cover:
    """The cover's textures. Raises KeyError for a name that no cover has."""
    if mat.name in surfaces.SURFACES:
        return surfaces.surface_cover(mat)
    if table_covers.is_table(mat.name):
        return table_covers.table_cover(mat, px_per_mm=px_per_mm)
    return mats.cover_of(mat, px_per_mm=px_per_mm)
