"""From the solved photo to cards: sizes with covariance and budget, class, corners, flags."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project, project_table, to_plane
from cardmeasure.classes import enabled, match_sizes
from cardmeasure.classes.likelihood import cut_table
from cardmeasure.edges.bends import bends_px
from cardmeasure.edges.breaks import is_broken
from cardmeasure.geometry import clockwise_from_top_left
from cardmeasure.numerics import lengths
from cardmeasure.outlines.joins import is_pair
from cardmeasure.outlines.pieces import DOUBTFUL, Outline
from cardmeasure.priors import U_BULGE_MM, WARP_MM
from cardmeasure.results import Card, Contribution, Corners, SizeMatch
from cardmeasure.settings import Settings
from cardmeasure.shapes.cards import shape_card
from cardmeasure.shapes.measuring import MeasuredShape
from cardmeasure.solving import Solution
from cardmeasure.uncertainty import budgets_from_covariances

Floats = NDArray[np.floating[Any]]

NOT_SQUARE_DEG = 0.5
TORN_DEG, RAGGED, MOST_ASPECT = 1.0, 20.0, 3.0
"""Cards are cut square to a few tenths of a degree, and less than three times as long as wide; a side that is bent and
leaves so much unexplained is torn."""
WIDEST_TORN_MM = 100.0
"""Receipts are 58 or 80 mm wide (common practice, no source); the sides of wider paper may bend as they like."""
BENT_PX = 0.6
CURLED_MM, BULGING_MM = 2.5 * WARP_MM, 2.5 * U_BULGE_MM
"""Bends and bulges of cards that are not as others are, even worn ones."""
WEAK_CLARITY = 3.0
FEW_USED = 0.6
NOMINAL_MM = 0.5
"""Cards are cut to so much of a nominal size."""
OUTLINE_MM = 1.5
FRAME_LINE_MM, ONE_FRAME_LINE_MM, FRAME_LINE_PX = 1.35, 1.1, 6.0
"""A line printed inside the border has been taken for an edge where the outline is larger by so much; or where it is so
much larger in one direction than in the other, as a border that the outline misses is missed all round. The outline
itself is good to a few tenths of a millimetre."""
NARROWEST_BORDER_MM = 1.4
"""Frames are hardly printed nearer to the cut, which strays (common practice, no source)."""
ON_OUTLINE_MM = 0.3
"""An outline that followed such a line all round shows it where one direction's sides are found as far outside it, and
the other's on it still: within what outlines scatter by."""
SURE_MM = 1.0
"""An outline that a closer look bore out was found where its sides are."""
SAME_SIDE_MM, ONE_SHADOW_MM, NEXT_LINE_MM = 0.5, 1.75, 0.8
"""An outline found by its edges may have taken a shadow's for one of them; then only one direction is larger.
Where both are, by more than such outlines scatter, the sides found are those of the next line within."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Told:
    """What is told of a piece before its size is: which solved card it is, or -1; by how much its outline is larger
    than the sides found (2,), how far these bow in the photo (4,), and whether they break. flags : why it has no size,
    if it has none. ends : whether the table is seen to begin at the sides found."""

    card: int
    excess_mm: Floats
    bends_px: Floats
    broken: bool
    flags: tuple[str, ...]
    ends: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class _Size:
    """Width and height of a card laid flat, width <= height, with their u and correlation, and what follows."""

    values_mm: tuple[float, float]
    u_mm: tuple[float, float]
    correlation: float
    thickness_mm: float
    match: SizeMatch
    budget: tuple[Contribution, ...]


def sized_cards(
    outlines: tuple[Outline, ...], solution: Solution, settings: Settings, *,
    shapes: Mapping[int, MeasuredShape] | None = None, radii_mm: Mapping[int, float] | None = None,
    ending: Container[int] = frozenset(), unclear: Container[int] = frozenset(),
) -> tuple[Card, ...]:  # fmt: skip
    """All pieces of a photo, numbered in reading order, with those in `shapes` (by index of their outlines).

    ending : those known to end at the sides found, though their outlines are larger. unclear : those that are not seen
    to end there.
    """
    cards = numbered_cards(
        outlines, solution, settings, shapes=shapes, radii_mm=radii_mm, ending=ending, unclear=unclear
    )
    return tuple(card for card, _ in cards)


def numbered_cards(
    outlines: tuple[Outline, ...], solution: Solution, settings: Settings, *,
    shapes: Mapping[int, MeasuredShape] | None = None, radii_mm: Mapping[int, float] | None = None,
    ending: Container[int] = frozenset(), unclear: Container[int] = frozenset(),
) -> tuple[tuple[Card, int], ...]:  # fmt: skip
    """The same, each with the index of its outline."""
    shapes, radii_mm = shapes or {}, radii_mm or {}
    camera = solution.adjustment.state.camera
    seen = _corners_px(camera, outlines, solution)
    drawn = [(clockwise_from_top_left(shapes[k].corners_px if k in shapes else seen[k]), k) for k in range(len(seen))]
    height = float(np.median([np.ptp(corners[:, 1]) for corners, _ in drawn]))
    drawn.sort(key=lambda item: _reading_order(item[0], height))
    told = _told(outlines, solution, settings, ending=ending)
    sizes = _sizes(outlines, told, solution, settings)
    out: list[tuple[Card, int]] = []
    for number, (corners, k) in enumerate(drawn, start=1):
        corners_px: Corners = tuple((float(x), float(y)) for x, y in corners)
        if k in shapes:
            card = shape_card(number, shapes[k], settings, corners_px=corners_px)
        elif k in sizes:
            quad = solution.adjustment.state.quads[told[k].card]
            flags = _flags(outlines[k], told[k], solution, settings, unclear=k in unclear)
            card = _card(number, corners_px, sizes[k], quad, flags, radius_mm=radii_mm.get(k))
        else:
            card = _unsized(number, corners_px, told[k].flags, radius_mm=radii_mm.get(k))
        out.append((card, k))
    return tuple(out)


def _corners_px(camera: Camera, outlines: tuple[Outline, ...], solution: Solution) -> Floats:
    """Corners (n, 4, 2) of all outlines in the photo: of solved cards where these are."""
    quads, solved = solution.adjustment.state.quads, solution.card_of >= 0
    corners = np.zeros((len(outlines), 4, 3))
    for k, outline in enumerate(outlines):
        corners[k, :, :2] = outline.corners_mm
    corners[solved] = qd.corners_mm(quads)[solution.card_of[solved]]
    return project(camera, corners.reshape(-1, 3)).reshape(-1, 4, 2)


def _reading_order(corners: Floats, height: float) -> tuple[int, float]:
    """Row by row, then left to right: rows are three quarters as high as a typical piece."""
    x, y = corners.mean(axis=0)
    return (int(y // max(0.75 * height, 1.0)), float(x))


def _told(
    outlines: Sequence[Outline], solution: Solution, settings: Settings, *, ending: Container[int]
) -> list[_Told]:
    """What is told of all pieces before their sizes are. ending : see `sized_cards`."""
    asked = [k for k, one in enumerate(outlines) if solution.card_of[k] >= 0 and not one.flags]
    excess = dict(zip(asked, outlines_excess_mm(outlines, asked, solution), strict=True))
    bends_px = _sagittas_px(solution)
    unsolved = _Told(card=-1, excess_mm=np.zeros(2), bends_px=np.zeros(qd.SIDES), broken=False, flags=())
    return [
        _told_of(outline, int(solution.card_of[k]), excess[k], bends_px, solution, settings, ends=k in ending)
        if k in excess
        else replace(unsolved, flags=outline.flags or ("edge-not-found",))
        for k, outline in enumerate(outlines)
    ]


def _told_of(
    outline: Outline, card: int, excess_mm: Floats, bends_px: Floats, solution: Solution, settings: Settings,
    *, ends: bool,
) -> _Told:  # fmt: skip
    assert solution.edges is not None
    points, adjustment = solution.edges.points, solution.adjustment
    width_mm, height_mm = adjustment.state.quads[card, [qd.WIDTH, qd.HEIGHT]].tolist()
    broken = is_broken(points, adjustment.edge_residuals_px, card, sides_mm=(width_mm, height_mm))
    told = _Told(card=card, excess_mm=excess_mm, bends_px=bends_px[card], broken=broken, flags=(), ends=ends)
    return replace(told, flags=_why_unsized(outline, told, solution, settings))


def _why_unsized(outline: Outline, told: _Told, solution: Solution, settings: Settings) -> tuple[str, ...]:
    """The flags of a solved piece that has no size all the same."""
    assert solution.edges is not None
    edges, quad = solution.edges, solution.adjustment.state.quads[told.card]
    if is_on_a_line(told.excess_mm, outline, solution.px_per_mm) and not told.ends:
        return ("edge-not-found",)  # a line printed inside the border has been taken for it
    if hides_a_seam(edges.clarity[told.card], outline):
        return ("touching",)
    if is_of_nominal_size(quad, settings):
        return ()
    if told.broken:
        return ("touching",)
    return DOUBTFUL if is_no_card(quad, bends_px=told.bends_px, misfit=edges.misfit[told.card]) else ()


def _card(
    number: int, corners: Corners, size: _Size, quad: Floats, flags: tuple[str, ...], *, radius_mm: float | None
) -> Card:
    return Card(
        number=number,
        shape="rectangle",
        corners_px=corners,
        width_mm=size.values_mm[0],
        height_mm=size.values_mm[1],
        u_width_mm=size.u_mm[0],
        u_height_mm=size.u_mm[1],
        correlation=size.correlation,
        corner_radius_mm=radius_mm,
        squareness_deg=float(np.degrees(quad[qd.SHEAR])),
        thickness_mm=size.thickness_mm,
        match=size.match,
        budget=size.budget,
        flags=flags,
    )


def is_on_a_line(excess_mm: Floats, outline: Outline, px_per_mm: float) -> bool:
    """Whether the outline, by how much it is larger (2,) than the sides found, tells that some are a printed line."""
    room = FRAME_LINE_PX / px_per_mm
    if outline.sure and np.abs(excess_mm).max() > SURE_MM:
        return True
    if outline.exact and np.abs(excess_mm).min() < SAME_SIDE_MM:
        return bool(excess_mm.max() > max(ONE_SHADOW_MM, room))
    if outline.exact and excess_mm.min() > NEXT_LINE_MM:
        return True
    if not outline.exact and excess_mm.min() < -ONE_FRAME_LINE_MM and excess_mm.max() > -ON_OUTLINE_MM:
        return True
    # where the other direction is smaller than found, the outline is askew, and hides no border
    one = excess_mm.max() > ONE_FRAME_LINE_MM / 2 and np.ptp(excess_mm) > max(ONE_FRAME_LINE_MM, room)
    return bool(excess_mm.max() > max(FRAME_LINE_MM, room) or one)


def hides_a_seam(clarity: Floats, outline: Outline) -> bool:
    """Whether a side that another card touches hardly shows, by the clarity (4,) of all: between two dark borders it
    may lie anywhere."""
    return bool((clarity[list(outline.joined)] < WEAK_CLARITY).any())


def is_no_card(quad: Floats, *, bends_px: Floats, misfit: Floats) -> bool:
    """Whether a quadrilateral (14,) of no nominal size is torn paper or a finger: not square, with a ragged side, or
    long with bent sides. bends_px, misfit (4,): of its sides."""
    short, long = np.sort(quad[[qd.WIDTH, qd.HEIGHT]]).tolist()
    if short > WIDEST_TORN_MM:
        return False
    askew = abs(np.degrees(quad[qd.SHEAR])) > TORN_DEG
    bent = bends_px > BENT_PX
    return bool(askew or (bent & (misfit > RAGGED)).any() or (bent.any() and long > MOST_ASPECT * short))


def is_of_nominal_size(quad: Floats, settings: Settings) -> bool:
    """Whether a quadrilateral (14,) is as large as cards of a nominal size are cut."""
    nominal = cut_table(enabled(settings.classes)).cuts_mm
    off = np.abs(nominal - np.sort(quad[[qd.WIDTH, qd.HEIGHT]])).max(axis=1, initial=0.0)
    return bool((off < NOMINAL_MM).any())


def _sizes(
    outlines: Sequence[Outline], told: Sequence[_Told], solution: Solution, settings: Settings
) -> dict[int, _Size]:
    """The sizes of all pieces that have one, by the indices of their outlines."""
    asked = [k for k, one in enumerate(told) if not one.flags]
    if not asked:
        return {}
    adjustment, cards = solution.adjustment, [told[k].card for k in asked]
    given = [outlines[k].thickness_mm for k in asked]
    thickness_mm = [settings.thickness_mm if one is None else one for one in given]
    flat_mm, by_shape = _flat(adjustment.state.quads[cards], np.array(thickness_mm))
    enlarged = adjustment.strain.factor**2
    covariances = enlarged * _laid(adjustment.shape_covariances[cards], by_shape)
    u = np.sqrt(np.diagonal(covariances, axis1=1, axis2=2))
    correlations = (covariances[:, 0, 1] / (u[:, 0] * u[:, 1])).tolist()
    values_mm, u_mm = ([(width, height) for width, height in pairs.tolist()] for pairs in (flat_mm, u))
    matches = match_sizes(values_mm, u_mm, correlations, classes=settings.classes)
    shares = {name: enlarged * _laid(share[cards], by_shape) for name, share in adjustment.shape_shares.items()}
    columns = (values_mm, u_mm, correlations, thickness_mm, matches, budgets_from_covariances(shares))
    return {
        k: _Size(values_mm=values, u_mm=u, correlation=correlation, thickness_mm=thickness, match=match, budget=budget)
        for k, values, u, correlation, thickness, match, budget in zip(asked, *columns, strict=True)
    }


def _flat(quads: Floats, thickness_mm: Floats) -> tuple[Floats, Floats]:
    """The shorter and the longer side (n, 2) of cards laid flat, and derivatives (n, 2, 4) after `quads.SHAPE`."""
    flat_mm = qd.pressed_flat_mm(quads, thickness_mm=thickness_mm)
    by_shape = qd.flat_by_shape(quads, thickness_mm=thickness_mm)
    order = np.argsort(flat_mm, axis=1, kind="stable")
    return np.take_along_axis(flat_mm, order, axis=1), np.take_along_axis(by_shape, order[..., None], axis=1)


def _laid(of_shapes: Floats, by_shape: Floats) -> Floats:
    """Covariances (n, 2, 2) of sizes from those of the cards' shapes (n, 4, 4)."""
    return np.asarray(by_shape @ of_shapes @ by_shape.swapaxes(1, 2))


