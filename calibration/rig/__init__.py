"""The rendering rig: our own ray caster over slabs on a table, with exact truth beside each shot."""

from calibration.rig.groups import random_scene
from calibration.rig.rendering import render
from calibration.rig.scene import Scene
from calibration.rig.shots import write_shot
from calibration.rig.truth import truth

PICTURES = 1
"""Version of the pictures: whoever changes what any existing scene looks like raises it, and all are rendered anew."""
FAMILY_PICTURES = 1
"""The same for families of scenes, which are rendered anew when either is raised."""

__all__ = ["FAMILY_PICTURES", "PICTURES", "Scene", "random_scene", "render", "truth", "write_shot"]
