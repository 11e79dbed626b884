"""What is common to all sides of a photo: how bright walls are, how far shadows reach, how the picture is sharpened.

Walls and shadows follow from the lamps, so sides that face the same way share them: sides on which they stand out
(walls beside dark borders, shadows on bright tables) teach what to expect where they do not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure import quads as qd
from cardmeasure.camera import Camera, project
from cardmeasure.edges.fitting import LookPriors, Looks
from cardmeasure.edges.looks import (
    BLUR,
    FACE,
    PARAMETERS,
    PLACE,
    SHADE,
    SHADOW,
    SHARPENING,
    TABLE,
    WALL,
    WIDTH,
)
from cardmeasure.edges.profiles import Profiles
from cardmeasure.numerics import median, medians

Floats = NDArray[np.floating[Any]]

WALL_LEVEL, U_WALL_LEVEL, U_WALL_COLOUR = 0.27, 0.17, 0.25
"""Light of a wall over that of white paper, and its spread; how far one colour departs from the others, over its level.
Cut board is light grey; upright, it gets half the light of the room and more or less of the lamp's."""
SHADOW_REACH, U_SHADOW_REACH = 0.9, 1.0
"""Reach of a foot shadow over the card's thickness: a lamp 45 degrees up gives 1."""
U_EVEN_REACH, U_LAMP_REACH = 0.3, 2.0
"""What may be taught of reaches, over the thickness: a part that is the same all round, as several lamps make it, and
that of one lamp, which grows as a side looks away from it; towards it no shadow falls."""
SHADE_LEVEL, U_SHADE_LEVEL = 0.5, 0.3
"""Light left in the shadow."""
GAP, U_GAP = 0.35, 0.4
"""Between two cards that touch, over their thickness (from rendered rows): no two edges are straight."""
GAP_LIGHT, GAP_WALL_PX = (0.06, 0.06), (0.0, 0.02)
"""Light that is left in such a gap, of that of white paper; and the wall in it, which is as dark as the rest."""
MOST_SHADE, LEAST_FACE = 2.0, 0.01
"""A gap between dark cards may be brighter than these, but no more than twice as bright; no face is darker."""
SHARPENED, U_SHARPENED = 0.2, 0.2
U_BLUR = 0.2
"""Relative uncertainty of a side's blur when only the reference's is known."""
U_COMMON_BLUR, U_COMMON_SHARPENING = 0.05, 0.05
"""What blur and sharpening differ by from side to side."""
LAMP_ON_WALL, U_LAMP_ON_WALL, STEEPEST = 0.5, 0.4, 2.0
"""Light of the lamp on a wall that looks towards it, of white paper's, for a slant of 1 (fitted to rendered shots, not
the study's: r = 0.7 over 72 walls beside dark borders), its relative u, and the largest slant believed."""
WALL_SCATTER, SHADOW_SCATTER, SHADE_SCATTER = 0.03, 0.08, 0.04
"""Scatter between sides that face the same way: of white paper's light, of the thickness, of one."""
TEACHERS, SHADOW_TEACHERS = 4, 8
"""So many sure sides are needed before anything is learned; of shadows more than a card has, as one card's sides may
all be mistaken alike."""
BRIGHTER, BRIGHT_TEACHERS = 1.3, 3
"""Where a face is so many times as bright as the table in one colour, a dark strip between them cannot be more of the
face: so many of such sides are enough to learn shadows from."""
PALE = 0.45
"""Part of white paper's light. A wall in the lamp's light passes for more of a paler face: beside it none teaches."""
MISPLACED_PX = 0.25
"""How far off a place may be for all that its own covariance says: what a wall's level is taken with."""
WAVE_ROUNDS, WAVE_SETTLED = 8, 0.02
"""A fit round the compass is done when its scatter changes by less than this share."""
U_LEVEL = 1.0
"""Of the face: nothing is known of it."""
U_TABLE, U_LEAST_TABLE = 0.5, 0.01
"""Of the table, over what is seen beyond this side or most sides; and least, of full light. A profile may end in a
shadow, but tables are not much brighter in one place than in others."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Surroundings:
    """What is known of all sides (n,) before they are fitted: wall widths and their u, px; directions they look in;
    the cards' thickness in pixels, and its relative u; expected blur, px, and the profiles' bins' part in it; light of
    white paper; whether the photo keeps colour for every other pixel only, None where
    what stands for colours is something else; along which sides another card touches this one, None if along none."""

    width_px: Floats
    u_width_px: Floats
    azimuth_rad: Floats
    thickness_px: Floats
    u_thickness: Floats
    blur_px: Floats
    bins_px: float
    white: float
    colour_halved: bool | None = True
    joined: NDArray[np.bool_] | None = None

    @property
    def is_joined(self) -> NDArray[np.bool_]:
        """Along which sides (n,) another card touches this one."""
        return np.zeros(len(self.width_px), bool) if self.joined is None else self.joined


def wall_widths_px(camera: Camera, quads: Floats, profiles: Profiles, *, paper_mm: float) -> Floats:
    """Signed width (n,) of the wall outside the face's edge; negative where the face hides it.

    The table lies `paper_mm` below the print, that is at positive z.
    """
    top = qd.world_points(quads[profiles.card], qd.side_places(profiles.side, profiles.along))
    foot = top.copy()
    foot[:, 2] = paper_mm
    shift = project(camera, foot) - project(camera, top)
    return np.asarray(np.einsum("ni,ni->n", shift, profiles.normal))


def outward_azimuth_rad(quads: Floats, profiles: Profiles) -> Floats:
    """Direction (n,) on the table in which each stretch's wall looks."""
    return np.asarray(quads[profiles.card, qd.TURN] + (profiles.side - 1) * (np.pi / 2))


