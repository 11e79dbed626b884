"""From a scene to linear light."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.rig.camera import optics
from calibration.rig.compiled import over_rows
from calibration.rig.kernel import Counts, cast_rows
from calibration.rig.packing import pack
from calibration.rig.scene import Scene
from calibration.rig.shades import shaded
from calibration.rig.spoiling import spoiled


def render(scene: Scene, *, seed: int = 0) -> NDArray[np.float32]:
    """Linear radiance of the upright photo before the lens blurs it, (height, width, 3), white in full light about 1.

    Each pixel is the mean over its square, whose middle has whole coordinates. The same scene and seed give the same
    picture. Raises KeyError for a mat, face or design that does not exist, ValueError for more than 64 pieces.
    """
    camera, s = scene.camera, scene.sampling
    image = np.empty((camera.height, camera.width, 3), np.float32)
    counts = Counts(plain=s.plain, face=s.face, print=s.print, edge=s.edge, lamp=s.lamp, seed=seed)
    world, lens = pack(scene), optics(camera)
    over_rows(camera.height, lambda first, last: cast_rows(image[first:last], first, world, lens, counts, camera.width))
    return spoiled(shaded(image, scene), scene)
