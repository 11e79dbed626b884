"""Photos of one phone and one print, solved again together from what each of them said."""

from cardmeasure.together.joint import JointSizes, joint_sizes
from cardmeasure.together.observations import CardObservation, ShotObservations, shot_observations
from cardmeasure.together.solving import solved_together

__all__ = [
    "CardObservation",
    "JointSizes",
    "ShotObservations",
    "joint_sizes",
    "shot_observations",
    "solved_together",
]