def priors_before(around: Surroundings, face: Floats, table: Floats, *, u_place_px: Floats | float) -> LookPriors:
    """Priors of sides with levels (n, 3) of face and table near their ends, before the photo has taught anything."""
    n = len(face)
    mean, u = np.empty((n, PARAMETERS)), np.empty((n, PARAMETERS))
    mean[:, PLACE], u[:, PLACE] = 0.0, u_place_px
    mean[:, BLUR], u[:, BLUR] = around.blur_px, U_BLUR * around.blur_px
    mean[:, SHARPENING], u[:, SHARPENING] = SHARPENED, U_SHARPENED
    mean[:, SHADOW], u[:, SHADOW] = SHADOW_REACH * around.thickness_px, U_SHADOW_REACH * around.thickness_px
    mean[:, SHADE], u[:, SHADE] = SHADE_LEVEL, U_SHADE_LEVEL
    mean[:, WIDTH], u[:, WIDTH] = around.width_px, around.u_width_px
    mean[:, FACE], u[:, FACE] = face, U_LEVEL
    mean[:, WALL], u[:, WALL] = WALL_LEVEL * around.white, U_WALL_LEVEL * around.white
    usual = np.maximum(table, medians(table))
    mean[:, TABLE], u[:, TABLE] = table, U_TABLE * usual + U_LEAST_TABLE
    _as_seams(mean, u, around)
    return LookPriors(mean=mean, covariance=_covariance(mean, u))


def priors_learned(before: LookPriors, looks: Looks, around: Surroundings) -> LookPriors:
    """Priors sharpened by what all sides of the photo have in common."""
    lesson = _Lesson(
        mean=before.mean.copy(), spread=np.sqrt(np.einsum("nii->ni", before.covariance)), seen=looks.parameters,
        u=np.sqrt(np.einsum("nii->ni", looks.covariance)), around=around,
    )  # fmt: skip
    _teach_blur(lesson)
    reach, shade = _teach_shadows(lesson)
    _light_walls(lesson, reach=reach, shade=shade)
    _teach_walls(lesson)
    _as_seams(lesson.mean, lesson.spread, around)
    return LookPriors(mean=lesson.mean, covariance=_covariance(lesson.mean, lesson.spread))


def _as_seams(mean: Floats, u: Floats, around: Surroundings) -> None:
    """Where another card touches a side, what is expected of the gap: narrow and dark, with a face beyond it."""
    joined = around.is_joined
    if not joined.any():
        return
    light, u_light = (
        part * around.white / np.maximum(mean[joined, TABLE].mean(axis=1), LEAST_FACE) for part in GAP_LIGHT
    )
    for part, level, spread in (
        (SHADOW, GAP * around.thickness_px[joined], U_GAP * around.thickness_px[joined]),
        (SHADE, np.minimum(light, MOST_SHADE), u_light), (WIDTH, *GAP_WALL_PX),
    ):  # fmt: skip
        mean[joined, part], u[joined, part] = level, spread


