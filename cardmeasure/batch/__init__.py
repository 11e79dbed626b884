"""Many photos: finding them, measuring them in several processes, and a journal so that nothing is done twice."""

from cardmeasure.batch.measuring import measure_found
from cardmeasure.batch.photos import FoundPhoto, find_photos, lenses_beside, profiles_beside
from cardmeasure.batch.running import Done, default_processes, run

__all__ = [
    "Done",
    "FoundPhoto",
    "default_processes",
    "find_photos",
    "lenses_beside",
    "measure_found",
    "profiles_beside",
    "run",
]
