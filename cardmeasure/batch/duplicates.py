"""The same cards photographed twice: told by how they lie around the square, and by their faces.

Cards laid out by hand never lie in the same places twice; cards laid into a template do, and then their faces differ.
So two photos show the same cards where they hold equally many, every card of one lies where one of the other does, with
the same turn and size, and nothing in the faces speaks against it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.batch.faces import likeness, reordered
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
    """How the cards lie: centres (n, 2) in mm and turns (n,) in degrees, modulo 180, by the square's axes."""

    centres_mm: Floats
    turns_deg: Floats
    sizes_mm: Floats
    u_mm: Floats


def with_duplicates(shots: Sequence[ShotResult], *, faces: Mapping[int, bytes] | None = None) -> list[ShotResult]:
    """The shots, with `duplicate_of` set where one shows the same cards as an earlier one.

    Parameters
    ----------
    faces : faces of the cards of each shot by its index, as far as they are known (see `batch.faces`).
    """
    known: dict[int, list[tuple[int, _Layout]]] = {}
    marked = list(shots)
    for index, shot in enumerate(shots):
        layout = None if shot.duplicate_of is not None else _layout(shot)
        if layout is None:
            continue
        earlier = known.setdefault(len(layout.centres_mm), [])
        original = next((i for i, other in earlier if _is_same(i, other, index, layout, faces or {})), None)
        if original is None:
            earlier.append((index, layout))
        else:
            marked[index] = replace(shot, duplicate_of=shots[original].file)
    return marked


def _is_same(i: int, first: _Layout, j: int, second: _Layout, faces: Mapping[int, bytes]) -> bool:
    order = _pairing(first, second)
    if order is None:
        return False
    if i not in faces or j not in faces:
        return True
    alike = likeness(faces[i], reordered(faces[j], order))
    return alike is None or alike >= LIKE


def _pairing(first: _Layout, second: _Layout) -> list[int] | None:
    """For each card of the first the one of the second that lies there; None unless all have one of their own."""
    distances = np.linalg.norm(first.centres_mm[:, None] - second.centres_mm[None], axis=2)
    order = distances.argmin(axis=1)
    n = len(order)
    if distances[np.arange(n), order].max() > PLACE_MM or len(set(order.tolist())) < n:
        return None
    turns = (first.turns_deg - second.turns_deg[order] + 90.0) % 180.0 - 90.0
    sizes = np.abs(first.sizes_mm - second.sizes_mm[order])
    limits = SIZE_MM + SIZE_IN_U * np.hypot(first.u_mm, second.u_mm[order])
    is_square = np.ptp(first.sizes_mm, axis=1) < 1.0
    same = (np.abs(turns) <= TURN_DEG) | is_square
    return [int(k) for k in order] if same.all() and (sizes <= limits).all() else None


def _layout(shot: ShotResult) -> _Layout | None:
    """The layout of a measured shot; None where too few cards have a size, or nothing says how they lie."""
    cards = [card for card in shot.cards if card.is_sized and len(card.corners_px) == 4]
    designs = {design.name: design for design in DESIGNS.values()}
    reference = shot.reference
    if reference is None or len(cards) < FEWEST_CARDS or reference.design not in designs or not reference.corners_px:
        return None
    square = np.array(reference.corners_px[0], np.float64)
    if square.shape != (4, 2):
        return None
    to_plane = fit_homography(square, designs[reference.design].cut_corners_mm)
    corners = [apply_homography(to_plane, np.array(card.corners_px, np.float64)) for card in cards]
    sides = [(card.width_mm, card.height_mm, card.u_width_mm, card.u_height_mm) for card in cards]
    values = np.array([[side or 0.0 for side in of_card] for of_card in sides])
    return _Layout(
        centres_mm=np.array([c.mean(axis=0) for c in corners]),
        turns_deg=np.array([_turn_deg(c) for c in corners]),
        sizes_mm=values[:, :2],
        u_mm=values[:, 2:],
    )


def _turn_deg(corners: Floats) -> float:
    """Direction of the long sides of a quadrilateral (4, 2), degrees modulo 180."""
    first, second = corners[1] - corners[0], corners[2] - corners[1]
    along = first if np.linalg.norm(first) >= np.linalg.norm(second) else second
    return math.degrees(math.atan2(along[1], along[0])) % 180.0
