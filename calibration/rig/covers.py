"""The cover of any table by its name: a plain mat's, or a hard table's."""

from __future__ import annotations

from calibration.rig import mats, table_covers
from calibration.rig.scene import Mat
from calibration.rig.shading import Cover


def cover_of(mat: Mat, *, px_per_mm: float) -> Cover:
    """The cover's textures. Raises KeyError for a name that is neither a mat's nor a table's."""
    if table_covers.is_table(mat.name):
        return table_covers.table_cover(mat, px_per_mm=px_per_mm)
    return mats.cover_of(mat, px_per_mm=px_per_mm)
