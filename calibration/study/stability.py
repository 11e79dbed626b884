"""How far results move when nothing that matters has changed: the file saved again, a reading read a little otherwise,
the same cards photographed once more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.study.gross import doubts
from calibration.study.records import Findings, Piece

NEAR = 1 / 3
"""Pieces are the same whose middles are nearer than this part of the shorter side."""
STATES = ("sized", "doubted", "unsized", "absent")
COVERAGE_K = 2.0
"""Coverage factor of the expanded uncertainties in E_n numbers (ISO 13528: k = 2)."""


@dataclass(frozen=True, kw_only=True)
class Move:
    """One piece of a photo before and after: its states, and by how much its sizes moved, with the u of before."""

    photo: str
    change: str
    before: str
    after: str
    moves_mm: tuple[float, ...] = ()
    us_mm: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """One size of one card in two photos: their difference, and the u of it were they independent."""

    photo: str
    card: int
    side: str
    difference_mm: float
    u_mm: float

    @property
    def e_n(self) -> float:
        """E_n number: the difference over its expanded uncertainty; within 1 where both are true (ISO 13528)."""
        return self.difference_mm / (COVERAGE_K * self.u_mm)


def state_of(findings: Findings, piece: Piece | None) -> str:
    """One of `STATES`: with a size, with a size in doubt, listed without a size, not listed."""
    if piece is None:
        return "absent"
    if piece.width_mm is None:
        return "unsized"
    return "doubted" if doubts(piece.flags) or doubts(findings.flags) else "sized"


def moves_between(photo: str, change: str, before: Findings, after: Findings) -> list[Move]:
    """All pieces of either, compared; a piece that only one of them lists is absent in the other."""
    pairs = same_pieces(before.pieces, after.pieces)
    out = []
    for number, piece in enumerate(before.pieces):
        other = after.pieces[pairs[number]] if number in pairs else None
        out.append(_move(photo, change, (before, piece), (after, other)))
    for number, piece in enumerate(after.pieces):
        if number not in pairs.values():
            out.append(_move(photo, change, (before, None), (after, piece)))
    return out


def same_pieces(before: Sequence[Piece], after: Sequence[Piece]) -> dict[int, int]:
    """Index in `after` of each piece of `before` that is listed in both, nearest pairs first."""
    pairs = []
    for i, a in enumerate(before):
        corners = np.array(a.corners_px)
        reach = NEAR * float(np.linalg.norm(np.diff(corners, axis=0, append=corners[:1]), axis=1).min())
        for j, b in enumerate(after):
            away = float(np.linalg.norm(corners.mean(0) - np.mean(b.corners_px, axis=0)))
            if away < reach:
                pairs.append((away, i, j))
    found: dict[int, int] = {}
    for _, i, j in sorted(pairs):
        if i not in found and j not in found.values():
            found[i] = j
    return found


def _move(photo: str, change: str, before: tuple[Findings, Piece | None], after: tuple[Findings, Piece | None]) -> Move:
    a, b = before[1], after[1]
    moves: list[float] = []
    us: list[float] = []
    if a is not None and b is not None:
        for size_a, size_b, u in ((a.width_mm, b.width_mm, a.u_width_mm), (a.height_mm, b.height_mm, a.u_height_mm)):
            if size_a is not None and size_b is not None and u:
                moves.append(size_b - size_a)
                us.append(u)
    return Move(photo=photo, change=change, before=state_of(*before), after=state_of(*after), moves_mm=tuple(moves),
                us_mm=tuple(us))  # fmt: skip


def agreements_between(photo: str, first: dict[int, Piece], second: dict[int, Piece]) -> list[Agreement]:
    """Sizes of the cards, by number, that both photos have with a size and u."""
    out = []
    for number in sorted(set(first) & set(second)):
        for side in ("width", "height"):
            a, b = (getattr(pieces[number], f"{side}_mm") for pieces in (first, second))
            ua, ub = (getattr(pieces[number], f"u_{side}_mm") for pieces in (first, second))
            if None not in (a, b, ua, ub):
                u = math.hypot(ua, ub)
                out.append(Agreement(photo=photo, card=number, side=side, difference_mm=b - a, u_mm=u))
    return out


def stability_text(moves: Sequence[Move], agreements: Sequence[Agreement]) -> str:
    """A line for each change, the flips by kind, and the E_n numbers."""
    lines = []
    for change in dict.fromkeys(move.change for move in moves):
        some = [move for move in moves if move.change == change]
        ratios = np.array([abs(d) / u for move in some for d, u in zip(move.moves_mm, move.us_mm, strict=True)])
        sizes = np.array([abs(d) for move in some for d in move.moves_mm])
        flips = [move for move in some if move.before != move.after]
        gravest = sum(_is_grave(move) for move in flips)
        lines.append(
            f"{change}: {len(some)} pieces, {len(sizes)} sizes; moved by more than u: {int((ratios > 1).sum())}, "
            f"than 0.3 u: {int((ratios > 0.3).sum())}; largest {sizes.max(initial=0):.3f} mm, "
            f"{ratios.max(initial=0):.2f} u; flipped {len(flips)} ({100 * len(flips) / max(len(some), 1):.1f} %), "
            f"{gravest} of them between sized without doubt and no size"
        )  # fmt: skip
        lines += [f"    {move.photo}: {move.before} -> {move.after}" for move in flips]
        worst = sorted(some, key=_worst)[-3:]
        lines += [f"    {move.photo}: moved by {_worst(move):.2f} u" for move in reversed(worst) if _worst(move) > 1]
    if agreements:
        e = np.array([one.e_n for one in agreements])
        lines.append(
            f"two photos of the same cards: {len(e)} sizes, |E_n| > 1: {int((np.abs(e) > 1).sum())}, largest "
            f"{np.abs(e).max():.2f}, RMS of difference over its u {2 * float(np.sqrt(np.mean(e**2))):.2f}"
        )
        lines += [f"    {one.photo} card {one.card} {one.side}: {one.difference_mm:+.3f} mm, E_n {one.e_n:+.2f}"
                  for one in agreements if abs(one.e_n) > 1]  # fmt: skip
    return "\n".join(lines)


def _is_grave(move: Move) -> bool:
    """Whether a piece comes or goes that has a size without a doubt."""
    states = {move.before, move.after}
    return "sized" in states and bool(states & {"unsized", "absent"})


def _worst(move: Move) -> float:
    return max((abs(d) / u for d, u in zip(move.moves_mm, move.us_mm, strict=True)), default=0.0)
