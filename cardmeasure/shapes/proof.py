"""Whether a rectangle on a table that is not plain is a piece: its four corners and its sides have to bear it out.

Straight edges on a patterned table close to rectangles by chance, or to one made of three sides of a card and a line
beside it, or of a picture within its border. At the corners of such a rectangle nothing turns: at a card's the face
ends in four arcs of one radius. Sharp corners prove little, as what is printed on tables and cards has them, too, often
with a line all round that is darker than a shadow can be. Of other shapes nothing proves that they are not printed, so
there they have no size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera
from cardmeasure.edges.beside import light_beside
from cardmeasure.edges.relief import darkness_px
from cardmeasure.outlines.pieces import DOUBTFUL, Outline
from cardmeasure.photo import Photo
from cardmeasure.settings import Settings
from cardmeasure.shapes.corners import COMMON_MM, LONGER_SEARCH_MM, Corners, corner_radii_mm
from cardmeasure.sizing import FEW_USED, NOT_SQUARE_DEG, WEAK_CLARITY, is_of_nominal_size
from cardmeasure.solving import Solution

Floats = NDArray[np.floating[Any]]

ALIKE_MM, VERY_ALIKE_MM, FEWEST_ALIKE = 0.75, 0.25, 3
"""Corners of one piece have radii that lie so near their median; and where these are unusual."""
SHARP_MM, USUAL_MM, SEEMING_MM = 0.7, 4.2, 6.5
"""Corners sharper than this are cut, not punched; rounder ones than this are rare. On tables as pale as the border they
seem rounder: cards of nominal sizes may have corners up to the last."""
LEAST_SHADOW, FRAMED_SHADOW, MOST_SHADOW = 0.15, 1.0, 1.5
"""Light that a foot shadow takes away as a black strip so many thicknesses wide would: on the darkest side at least,
as pictures within borders seem to have less by chance; on all sides, and on any, at most (from rendered tables)."""
CARD_MM = 0.3
"""Lines are printed no finer where the pieces are thinner than cards."""
LARGE_MM = 32.0
"""What differs from a table that is not pale, and is no smaller, is hardly a part of a pattern or of a card."""
BLOWN_OUT, INSIDE_MM, SPOTS = 0.9, 5.0, np.linspace(-0.5, 0.5, 5)
"""Of the brightest light that the photo holds: a lamp seen in a glossy table has so much, white paper hardly; looked at
so far within the sides, at some places."""


def proven(photo: Photo, outlines: Sequence[Outline], solution: Solution, settings: Settings) -> tuple[Outline, ...]:
    """The outlines; those doubted that were solved but do not bear it out are flagged, so that they get no size."""
    out = [replace(o, flags=DOUBTFUL, is_solid=False) if o.doubted and o.shape != "rectangle" else o for o in outlines]
    solved = [bool(card >= 0) for card in solution.card_of]
    # what is not found now may be, wrongly, when others are left out
    out = [replace(o, flags=DOUBTFUL) if o.doubted and not (o.flags or o.is_solid or solved[k]) else o
           for k, o in enumerate(out)]  # fmt: skip
    asked = [k for k, o in enumerate(out) if o.doubted and solved[k]]
    if not asked:
        return tuple(out)
    cards = solution.card_of[asked]
    radii, u = _radii(photo, cards, solution, settings)
    sure = np.array([out[index].sure for index in asked])
    good = _sides_are_whole(solution, cards) & (sure | _sides_are_clear(solution, cards))
    quads = solution.adjustment.state.quads[cards]
    shadow = _shadows(solution, settings)[cards]
    blown_out = are_blown_out(photo, solution.adjustment.state.camera, quads)
    for k, index in enumerate(asked):
        nominal = is_of_nominal_size(quads[k], settings)
        few = FEWEST_ALIKE if not out[index].exact or nominal else qd.SIDES
        usual = SEEMING_MM if nominal and out[index].on_pale else USUAL_MM
        radius = common_radius_mm(radii[k], u[k], fewest=few, usual_mm=usual)
        told = not out[index].exact and not out[index].on_pale
        borne_out = radius is not None and (radius >= SHARP_MM or (told and _is_cut(quads[k], shadow[k], settings)))
        large = told and bool(quads[k][[qd.WIDTH, qd.HEIGHT]].min() >= LARGE_MM) and not _is_square(radii[k])
        likely = sure[k] or (_has_relief(shadow[k], sure=large) and (borne_out or large))
        glare = bool(blown_out[k]) and not nominal
        if not good[k] or not likely or glare:
            out[index] = replace(out[index], flags=DOUBTFUL)
    return tuple(out)


def common_radius_mm(
    radii: Floats, u: Floats, *, fewest: int = FEWEST_ALIKE, usual_mm: float = USUAL_MM
) -> float | None:
    """The radius that so many of a rectangle's corners (4,) share; None where they do not, as at no card's.

    Of corners rounder than `usual_mm` all must agree, and better.
    """
    seen = radii[np.isfinite(u)]
    if len(seen) < fewest:
        return None
    middle = float(np.median(seen))
    off = np.abs(seen - middle)
    if middle > usual_mm:
        return middle if len(seen) == qd.SIDES and off.max() < VERY_ALIKE_MM else None
    return middle if (off < ALIKE_MM).sum() >= fewest else None


def _has_relief(shadow: Floats, *, sure: bool) -> bool:
    """Whether what seems to be shadow along the sides (4,) may be one: lamps throw it on two sides at most, and a line
    printed all round takes more light. Unless the piece is `sure` otherwise, no side may be darker than a shadow."""
    return bool(shadow.min() <= FRAMED_SHADOW if sure else shadow.max() <= MOST_SHADOW)


def _is_cut(quad: Floats, shadow: Floats, settings: Settings) -> bool:
    """Whether a rectangle with sharp corners that differs from its table is a card: it throws a shadow, or has a
    nominal size."""
    return bool(shadow.max() >= LEAST_SHADOW or is_of_nominal_size(quad, settings))


def _radii(photo: Photo, cards: NDArray[np.intp], solution: Solution, settings: Settings) -> tuple[Floats, Floats]:
    """Radii of the corners of cards (c, 4) and their u."""
    assert solution.edges is not None
    state, looks = solution.adjustment.state, solution.edges.known.sides.looks.parameters
    pieces = [
        Corners(
            mm=qd.corners_mm(state.quads[card])[:, :2], elevation_mm=float(state.quads[card][qd.ELEVATION]),
            looks=looks[qd.SIDES * card : qd.SIDES * (card + 1)], start_mm=COMMON_MM,
        )
        for card in cards
    ]  # fmt: skip
    found = corner_radii_mm(photo, state.camera, pieces, paper_mm=settings.paper_mm, search_mm=LONGER_SEARCH_MM)
    return np.array([radii for radii, _ in found]), np.array([u for _, u in found])


def _sides_are_clear(solution: Solution, cards: NDArray[np.intp]) -> NDArray[np.bool_]:
    assert solution.edges is not None
    return np.asarray(solution.edges.clarity[cards].min(axis=1) >= WEAK_CLARITY)


def _sides_are_whole(solution: Solution, cards: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether all sides of cards (c,) are found along nearly all of their lengths, and square to each other."""
    assert solution.edges is not None
    quads = solution.adjustment.state.quads[cards]
    size = quads[:, [qd.HEIGHT, qd.WIDTH]]
    skew = np.abs(np.column_stack([quads[:, qd.SHEAR], quads[:, [qd.WIDTH_TAPER, qd.HEIGHT_TAPER]] / size]))
    whole = solution.edges.used[cards].min(axis=1) >= FEW_USED
    return np.asarray(whole & (np.degrees(skew.max(axis=1)) <= NOT_SQUARE_DEG))


def are_blown_out(photo: Photo, camera: Camera, quads: Floats) -> NDArray[np.bool_]:
    """Which pieces (c, 14) are as bright as the photo can show along all their sides, as a lamp's reflection is."""
    inner = light_beside(photo, camera, quads, along=SPOTS, outward_mm=-INSIDE_MM)
    return np.asarray(inner.reshape(len(quads), -1).min(axis=1) > BLOWN_OUT * float(photo.response[-1]))


def _is_square(radii: Floats) -> bool:
    """Whether the corners (4,) are cut, all but one at least."""
    return bool(np.count_nonzero(radii < SHARP_MM) >= FEWEST_ALIKE)


def _shadows(solution: Solution, settings: Settings) -> Floats:
    """How much light the foot shadows of all cards' sides (c, 4) take away, over that of a black strip as wide as a
    card is thick."""
    assert solution.edges is not None
    dark = darkness_px(solution.edges.known.sides.looks)
    return np.asarray(dark.reshape(-1, qd.SIDES) / (max(settings.thickness_mm, CARD_MM) * solution.px_per_mm))
