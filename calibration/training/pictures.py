"""Pictures to print on faces and boards, and textures of tables: painted by chance, or from scikit-image.

scikit-image's `brick`, `grass`, `gravel`, `coffee` and `chelsea` are CC0, `rocket` and `hubble_deep_field` in the
public domain, as its documentation says of each.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from calibration.training.noise import Floats, Rng, any_colour, mixed, octaves

TEXTURES = ("brick", "grass", "gravel")
PHOTOGRAPHS = ("coffee", "chelsea", "rocket", "hubble_deep_field")
SIDE_PX = 384


@dataclass(frozen=True, kw_only=True, eq=False)
class Pictures:
    """Textures (k, side, side), grey, and photographs (k, side, side, 3), blue first, 0..1."""

    textures: Floats
    photographs: Floats

    def texture(self, rng: Rng) -> Floats:
        """One of the textures."""
        return np.asarray(self.textures[rng.integers(len(self.textures))])

    def any(self, rng: Rng) -> Floats:
        """A part of a photograph with its colours mixed up, or a painting."""
        if rng.random() < 0.5:
            return self.painted(rng, 192, 192)
        photo = self.photographs[rng.integers(len(self.photographs))]
        side = int(rng.uniform(60, SIDE_PX))
        x, y = rng.integers(SIDE_PX - side + 1, size=2)
        part = photo[y : y + side, x : x + side, rng.permutation(3)]
        return np.ascontiguousarray(part[:: rng.choice([-1, 1]), :: rng.choice([-1, 1])])

    @staticmethod
    def painted(rng: Rng, h: int, w: int) -> Floats:
        """Patches and gradients of three colours."""
        shape = (max(8, h // 2), max(8, w // 2))
        period = rng.uniform(0.1, 1.2) * max(shape)
        one, two, three = (any_colour(rng) for _ in range(3))
        share = np.clip(0.5 + octaves(rng, shape, period) * np.float32(rng.uniform(0.3, 3)), 0, 1)
        drawn = mixed(share, one, two)
        if rng.random() < 0.7:
            over = np.clip(octaves(rng, shape, period) * np.float32(rng.uniform(1, 6)), 0, 1)
            drawn += over[..., None] * (three - drawn)
        return np.asarray(cv2.resize(drawn, (w, h), interpolation=cv2.INTER_LINEAR), np.float32)


def open_pictures(kept: Path | None = None) -> Pictures:
    """From scikit-image, or from a file that `keep` wrote."""
    if kept is not None:
        with np.load(kept) as file:
            textures, photographs = file["textures"], file["photographs"]
    else:
        textures, photographs = _from_skimage()
    return Pictures(textures=textures.astype(np.float32) / 255, photographs=photographs.astype(np.float32) / 255)


def keep(path: Path) -> None:
    """Write them to a file, for machines without scikit-image."""
    textures, photographs = _from_skimage()
    np.savez_compressed(path, textures=textures, photographs=photographs)


def _from_skimage() -> tuple[np.ndarray, np.ndarray]:
    from skimage import data

    def small(picture: np.ndarray) -> np.ndarray:
        side = min(picture.shape[:2])
        return cv2.resize(picture[:side, :side], (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA)

    textures = [small(getattr(data, name)()) for name in TEXTURES]
    photographs = [small(getattr(data, name)()[..., ::-1]) for name in PHOTOGRAPHS]
    return np.array(textures), np.array(photographs)