def _flags(outline: Outline, told: _Told, solution: Solution, settings: Settings, *, unclear: bool) -> tuple[str, ...]:
    """Doubts about the size of a piece."""
    assert solution.edges is not None
    edges, quad = solution.edges, solution.adjustment.state.quads[told.card]
    bent = told.bends_px.max() > BULGING_MM * solution.px_per_mm
    taper_rad = max(abs(quad[qd.WIDTH_TAPER]) / quad[qd.HEIGHT], abs(quad[qd.HEIGHT_TAPER]) / quad[qd.WIDTH])
    doubts = {
        "not-square": np.degrees(max(abs(quad[qd.SHEAR]), taper_rad)) > NOT_SQUARE_DEG,
        "weak-edge": edges.clarity[told.card].min() < WEAK_CLARITY,
        "few-points": edges.used[told.card].min() < FEW_USED,
        "bent-edge": told.broken or bent or np.abs(quad[list(qd.WARP)]).max() > CURLED_MM,
        "corners-unclear": unclear,
        "outline-differs": np.abs(told.excess_mm).max() >= OUTLINE_MM and not told.ends,
        "beside-another": any(outline.beside) or any(outline.joined),
        "perhaps-two": is_pair(
            float(quad[qd.WIDTH]), float(quad[qd.HEIGHT]), cut_table(enabled(settings.classes)).cuts_mm
        ),
        "on-another": outline.raised_mm,
    }
    return tuple(flag for flag, holds in doubts.items() if holds)


