"""The second finder of pieces, for tables that are not plain: straight edges that close to rectangles, all over them.

What the first finder has outlined well is never given up for something smaller.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.camera import Camera, to_plane
from cardmeasure.geometry import side_lengths
from cardmeasure.outlines.choosing import OVERLAP, chosen
from cardmeasure.outlines.comparing import area_mm2, covered_mm2, lies_within, shared
from cardmeasure.outlines.extending import extended
from cardmeasure.outlines.frames import are_mere_lines
from cardmeasure.outlines.growing import grown
from cardmeasure.outlines.likeliest import arc_support, likeliest
from cardmeasure.outlines.lines import PER_MM, View, segments_mm, slopes_of, view_of
from cardmeasure.outlines.pieces import DOUBTFUL, Outline, clockwise
from cardmeasure.outlines.rectangles import Rectangles
from cardmeasure.outlines.regions import (
    LEAST_SUPPORT,
    RAISED_MM,
    U_RAISED_MM,
    inside,
    may_be_several,
    rectangles,
)
from cardmeasure.outlines.trials import Tried
from cardmeasure.outlines.trusting import trusted
from cardmeasure.photo import Photo

Floats = NDArray[np.floating[Any]]

SAME = 0.5
"""Two outlines are of one piece where they share this part of the smaller."""
WHOLLY, LARGER = 0.97, (1.04, 3.0)
"""A good outline only gives way to a rectangle that holds this part of it and is so many times as large."""
FILLED = 0.9
"""Areas of two outlines of the same rectangle differ by no more than this factor."""
EXPLAINED = 0.5
"""A region that is no piece by itself stays, without a size, unless rectangles fill so much of it."""
PART = 1 / 3
"""A smaller part of a good outline is not its piece."""
EVEN_BORDER_MM, SHEET_MM = 0.8, 150.0
"""Borders are about as wide on all sides; sheets, whose short sides are longer than this, have none to be missed."""
LEAST_TRIED = 0.7
"""Share of each side's places that edges must bear out for a rectangle to be worth a closer look."""


def with_hard_pieces(
    photo: Photo, camera: Camera, outlines: tuple[Outline, ...], *, px_per_mm: float, reference_px: list[Floats],
    nominal_mm: Floats, pale: bool, tried: Tried,
) -> tuple[Outline, ...]:  # fmt: skip
    """The pieces on a table that is not plain: those known, and rectangles that edges close to.

    Those that a closer look bears out come first; what does not overlap them is chosen by how clear it is from above.
    """
    view = view_of(photo, camera, px_per_mm=px_per_mm)
    papers = [to_plane(camera, corners) for corners in reference_px]
    edges = _edges(view, papers, faint=False)
    faint = _edges(view, papers, faint=True) if pale else edges
    sure = _trusted(view, faint, outlines, nominal_mm=nominal_mm, pale=pale, tried=tried)
    slopes, closed = edges.slopes, edges.closed
    well = closed.support.min(axis=1, initial=1.0) >= LEAST_SUPPORT
    closed = closed.rows(well)
    closed = closed.rows(_apart_from(closed.corners_mm, sure))
    kept, seams = chosen(view, closed, slopes, ends=True)
    found = [Outline(corners_mm=corners, flags=("touching",) if seam else (), exact=True, contour_mm=corners)
             for corners, seam in zip(kept.corners_mm, seams.tolist(), strict=True)]  # fmt: skip
    checked = _checked(view, _merged(outlines, sure, found), slopes, pale=pale)
    return tuple(replace(outline, doubted=True, on_pale=pale) for outline in checked)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Edges:
    """How the view's cues rise (h, w, 3, 2), and the rectangles that edges close to, but for the references'."""

    slopes: Floats
    closed: Rectangles


def _edges(view: View, papers: list[Floats], *, faint: bool) -> _Edges:
    segments = segments_mm(view, faint=faint)
    for paper in papers:
        segments = segments[~inside(segments.mean(axis=1), paper)]
    slopes = slopes_of(view, faint=faint)
    closed = rectangles(view, segments, slopes, ends=True, least=LEAST_TRIED)
    for paper in papers:
        closed = closed.rows(~inside(closed.corners_mm.mean(axis=1), paper))
    return _Edges(slopes=slopes, closed=closed)


def _trusted(
    view: View, edges: _Edges, outlines: tuple[Outline, ...], *, nominal_mm: Floats, pale: bool, tried: Tried
) -> list[Outline]:
    """The cards that a closer look at the likeliest rectangles, and at plain outlines, bears out."""
    if view.per_mm < PER_MM:
        return []  # corners' radii cannot be told so far from above
    plain = [o for o in outlines if not o.flags and not any(o.joined)]
    quads = edges.closed.corners_mm
    rough = quads[likeliest(view, quads, edges.slopes, nominal_mm=nominal_mm)]
    count = len(rough)
    trials = tried(np.concatenate([rough, *(clockwise(o.corners_mm)[None] for o in plain)]))
    more = extended(trials, quads)
    trials = trials + tried(more) if len(more) else trials
    is_plain = np.zeros(len(trials.found), bool)
    is_plain[count : count + len(plain)] = True
    out = []
    arcs = arc_support(view, trials.corners_mm, edges.slopes)
    for k in trusted(trials, plain=is_plain, arcs=arcs, nominal_mm=nominal_mm, pale=pale).tolist():
        corners = trials.corners_mm[k]
        if not is_plain[k] and any(_is_part(corners, one) for one in plain):
            continue
        out.append(replace(plain[k - count] if is_plain[k] else _outline(corners), corners_mm=corners, sure=True))
    return out


