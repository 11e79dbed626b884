"""Gross errors without a word: sizes far off by their own u, on a piece and a photo that carry no doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from calibration.study.records import Findings, Piece
from calibration.study.scoring import SCALE_WORDS, matched
from cardmeasure.flags import FLAGS, Level

GROSS_U, GROSS_MM = 5.0, 0.3
"""A size is grossly wrong that is off by more than so many u and by more than so many mm."""
CORNER_MM = 1.5
"""An outline with a corner farther than this from the true one is another outline: detection took it for the card."""
SCALED_SPREAD = 0.35
"""All sizes of a photo are off together where relative errors scatter by less than this part of their mean."""
RIGHT_IN_PICTURE = 1 / 3
"""A side that lies beside the true one moves a corner by half of the error or more; less than this part moves none."""
CAUSES = ("edges", "lens", "sheet", "detection")


@dataclass(frozen=True, kw_only=True)
class Gross:
    """A size that is grossly wrong in silence: where, by how much, what lies there, and a guess at its cause.

    `side`: `width` or `height`; `corner_mm`: the farthest of the outline's corners from the true one.
    """

    shot: str
    group: str
    card: int
    side: str
    error_mm: float
    u_mm: float
    mat: str
    face: str
    flags: tuple[str, ...]
    corner_mm: float
    cause: str


def doubts(flags: Sequence[str]) -> list[str]:
    """The flags that tell the user to look again: all of level `doubt`; with a note the size stands."""
    return [code for code in flags if code in FLAGS and FLAGS[code].level is Level.DOUBT]


def is_doubted(findings: Findings, piece: Piece) -> bool:
    """Whether a size's user is told to doubt it, by a flag of the piece or of the whole photo."""
    print_in_doubt = any(code.startswith(SCALE_WORDS) and code != "scale-assumed" for code in findings.flags)
    return bool(print_in_doubt or doubts(findings.flags) or doubts(piece.flags))


def is_gross(error_mm: float, u_mm: float | None) -> bool:
    """Whether a size is off by more than `GROSS_U` of its u and more than `GROSS_MM`."""
    return bool(abs(error_mm) > GROSS_MM and (u_mm is None or abs(error_mm) > GROSS_U * u_mm))


def gross_sizes(name: str, truth: dict[str, Any], findings: Findings, *, group: str) -> tuple[Gross, ...]:
    """All sizes of a photo that are grossly wrong in silence, of cards of which enough shows."""
    own = matched(truth["cards"], findings.pieces)
    pairs = [(number, truth["cards"][number], findings.pieces[index]) for number, index in sorted(own.items())]
    relative = _relative_errors(pairs)
    out = []
    for number, card, piece in pairs:
        if card["expect"] != "measured" or is_doubted(findings, piece):
            continue
        for side in ("width", "height"):
            size, u = getattr(piece, f"{side}_mm"), getattr(piece, f"u_{side}_mm")
            if size is None or not is_gross(size - card[f"{side}_mm"], u):
                continue
            away = corner_distance_mm(card, piece, px_per_mm=truth["px_per_mm"])
            out.append(
                Gross(
                    shot=name, group=group, card=number, side=side, error_mm=size - card[f"{side}_mm"],
                    u_mm=u or 0.0, mat=truth["mat"], face=card["face"], flags=(*findings.flags, *piece.flags),
                    corner_mm=away, cause=cause_of(truth, away, size - card[f"{side}_mm"], relative=relative),
                )
            )  # fmt: skip
    return tuple(out)


def cause_of(truth: dict[str, Any], corner_mm: float, error_mm: float, *, relative: Sequence[float]) -> str:
    """A guess at what went wrong, one of `CAUSES`.

    `detection`: another outline; `sheet`: on a measuring sheet; `lens`: the outline is right in the picture and wrong
    in mm, or all sizes of the photo are off alike; `edges`: a side lies beside the true one.
    """
    if corner_mm > CORNER_MM:
        return "detection"
    if str(truth["reference"].get("design")).startswith("sheet"):
        return "sheet"
    mean = float(np.mean(relative)) if relative else 0.0
    together = len(relative) >= 4 and float(np.std(relative)) < SCALED_SPREAD * abs(mean)
    return "lens" if together or corner_mm < RIGHT_IN_PICTURE * abs(error_mm) else "edges"


def corner_distance_mm(card: dict[str, Any], piece: Piece, *, px_per_mm: float) -> float:
    """How far the farthest corner of an outline lies from the true one's nearest, by the photo's mean scale."""
    true, found = np.array(card["corners_px"]), np.array(piece.corners_px)
    away = np.linalg.norm(true[:, None] - found[None], axis=2).min(axis=1)
    return float(away.max() / px_per_mm)


def _relative_errors(pairs: Sequence[tuple[int, dict[str, Any], Piece]]) -> list[float]:
    out = []
    for _, card, piece in pairs:
        if piece.width_mm is not None and piece.height_mm is not None:
            out += [piece.width_mm / card["width_mm"] - 1, piece.height_mm / card["height_mm"] - 1]
    return out