def _sagittas_px(solution: Solution) -> Floats:
    """How far the sides (c, 4) of the solved cards bow in the photo, from their points' residuals."""
    if solution.edges is None:
        return np.zeros((0, qd.SIDES))
    return np.abs(bends_px(solution.edges.points, solution.adjustment.edge_residuals_px)).reshape(-1, qd.SIDES)


def outlines_excess_mm(outlines: Sequence[Outline], asked: Sequence[int], solution: Solution) -> Floats:
    """By how much rough outlines, those `asked` for (n,) by index, are larger than the sides found, (n, 2): the shorter
    and the longer side.

    The lens, which was not known when the outlines were put on the table, bends them there.
    """
    quads = solution.adjustment.state.quads[[int(solution.card_of[k]) for k in asked]]
    corners_mm = np.array([outlines[k].corners_mm for k in asked]).reshape(-1, qd.SIDES, 2)
    seen_px = project_table(solution.outlined_by, corners_mm).reshape(-1, 2)
    face_mm = np.repeat(-quads[:, qd.ELEVATION], qd.SIDES)
    on_face = to_plane(solution.adjustment.state.camera, seen_px, z_mm=face_mm).reshape(corners_mm.shape)
    sides = lengths(on_face[:, [1, 2, 3, 0]] - on_face)
    rough = np.sort(sides.reshape(-1, 2, 2).mean(axis=1), axis=1)
    return np.asarray(rough - np.sort(quads[:, [qd.WIDTH, qd.HEIGHT]], axis=1))


def _unsized(number: int, corners: Corners, flags: tuple[str, ...], *, radius_mm: float | None) -> Card:
    return Card(
        number=number, shape="rectangle", corners_px=corners, width_mm=None, height_mm=None, u_width_mm=None,
        u_height_mm=None, correlation=None, corner_radius_mm=radius_mm, squareness_deg=None, thickness_mm=None,
        match=None, budget=(), flags=flags,
    )  # fmt: skip
