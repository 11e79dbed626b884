"""How far findings are from the truth: pure functions from both to scores."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.study.records import CardScore, Findings, Piece, ShotScore, SideScore
from cardmeasure.flags import FLAGS, Level

Floats = NDArray[np.float64]

NEAR = 1 / 3
"""A piece is a card's where their middles are nearer than this part of the card's short side."""
SURE = 0.95
"""A class named with a higher probability is held for sure."""
OUTER = 2 / 3
STATED_THICKNESS_MM = 0.30
OTHER_MM = 1.0
"""A size that is off by more is that of something else."""
SCALE_WORDS = ("scale", "print")
"""Flags that begin so speak of the print's scale."""


def matched(truth: Sequence[dict[str, Any]], pieces: Sequence[Piece]) -> dict[int, int]:
    """Index of the piece that belongs to each true card; each piece belongs to one card at most, the nearest first."""
    pairs = []
    for number, card in enumerate(truth):
        corners = np.array(card["corners_px"])
        reach = NEAR * float(np.linalg.norm(np.diff(corners, axis=0, append=corners[:1]), axis=1).min())
        for index, piece in enumerate(pieces):
            away = float(np.linalg.norm(np.mean(piece.corners_px, axis=0) - corners.mean(0)))
            if away < reach:
                # A piece with a size goes before one without, however near.
                pairs.append((piece.width_mm is None, away, number, index))
    found: dict[int, int] = {}
    for _, _, number, index in sorted(pairs):
        if number not in found and index not in found.values():
            found[number] = index
    return found


def score_shot(name: str, truth: dict[str, Any], findings: Findings, *, group: str) -> ShotScore:
    """The score of one shot. Cards of which too little shows are left out, but no size of theirs may be wrong."""
    own = matched(truth["cards"], findings.pieces)
    cards = []
    for number, card in enumerate(truth["cards"]):
        if card["expect"] == "measured" or card.get("trouble") == "touching":
            piece = findings.pieces[own[number]] if number in own else None
            cards.append(_card_score(number, truth, piece, trouble=findings.trouble))
    of = {index: truth["cards"][number] for number, index in own.items()}
    false = tuple(
        _why_false(piece, truth["cards"])
        for index, piece in enumerate(findings.pieces)
        if piece.width_mm is not None and (index not in of or _is_other(piece, of[index]))
    )
    return ShotScore(
        group=group,
        shot=name,
        cards=tuple(cards),
        false=false,
        warned=findings.trouble is not None or any(_warns_of_print(code) for code in findings.flags),
        tilt_deg=truth["camera"]["tilt_deg"],
        height_mm=truth["camera"]["height_mm"],
        mat=truth["mat"],
    )


def _is_other(piece: Piece, card: dict[str, Any]) -> bool:
    """Whether a piece where a card lies of which too little shows is not that card: a whole pile, perhaps."""
    if card["expect"] == "measured" or piece.width_mm is None or piece.height_mm is None:
        return False
    return max(abs(piece.width_mm - card["width_mm"]), abs(piece.height_mm - card["height_mm"])) > OTHER_MM


def _card_score(number: int, truth: dict[str, Any], piece: Piece | None, *, trouble: str | None) -> CardScore:
    card, camera = truth["cards"][number], truth["camera"]
    size = np.array([camera["width_px"], camera["height_px"]])
    middle = np.mean(card["corners_px"], axis=0)
    off = middle - (size - 1) / 2
    wrong = piece is not None and piece.width_mm is not None and piece.size_class != card["size_class"]
    return CardScore(
        number=number,
        face=card["face"],
        missed=why_missed(piece, trouble=trouble),
        sides=_sides(card, piece),
        class_right=piece is not None and piece.width_mm is not None and not wrong,
        class_wrong_sure=bool(wrong and piece is not None and (piece.probability or 0.0) > SURE),
        flags=piece.flags if piece else (),
        place=float(np.linalg.norm(off) / np.linalg.norm(size / 2)),
        outer=bool((np.abs(off) > OUTER * size / 2).any()),
        from_square_mm=_from_square_px(middle, truth) / truth["px_per_mm"],
        border=float(np.mean(card["border"])),
        thickness_error_mm=card["thickness_mm"] - STATED_THICKNESS_MM,
    )


def why_missed(piece: Piece | None, *, trouble: str | None) -> str | None:
    """Why a card has no size, in a few words; None where it has one."""
    if trouble is not None:
        return f"photo refused: {trouble}"
    if piece is None:
        return "no outline"
    if piece.width_mm is None:
        return "flagged " + ", ".join(piece.flags)
    return None


def _sides(card: dict[str, Any], piece: Piece | None) -> tuple[SideScore, ...]:
    if piece is None or piece.width_mm is None or piece.height_mm is None:
        return ()
    return (
        SideScore(error_mm=piece.width_mm - card["width_mm"], u_mm=piece.u_width_mm),
        SideScore(error_mm=piece.height_mm - card["height_mm"], u_mm=piece.u_height_mm),
    )


def _from_square_px(middle: Floats, truth: dict[str, Any]) -> float:
    squares = truth["reference"]["squares"]
    if not squares:
        return 0.0
    return min(float(np.linalg.norm(np.mean(square["corners_px"], axis=0) - middle)) for square in squares)


def _why_false(piece: Piece, cards: Sequence[dict[str, Any]]) -> str:
    """Whether a piece that is no card's lies on a card all the same, and how it is flagged."""
    corners = np.array(piece.corners_px)
    inside = any(_is_inside(np.mean(card["corners_px"], axis=0), corners) for card in cards)
    inside = inside or any(_is_inside(corners.mean(0), np.array(card["corners_px"])) for card in cards)
    where = "on or around a card" if inside else "where no card lies"
    return f"{where}, {'flagged ' + ', '.join(piece.flags) if piece.flags else 'no flag'}"


def _is_inside(point: Floats, polygon: Floats) -> bool:
    sides, spokes = np.roll(polygon, -1, 0) - polygon, point - polygon
    cross = sides[:, 0] * spokes[:, 1] - sides[:, 1] * spokes[:, 0]
    return bool((cross > 0).all() or (cross < 0).all())


def _warns_of_print(code: str) -> bool:
    """Whether a photo's flag tells the user to doubt the print; that it was taken for 100 % is no warning."""
    if code == "scale-assumed":
        return False
    return code.startswith(SCALE_WORDS) or (code in FLAGS and FLAGS[code].level is Level.DOUBT)
