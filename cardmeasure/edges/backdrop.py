"""The check of a measuring sheet behind the sides of cards, made even, so that a side sees one table only.

Brightness alone is read, as photos hold colours at half their resolution; so the three colours of a profile are free to
say what a side looks like over dark cells and over light ones. To the fit that is a table of two "colours": a shadow
has them, face and wall have not, and a border as bright as one kind of cell differs from the other.

Lines across a side that meet both kinds within the blur of the edge are left out, as far as enough remain; further out
the difference between what is printed there and the line's own kind is taken off, as far as the table shows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project
from cardmeasure.edges.beside import light_beside
from cardmeasure.edges.looks import BLUR, PARAMETERS, SHADE, SHADOW, SHARPENING, WIDTH, shares
from cardmeasure.edges.shading import open_shading
from cardmeasure.photo import Photo
from cardmeasure.reference.sheet import DARK, LIGHT, MARGIN, WHITE
from cardmeasure.reference.sheet_look import SheetLook

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.intp]
Mask = NDArray[np.bool_]

INSIDE_MM, SPOTS = (0.3, 0.6, 0.9), np.linspace(-0.7, 0.7, 24)
"""How far inside a side its border is looked at, and at which places along it."""
NEAR_PX, CLEAR_PX = -1.5, 3.0
"""Between these distances from the edge, the latter beyond the side wall, lines should see one kind of cell only."""
PURE = 0.9
ENOUGH = 0.12
"""Share of a side's lines that must be left of each kind of cell for that."""
LUMA = 1
"""Of a photo of brightness alone all colours are the same."""
FLOOR = 0.01
ROUGH_SHADOW, ROUGH_SHADE, ROUGH_SHARPENING = 0.9, 0.75, 0.2
"""Shadow's reach over the thickness, light left in it and sharpening, as long as the photo has not shown them."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Backdrop:
    """What stands behind the sides (s,) of all cards, and how they look.

    dark (s,): whether the border differs more from dark cells than from light ones. looks (s, 15): as last fitted, or
    as far as they are known beforehand. wall_px (s,): width of the side wall seen. margin (s,): which sides lie in the
    white margin around the check, and have an even table anyway.
    """

    look: SheetLook
    dark: Mask
    looks: Floats
    wall_px: Floats
    margin: Mask

    def light_at(self, px: Floats) -> Floats:
        """Light (s, 3) behind each side at pixels (s, 2), in the "colours" of its profiles."""
        half_way = self.look.at(px)[1]
        dark, light = (self.look.light_of(kind, half_way)[:, LUMA] for kind in (DARK, LIGHT))
        better, other = np.where(self.dark, dark, light), np.where(self.dark, light, dark)
        white = self.look.light_of(WHITE, half_way)[:, LUMA]
        better, other = (np.where(self.margin, white, level) for level in (better, other))
        return np.column_stack([other, better, better])

    def made_even(
        self, photo: Photo, seen: Floats, *, side: Ints, group: Ints, start: Ints, stride: Ints, ahead: Floats,
        cosine: Floats,
    ) -> tuple[Mask, Floats]:  # fmt: skip
        """Which lines (m,) across sides to keep, and the kept ones' light (k, 3 w), whose means are over even tables.

        seen : (m, 3 w), linear light. side, group (m,): group is what lines are averaged over. start, stride (m,):
        number of the first pixel, and from one to the next. ahead, cosine (m,): the first pixel from the side, pixels
        along the line, and what each adds across it.
        """
        width = seen.shape[1] // 3
        (first, light_0), (last, light_1) = (
            self.look.at(np.column_stack([n % photo.width_px, n // photo.width_px]).astype(np.float64))
            for n in (start, start + (width - 1) * stride)
        )
        step = np.arange(width) / (width - 1)
        share = self.look.share(first[:, None] + step[:, None] * (last - first)[:, None])
        distance = (ahead[:, None] + np.arange(width)) * cosine[:, None]
        near = (distance > NEAR_PX) & (distance < CLEAR_PX + self.wall_px[side, None])
        foot = near & (distance > 0)
        on_dark = (share * foot).sum(axis=1) < 0.5 * foot.sum(axis=1)
        own = np.where(on_dark[:, None], 1 - share, share)
        margin = self.margin[side]
        ends = self.look.design.kind_at(np.where(cosine[:, None] > 0, last, first))
        on_check = (ends == LIGHT) | (ends == DARK)
        keep = np.where(margin, ends == MARGIN, self._kept(own, near, on_dark, side) & on_check)
        better = (on_dark == self.dark[side]) | margin
        half_way = ((light_0 + light_1) / 2)[keep]
        of_dark, of_light = (self.look.light_of(kind, half_way)[:, LUMA] for kind in (DARK, LIGHT))
        target, else_where = np.where(on_dark[keep], (of_dark, of_light), (of_light, of_dark))
        mixed = ((1 - own[keep]) * (else_where - target)[:, None]) * ~margin[keep, None]
        light = seen[keep, LUMA::3]
        looks = self.looks[side[keep]]
        of_table = shares(distance[keep], looks, open_shading(len(looks)))[2]
        even = light - of_table * mixed
        return keep, by_kind(even, better[keep], group[keep]).astype(np.float32)

    def _kept(self, own: Floats, near: Mask, on_dark: Mask, side: Ints) -> Mask:
        """Lines that see one kind of cell only near the edge; all lines of a side over one kind where these are few."""
        pure = np.where(near, own, 1.0).min(axis=1) > PURE
        kind = 2 * side + on_dark
        kinds = 2 * len(self.dark)
        lines = np.maximum(np.bincount(side, minlength=kinds // 2), 1).repeat(2)
        share = np.bincount(kind[pure], minlength=kinds) / lines
        return np.asarray(pure | (share[kind] < ENOUGH))


def by_kind(light: Floats, better: Mask, group: Ints) -> Floats:
    """Lines (m, w) as "colours" (m, 3 w) whose means over a group are those over the other and the better kind.

    Where a group has lines over one kind only, all its "colours" are those; `both_kinds` tells.
    """
    groups = int(group.max(initial=0)) + 1
    count = np.bincount(group, minlength=groups)[group]
    colours = []
    for kind in (~better, better):
        lines = np.bincount(group[kind], minlength=groups)[group]
        share = np.where(lines > 0, kind * count / np.maximum(lines, 1), 1.0)
        colours.append(light * share[:, None])
    return np.stack([colours[0], colours[1], colours[1]], axis=2).reshape(len(light), -1)


def both_kinds(light: Floats) -> Mask:
    """Which profiles (n, b, 3) were read over both kinds of cells."""
    return np.asarray((light[..., 0] != light[..., 1]).any(axis=1))


def backdrop(
    photo: Photo, camera: Camera, quads: Floats, look: SheetLook, *, looks: Floats | None, blur_px: float
) -> Backdrop:
    """The backdrop of all sides of quadrilaterals (c, 14) on a sheet.

    looks : (4 c, 15) from an earlier pass. blur_px : of the photo, for a start where there was none.
    """
    wall = _walls_px(camera, quads)
    if looks is None:
        looks = np.zeros((len(wall), PARAMETERS))
        per_mm = camera.focal_px / float(np.linalg.norm(camera.position_mm))
        looks[:, BLUR], looks[:, SHARPENING], looks[:, SHADE] = blur_px, ROUGH_SHARPENING, ROUGH_SHADE
        looks[:, SHADOW] = np.repeat(ROUGH_SHADOW * quads[:, qd.ELEVATION] * per_mm, qd.SIDES)
        looks[:, WIDTH] = wall
    return Backdrop(
        look=look, dark=_dark_wanted(photo, camera, quads, look), looks=looks, wall_px=np.maximum(wall, 0.0),
        margin=in_margin(camera, quads, look),
    )  # fmt: skip


def in_margin(camera: Camera, quads: Floats, look: SheetLook) -> Mask:
    """Which sides (4 c,) of quadrilaterals (c, 14) lie in the margin around the check, all along."""
    side, each = np.tile(np.arange(qd.SIDES), len(quads)), np.repeat(quads, qd.SIDES, axis=0)
    m = len(SPOTS)
    places = qd.side_places(np.repeat(side, m), np.tile(SPOTS, len(each)))
    at, _ = look.at(project(camera, qd.world_points(np.repeat(each, m, axis=0), places)))
    return np.asarray((look.design.kind_at(at) == MARGIN).reshape(-1, m).all(axis=1))


def _dark_wanted(photo: Photo, camera: Camera, quads: Floats, look: SheetLook) -> Mask:
    """Whether the border of each side (4 c,) differs more from dark cells than from light ones."""
    side, each = np.tile(np.arange(qd.SIDES), len(quads)), np.repeat(quads, qd.SIDES, axis=0)
    levels = [light_beside(photo, camera, quads, along=SPOTS, outward_mm=-inside) for inside in INSIDE_MM]
    face = np.median(np.concatenate(levels, axis=1), axis=1)
    middle = project(camera, qd.world_points(each, qd.side_places(side, np.zeros(len(each)))))
    half_way = look.at(middle)[1]
    dark, light = (
        np.abs(np.log((face + FLOOR) / (look.light_of(kind, half_way) + FLOOR))).max(axis=1) for kind in (DARK, LIGHT)
    )
    return np.asarray(dark > light)


def _walls_px(camera: Camera, quads: Floats) -> Floats:
    """Signed width (4 c,) of the side walls in the middle of each side, negative where the face hides them."""
    side = np.tile(np.arange(qd.SIDES), len(quads))
    each = np.repeat(quads, qd.SIDES, axis=0)
    top, ahead = (qd.world_points(each, qd.side_places(side, np.full(len(each), at))) for at in (0.0, 0.01))
    foot = top.copy()
    foot[:, 2] = 0.0
    px = project(camera, top)
    way = project(camera, ahead) - px
    normal = np.column_stack([way[:, 1], -way[:, 0]]) / np.linalg.norm(way, axis=1)[:, None]
    return np.asarray(np.einsum("ni,ni->n", project(camera, foot) - px, normal))