def _is_part(corners: Floats, plain: Outline) -> bool:
    """Whether a rectangle is but a small part of a good outline: what is printed on a large piece."""
    one = _outline(corners)
    return area_mm2(one) < PART * area_mm2(plain) and shared(one, plain) > SAME


def _outline(corners: Floats) -> Outline:
    return Outline(corners_mm=corners, flags=(), exact=True, contour_mm=corners)


def _apart_from(quads: Floats, sure: list[Outline]) -> NDArray[np.bool_]:
    """Which rectangles (n, 4, 2) overlap none of some outlines."""
    return np.array([all(shared(_outline(quad), one) < OVERLAP for one in sure) for quad in quads], bool)


def _merged(plain: tuple[Outline, ...], sure: list[Outline], found: list[Outline]) -> list[Outline]:
    """Each piece once. A good plain outline stands, unless its piece is as large or larger by its edges."""
    out: list[Outline] = []
    taken: set[int] = set()
    found = sure + found
    for outline in plain:
        here = [k for k, one in enumerate(found) if shared(outline, one) > SAME]
        if not outline.flags and any(found[k].sure for k in here):
            continue
        if not outline.flags:
            best = [k for k in here if _is_around(found[k], outline)]
            out.append(found[best[0]] if len(best) == 1 else outline)
            taken.update(here)
        elif not here:
            out.append(outline)
        elif len(here) == 1 and _is_that(found[here[0]], outline):
            # several pieces in one close to a rectangle, and so does a picture inside its border
            out.append(outline)
            taken.update(here)
        elif sum(area_mm2(found[k]) for k in here) < EXPLAINED * covered_mm2(outline):
            # what lies in it lies on other pieces
            out.append(outline)
            if may_be_several(outline):
                found = [_raised(one) if k in here else one for k, one in enumerate(found)]
    return out + [one for k, one in enumerate(found) if k not in taken]


def _raised(one: Outline) -> Outline:
    return replace(one, raised_mm=RAISED_MM, u_raised_mm=U_RAISED_MM)


def _is_around(one: Outline, outline: Outline) -> bool:
    """Whether edges close to a rectangle around an outline that may be the picture on it."""
    low, high = LARGER
    if side_lengths(outline.corners_mm).min() > SHEET_MM:
        return False
    return not one.flags and shared(one, outline) > WHOLLY and low < area_mm2(one) / area_mm2(outline) < high


def _is_that(one: Outline, region: Outline) -> bool:
    """Whether a rectangle is a region that is known to be no single piece, or lies within it as a picture does."""
    several = bool(set(region.flags) & {"touching", "not-flat"})
    return lies_within(one, region) or (several and FILLED < area_mm2(one) / covered_mm2(region) < 1 / FILLED)


def _checked(view: View, outlines: list[Outline], slopes: Floats, *, pale: bool) -> list[Outline]:
    """Outlines moved out to faint edges around them; where these are not whole, without a size.

    On other than pale tables a border must be as wide on all sides: there is more that runs along a side by chance.
    """
    settled = ["cut-by-frame" in o.flags or any(o.joined) or o.sure for o in outlines]
    whole = [o for o, left in zip(outlines, settled, strict=True) if not left]
    out = [o for o, left in zip(outlines, settled, strict=True) if left]
    if not whole:
        return outlines
    quads = np.array([clockwise(o.corners_mm) for o in whole])
    more = grown(view, quads, slopes)
    mere = are_mere_lines(view, quads)
    large = [side_lengths(quad).min() > SHEET_MM for quad in quads]
    for k, outline in enumerate(whole):
        shift = more.shift_mm[k]
        even = shift.min() > 0 and not large[k] and np.ptp(shift) < EVEN_BORDER_MM
        if shift.any() if pale else even:
            flags = DOUBTFUL if more.doubtful[k] else ()
            corners = more.corners_mm[k]
            out.append(Outline(corners_mm=corners, flags=flags, contour_mm=corners, exact=True))
        elif mere[k] and not outline.flags:
            out.append(replace(outline, flags=DOUBTFUL))
        else:
            out.append(outline)
    return _without_inner(out)


def _without_inner(outlines: list[Outline]) -> list[Outline]:
    """Those that do not lie within another that can be sized."""
    return [one for one in outlines
            if not any(other is not one and not other.flags and area_mm2(other) > area_mm2(one)
                       and shared(one, other) > 0.9 for other in outlines)]  # fmt: skip
