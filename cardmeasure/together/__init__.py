"""Photos of one phone and one print, solved again together from what each of them said."""

from cardmeasure.together.observations import CardObservation, ShotObservations, shot_observations
from cardmeasure.together.solving import solved_together

__all__ = ["CardObservation", "ShotObservations", "shot_observations", "solved_together"]
