"""The same cards photographed twice: told by how they lie around the square, and by their faces.

Cards laid out by hand never lie in the same places twice; cards laid into a template do, and then their faces differ.
So a photo shows the same cards as another where every piece of it lies where one of the other does, those that both
have a size for with the same turn and size, and nothing in the faces speaks against it. The photo with more sizes is
the one that counts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.batch.faces import chosen, likeness
from cardmeasure.geometry import apply_homography, fit_homography
from cardmeasure.reference.design import DESIGNS
from cardmeasure.results import ShotResult

Floats = NDArray[np.floating[Any]]

PLACE_MM = 2.5
"""How far a card may seem to have moved: what the lens does to a plane that is spanned by the square alone."""
TURN_DEG = 1.5
SIZE_MM, SIZE_IN_U = 0.2, 4.0
"""By how much sizes may differ: so much and so many times their combined u."""
FEWEST_CARDS = 2
"""A single card may well be laid where another one lay."""
LIKE = 0.5
"""Normalised cross-correlation below which faces are different ones; common practice, no source."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Layout:
    """How the pieces lie: centres (n, 2) in mm and turns (n,) in degrees, modulo 180, by the square's axes.

    sizes_mm, u_mm (n, 2): NaN for a piece without a size. faces (n,): index among the shot's faces, -1 for none.
    """

    centres_mm: Floats
    turns_deg: Floats
    sizes_mm: Floats
    u_mm: Floats
    faces: NDArray[np.intp]

    @property
    def is_sized(self) -> NDArray[np.bool_]:
        """Which pieces have a size, (n,)."""
        return self.faces >= 0


def with_duplicates(shots: Sequence[ShotResult], *, faces: Mapping[int, bytes] | None = None) -> list[ShotResult]:
    """The shots, with `duplicate_of` set where one shows the same cards as another one.

    Parameters
    ----------
    faces : faces of the cards of each shot by its index, as far as they are known (see `batch.faces`).
    """
    layouts = {i: layout for i, shot in enumerate(shots) if shot.duplicate_of is None and (layout := _layout(shot))}
    originals: list[int] = []
    marked = list(shots)
    for index in sorted(layouts, key=lambda i: (-int(layouts[i].is_sized.sum()), -len(layouts[i].faces), i)):
        original = next((i for i in originals if _shows_again(i, index, layouts, faces or {})), None)
        if original is None:
            originals.append(index)
        else:
            marked[index] = replace(shots[index], duplicate_of=shots[original].file)
    return marked


def _shows_again(first: int, second: int, layouts: Mapping[int, _Layout], faces: Mapping[int, bytes]) -> bool:
    """Whether the second shot shows nothing but pieces of the first."""
    pairs = _pairs(layouts[first], layouts[second])
    if pairs is None:
        return False
    if first not in faces or second not in faces:
        return True
    one, other = (layouts[i].faces[pair] for i, pair in zip((first, second), pairs, strict=True))
    alike = likeness(chosen(faces[first], one.tolist()), chosen(faces[second], other.tolist()))
    return alike is None or alike >= LIKE


def _pairs(first: _Layout, second: _Layout) -> tuple[NDArray[np.intp], NDArray[np.intp]] | None:
    """The pieces of both, in pairs, that have a size in both; None unless each of the second's has one of the first's.

    Only so many pairs that chance is out of the question count.
    """
    if len(second.centres_mm) > len(first.centres_mm):
        return None
    distances = np.linalg.norm(second.centres_mm[:, None] - first.centres_mm[None], axis=2)
    order = distances.argmin(axis=1)
    n = len(order)
    if distances[np.arange(n), order].max() > PLACE_MM or len(set(order.tolist())) < n:
        return None
    both = second.is_sized & first.is_sized[order]
    mine, theirs = np.flatnonzero(both), order[both]
    if len(mine) < FEWEST_CARDS:
        return None
    turns = (second.turns_deg[mine] - first.turns_deg[theirs] + 90.0) % 180.0 - 90.0
    sizes = np.abs(second.sizes_mm[mine] - first.sizes_mm[theirs])
    limits = SIZE_MM + SIZE_IN_U * np.hypot(second.u_mm[mine], first.u_mm[theirs])
    is_square = np.ptp(first.sizes_mm[theirs], axis=1) < 1.0
    same = ((np.abs(turns) <= TURN_DEG) | is_square).all() and (sizes <= limits).all()
    return (theirs, mine) if same else None


def _layout(shot: ShotResult) -> _Layout | None:
    """The layout of a measured shot; None where too few cards have a size, or nothing says how they lie."""
    cards = [card for card in shot.cards if len(card.corners_px) == 4]
    sized = [card for card in shot.cards if card.is_sized]
    designs = {design.name: design for design in DESIGNS.values()}
    reference = shot.reference
    if reference is None or len(sized) < FEWEST_CARDS or reference.design not in designs or not reference.corners_px:
        return None
    square = np.array(reference.corners_px[0], np.float64)
    if square.shape != (4, 2):
        return None
    to_plane = fit_homography(square, designs[reference.design].cut_corners_mm)
    corners = [apply_homography(to_plane, np.array(card.corners_px, np.float64)) for card in cards]
    sides = [(card.width_mm, card.height_mm, card.u_width_mm, card.u_height_mm) for card in cards]
    values = np.array(sides, np.float64)
    return _Layout(
        centres_mm=np.array([c.mean(axis=0) for c in corners]),
        turns_deg=np.array([_turn_deg(c) for c in corners]),
        sizes_mm=values[:, :2],
        u_mm=values[:, 2:],
        faces=np.array([sized.index(card) if card.is_sized else -1 for card in cards], np.intp),
    )


def _turn_deg(corners: Floats) -> float:
    """Direction of the long sides of a quadrilateral (4, 2), degrees modulo 180."""
    first, second = corners[1] - corners[0], corners[2] - corners[1]
    along = first if np.linalg.norm(first) >= np.linalg.norm(second) else second
    return math.degrees(math.atan2(along[1], along[0])) % 180.0