@dataclass(frozen=True, kw_only=True, eq=False)
class _Lesson:
    """What sides looked like when fitted one by one, with u, and what is made of that: priors' means and u, written in
    place; each (n, parameters)."""

    mean: Floats
    spread: Floats
    seen: Floats
    u: Floats
    around: Surroundings

    def teach(
        self, column: int, sure: NDArray[np.bool_], *, own: Floats, least: float,
        level: tuple[float, float] | None = None, u_wave: float | None = None,
    ) -> Floats:  # fmt: skip
        """Put a level plus one wave round the compass, fitted to the sure sides, in the place of a column's priors.

        own : u of what was seen (n,); least : scatter between sides; level : its mean and u before that, where they are
        not the column's; u_wave : u of the wave's height. Returned is what the fit says of sides that look the other
        way (n,).
        """
        mean, spread, azimuth = self.mean[:, column], self.spread[:, column], self.around.azimuth_rad
        sure = sure & ~self.around.is_joined
        if not sure.any():
            return mean.copy()
        basis = np.column_stack([np.ones(len(azimuth)), np.cos(azimuth), np.sin(azimuth)])
        start, wide = level or (median(mean), median(spread))
        coefficients, covariance, scatter = _wave(
            self.seen[sure, column], own[sure], basis[sure], start=start, wide=wide, u_wave=u_wave or 0.7 * wide,
            least=least,
        )  # fmt: skip
        self.mean[:, column] = basis @ coefficients
        u = np.sqrt(np.einsum("ni,ij,nj->n", basis, covariance, basis) + scatter**2)
        self.spread[:, column] = np.minimum(u, spread)
        return np.asarray(2 * coefficients[0] - self.mean[:, column])


def _teach_blur(lesson: _Lesson) -> None:
    """Blur, over what is expected across each side, and sharpening, which hardly differ from side to side."""
    placed = lesson.u[:, PLACE] < 0.3
    if placed.sum() < TEACHERS:
        return
    expected = lesson.around.blur_px
    more = median(lesson.seen[placed, BLUR] / expected[placed])
    lesson.mean[:, BLUR], lesson.spread[:, BLUR] = more * expected, U_COMMON_BLUR * expected
    sharpened = median(lesson.seen[placed, SHARPENING])
    lesson.mean[:, SHARPENING], lesson.spread[:, SHARPENING] = sharpened, U_COMMON_SHARPENING


def _teach_shadows(lesson: _Lesson) -> tuple[Floats, Floats]:
    """Reach and light of shadows; returned is the same of sides that look the other way, (n,) each."""
    p, u, around = lesson.seen, lesson.u, lesson.around
    thickness = median(around.thickness_px)
    bright: NDArray[np.bool_] = np.any(p[:, FACE] > BRIGHTER * p[:, TABLE], axis=1)
    falls = (u[:, SHADOW] < 0.5 * thickness) & (p[:, SHADE] < 0.9)
    reach = lesson.teach(
        SHADOW, _teachers(falls, bright), own=u[:, SHADOW], least=SHADOW_SCATTER * thickness,
        level=(0.0, U_EVEN_REACH * thickness), u_wave=U_LAMP_REACH * thickness,
    )  # fmt: skip
    shown = (u[:, SHADE] < 0.2) & (p[:, SHADOW] + np.minimum(p[:, WIDTH], 0) > 1.0)
    shade = lesson.teach(SHADE, _teachers(shown, bright), own=u[:, SHADE], least=SHADE_SCATTER)
    mean, spread = lesson.mean, lesson.spread
    mean[:, SHADOW] = np.maximum(mean[:, SHADOW], 0.0)
    # a thicker card throws a longer shadow
    spread[:, SHADOW] = np.hypot(spread[:, SHADOW], around.u_thickness * mean[:, SHADOW])
    mean[:, SHADE] = np.clip(mean[:, SHADE], 0.05, 1.0)
    return reach, shade


