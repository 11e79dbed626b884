"""The record of one nominal size class."""

from __future__ import annotations

from dataclasses import dataclass

from cardmeasure.errors import UsageError

Cut = tuple[float, float]
"""Nominal width and height, mm, width <= height."""
COMMON_PRACTICE = "common practice, no source"
"""Source of what the trade does without a standard."""


@dataclass(frozen=True, kw_only=True)
class SizeClass:
    """One nominal size class: what the trade means by one name.

    Its cuts may differ by a millimetre (63 x 88 and 63.5 x 88.9 mm are both "poker"), and every cut scatters.

    Parameters
    ----------
    id : what results call it: lower-case letters, digits and hyphens.
    names : what the trade calls it, the most usual first.
    cuts_mm : width and height of each cut, mm, width <= height.
    u_cut_mm : standard deviation of a side about its nominal value, mm; above 0.
    source : the standard, `COMMON_PRACTICE`, or what the user's own file says.
    is_on : whether sizes are matched to the class.
    """

    id: str
    names: tuple[str, ...]
    cuts_mm: tuple[Cut, ...]
    u_cut_mm: float
    source: str = COMMON_PRACTICE
    is_on: bool = True

    def __hash__(self) -> int:
        """Ids are unique in a table; hashing them alone keeps a table cheap as the key of a cache."""
        return hash(self.id)

    def __post_init__(self) -> None:
        """Raises UsageError for a class that no size can be matched to."""
        if not (self.cuts_mm and all(0.0 < width <= height for width, height in self.cuts_mm) and self.u_cut_mm > 0.0):
            raise UsageError(
                f"size class {self.id!r}: cuts_mm must hold at least one cut with 0 < width <= height, "
                "and u_cut_mm must be above 0."
            )
