"""Nominal size classes: the table of them, and matching a measured size to it."""

from cardmeasure.classes.matching import match_size, match_sizes
from cardmeasure.classes.size_class import COMMON_PRACTICE, Cut, SizeClass
from cardmeasure.classes.table import enabled, read_classes, standard_classes

__all__ = [
    "COMMON_PRACTICE",
    "Cut",
    "SizeClass",
    "enabled",
    "match_size",
    "match_sizes",
    "read_classes",
    "standard_classes",
]
