"""What a method found in a shot, and how it compares with the truth: the records that the study's stages hand on."""

from __future__ import annotations

from dataclasses import dataclass

Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True)
class Piece:
    """A piece that a method found; sizes are None where it was seen but not measured, u where the method has none."""

    corners_px: Corners
    width_mm: float | None
    height_mm: float | None
    u_width_mm: float | None = None
    u_height_mm: float | None = None
    size_class: str | None = None
    probability: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Findings:
    """All that a method found in a shot; `trouble` is the code of a refused one."""

    pieces: tuple[Piece, ...]
    flags: tuple[str, ...] = ()
    trouble: str | None = None


@dataclass(frozen=True, kw_only=True)
class SideScore:
    """One measured size of a card: its error, mm, and the u reported for it (None: no u)."""

    error_mm: float
    u_mm: float | None


@dataclass(frozen=True, kw_only=True)
class CardScore:
    """One card that was to be measured.

    `missed`: why it has no size, None where it has one; then `sides` holds width and height. `place`: distance of its
    middle from the picture's, over half the diagonal; `outer`: whether its middle lies outside the middle two thirds
    of the frame, in width or height. `border`: mean reflectance along its sides. `thickness_error_mm`: true thickness
    less the one the user stated.
    """

    number: int
    face: str
    missed: str | None
    sides: tuple[SideScore, ...]
    class_right: bool
    class_wrong_sure: bool
    flags: tuple[str, ...]
    place: float
    outer: bool
    from_square_mm: float
    border: float
    thickness_error_mm: float


@dataclass(frozen=True, kw_only=True)
class ShotScore:
    """One shot of a group: its cards, why each false piece is one, and whether the user was warned of the print."""

    group: str
    shot: str
    cards: tuple[CardScore, ...]
    false: tuple[str, ...]
    warned: bool
    tilt_deg: float
    height_mm: float
    mat: str