def _light_walls(lesson: _Lesson, *, reach: Floats, shade: Floats) -> None:
    """Brighter walls where they look towards the lamp, by the slant of its light.

    reach, shade : (n,), of shadows on sides that look the other way.
    """
    mean, spread, around = lesson.mean, lesson.spread, lesson.around
    slant = slants(mean[:, SHADOW], np.maximum(reach, 0.0), around)
    room = np.clip(np.where(slant < 0, shade, mean[:, SHADE]), 0.0, 1.0)
    lamp = LAMP_ON_WALL * (1 - room) * around.white
    more = lamp * np.clip(-slant, 0.0, STEEPEST)
    mean[:, WALL] += more[:, None]
    u_slant = np.minimum(spread[:, SHADOW] / around.thickness_px, 1.0) * (slant < 0)
    spread[:, WALL] = np.hypot(spread[:, WALL], np.hypot(U_LAMP_ON_WALL * more, lamp * u_slant)[:, None])


def _teach_walls(lesson: _Lesson) -> None:
    """Light of walls, colour by colour, from sides on which they can be told apart."""
    p, white = lesson.seen, lesson.around.white
    shows = np.maximum(p[:, WIDTH], 0.1)
    for k in range(3):
        face, wall, table = (p[:, part.start + k] for part in (FACE, WALL, TABLE))
        off = MISPLACED_PX * np.abs(face - wall) + 0.4 * MISPLACED_PX * np.abs(table - wall)
        own = np.hypot(lesson.u[:, WALL.start + k], off / shows)
        sure = (p[:, WIDTH] > 0.3) & (own < 0.2 * white) & (face < PALE * white)
        if sure.sum() >= TEACHERS:
            lesson.teach(WALL.start + k, sure, own=own, least=WALL_SCATTER * white)
    lesson.mean[:, WALL] = np.maximum(lesson.mean[:, WALL], 0.0)


def slants(reach_px: Floats, across_px: Floats, around: Surroundings) -> Floats:
    """Slant of the lamp's light outward (n,), from the reach of shadows, px: of sides (n,) and of those across.

    None falls towards the lamp, so that a side's shadow tells of the side across the card as well.
    """
    reach, across = reach_px / around.thickness_px, across_px / around.thickness_px
    both = np.minimum(reach, across) / np.maximum(np.maximum(reach, across), 1e-6)
    return np.asarray((reach - across) / (1 + both))


def _teachers(sure: NDArray[np.bool_], bright: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of the sides (n,) that are sure of their shadows teach others: the bright ones; else all, if many."""
    best: NDArray[np.bool_] = sure & bright
    if best.sum() >= BRIGHT_TEACHERS:
        return best
    return sure if sure.sum() >= SHADOW_TEACHERS else np.zeros_like(sure)


def _covariance(mean: Floats, u: Floats) -> Floats:
    """Independent but for the colours of a wall, whose levels go together."""
    n, k = len(u), np.arange(PARAMETERS)
    covariance = np.zeros((n, PARAMETERS, PARAMETERS))
    covariance[:, k, k] = u**2
    level = np.maximum(mean[:, WALL].mean(axis=1), 0.02)
    together = np.clip(1 - (U_WALL_COLOUR * level / u[:, WALL].mean(axis=1)) ** 2, 0.0, 0.999)
    both = together[:, None, None] * u[:, WALL, None] * u[:, None, WALL]
    covariance[:, WALL, WALL] = np.where(np.eye(3) > 0, covariance[:, WALL, WALL], both)
    return covariance


def _wave(
    value: Floats, u: Floats, basis: Floats, *, start: float, wide: float, u_wave: float, least: float
) -> tuple[Floats, Floats, float]:
    """Robust fit of basis (m, 3) to values (m,) with u (m,); coefficients, their covariance, scatter about the fit."""
    prior = np.diag(1 / np.array([wide, u_wave, u_wave]) ** 2)
    first = np.array([start, 0.0, 0.0])
    coefficients, scatter, normal = first, 0.5 * wide, prior
    for _ in range(WAVE_ROUNDS):
        before = scatter
        r = value - basis @ coefficients
        w = 1 / (u**2 + scatter**2) * np.minimum(1.0, 2 * scatter / np.maximum(np.abs(r), 1e-9))
        normal = (basis * w[:, None]).T @ basis + prior
        coefficients = np.linalg.solve(normal, (basis * w[:, None]).T @ value + prior @ first)
        scatter = min(max(1.48 * median(np.abs(value - basis @ coefficients)), least), wide)
        if abs(scatter - before) < WAVE_SETTLED * scatter:
            break
    return coefficients, np.asarray(np.linalg.inv(normal)), scatter
