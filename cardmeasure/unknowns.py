"""What the adjustment solves for: one state of all unknowns of a photo, and where each stands in the vector."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import camera as cam
from cardmeasure import quads as qd
from cardmeasure.bow import SQUARE_TERMS
from cardmeasure.camera import Camera

Floats = NDArray[np.floating[Any]]

HALOS = 2
"""Of faces brighter, and of faces darker than what lies beside them."""


@dataclass(frozen=True, kw_only=True, eq=False)
class State:
    """All unknowns of a photo.

    scale (2,): printed over design length along the design's axes. squares (s, 3): place and turn of each printed
    square, the first at the origin by definition; a sheet's bow is the camera's. halo_px (2,): how far outside their
    true places the edges of all faces brighter, and of all faces darker than what lies beside them are seen. quads
    (c, 14): the cards' top faces (see `quads.py`). bias_px (c, 4): how far outside the true edge each side is seen,
    whatever the reason. bulge_px (c, 4): how far each side bulges, as it was cut (see `edges.bends.bow`). tone: the
    share, common to all edges, of the shift that a wrong tone curve would cause. bends (s, 3): heights, mm, that the
    squares' paper bends by (see `bow.square_terms`); (0, 3) where none may.
    """

    camera: Camera
    scale: Floats
    squares: Floats
    quads: Floats
    bias_px: Floats
    bulge_px: Floats
    tone: float
    halo_px: Floats = field(default_factory=lambda: np.zeros(HALOS))
    bends: Floats = field(default_factory=lambda: np.zeros((0, SQUARE_TERMS)))

    @cached_property
    def layout(self) -> Layout:
        """Where its unknowns stand."""
        bow = 0 if self.camera.bow is None else len(self.camera.bow.coefficients)
        return Layout(squares=len(self.squares), cards=len(self.quads), bow=bow, bends=self.bends.size)

    @property
    def vector(self) -> Floats:
        """All unknowns (n,); the rotation as an increment, which is none."""
        camera = self.camera
        bow = np.zeros(0) if camera.bow is None else camera.bow.coefficients
        return np.concatenate(
            [
                np.zeros(3), camera.translation_mm, [np.log(camera.focal_px)], camera.principal_px, camera.distortion,
                self.scale, self.squares[1:].ravel(), bow, self.bends.ravel(), self.halo_px, self.quads.ravel(),
                self.bias_px.ravel(), self.bulge_px.ravel(), [self.tone],
            ]
        )  # fmt: skip

    def of_cards(self, keep: NDArray[np.bool_]) -> State:
        """The state with some cards (c,) only."""
        if keep.all():
            return self
        return replace(self, quads=self.quads[keep], bias_px=self.bias_px[keep], bulge_px=self.bulge_px[keep])

    def moved(self, step: Floats) -> State:
        """The state after a step in the vector of unknowns."""
        at = self.layout
        squares = self.squares.copy()
        squares[1:] += step[at.squares_at].reshape(-1, 3)
        camera = self.camera.moved(step[at.camera_at])
        if camera.bow is not None:
            camera = replace(camera, bow=camera.bow.moved(step[at.bow_at]))
        return State(
            camera=camera,
            scale=self.scale + step[at.scale_at],
            squares=squares,
            quads=self.quads + step[at.quads_at].reshape(-1, qd.PARAMETERS),
            bias_px=self.bias_px + step[at.bias_at].reshape(-1, qd.SIDES),
            bulge_px=self.bulge_px + step[at.bulge_at].reshape(-1, qd.SIDES),
            halo_px=self.halo_px + step[at.halo_at],
            tone=self.tone + float(step[at.tone_at]),
            bends=self.bends + step[at.bends_at].reshape(-1, SQUARE_TERMS),
        )


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Where each unknown stands in the vector."""

    squares: int
    cards: int
    bow: int = 0
    bends: int = 0

    @cached_property
    def size(self) -> int:
        """Length of the vector."""
        return self.tone_at + 1

    @cached_property
    def camera_at(self) -> slice:
        """Of the camera's 14 parameters."""
        return slice(0, cam.PARAMETERS)

    @cached_property
    def scale_at(self) -> slice:
        """Of the print's two scales."""
        return slice(cam.PARAMETERS, cam.PARAMETERS + 2)

    @cached_property
    def squares_at(self) -> slice:
        """Of the poses of all squares but the first."""
        return slice(self.scale_at.stop, self.scale_at.stop + 3 * (self.squares - 1))

    @cached_property
    def bow_at(self) -> slice:
        """Of the terms of the paper's bow, where the reference is a sheet."""
        return slice(self.squares_at.stop, self.squares_at.stop + self.bow)

    @cached_property
    def bends_at(self) -> slice:
        """Of the bends of all squares, three each."""
        return slice(self.bow_at.stop, self.bow_at.stop + self.bends)

    @cached_property
    def halo_at(self) -> slice:
        """Of the shifts common to all edges of bright faces, and to all of dark ones."""
        return slice(self.bends_at.stop, self.bends_at.stop + HALOS)

    @cached_property
    def quads_at(self) -> slice:
        """Of the cards' fourteen parameters each."""
        return slice(self.halo_at.stop, self.halo_at.stop + qd.PARAMETERS * self.cards)

    @cached_property
    def bias_at(self) -> slice:
        """Of the four sides' shifts of each card."""
        return slice(self.quads_at.stop, self.quads_at.stop + qd.SIDES * self.cards)

    @cached_property
    def bulge_at(self) -> slice:
        """Of the four sides' bends of each card."""
        return slice(self.bias_at.stop, self.bias_at.stop + qd.SIDES * self.cards)

    @cached_property
    def tone_at(self) -> int:
        """Of the tone curve's share."""
        return int(self.bulge_at.stop)

    def quad_at(self, card: int, parameter: int) -> int:
        """Of one parameter of one card."""
        return int(self.quads_at.start) + qd.PARAMETERS * card + parameter
