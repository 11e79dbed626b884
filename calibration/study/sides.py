"""Where each side of each card was found against where it is: a table for finding out what causes the errors."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.rig.truth import clockwise_from_top_left
from calibration.study.measuring import Measured
from calibration.study.scoring import matched

Floats = NDArray[np.float64]

COLUMNS = (
    "shot", "mat", "card", "side", "face", "border", "core", "offset_mm", "wall_px", "shadow_mm", "faces_lamp",
    "px_per_mm", "place", "thickness_mm", "rise_mm", "error_mm", "u_mm", "flags",
)  # fmt: skip
"""`offset_mm`: how far outside the true edge its middle was found; `wall_px`: how much of the side wall shows, negative
where the side faces away; `shadow_mm`: width of the first lamp's shadow at its foot; `faces_lamp`: cosine between the
side's outward normal and the lamp's direction; `error_mm`, `u_mm`: those of the size that runs across this side."""


def side_rows(measured: Measured) -> list[dict[str, Any]]:
    """One row for each side of each card that has a size."""
    truth, rows = measured.truth, []
    for number, index in matched(truth["cards"], measured.ours.pieces).items():
        piece, card = measured.ours.pieces[index], truth["cards"][number]
        if piece.width_mm is None or len(piece.corners_px) != 4:
            continue
        true = np.array(card["corners_px"])
        found = _aligned(np.array(piece.corners_px), true)
        for side in range(4):
            row = _side(truth, card, true, found, side)
            shorter = _length(true, side + 1) <= _length(true, side)
            error = piece.width_mm - card["width_mm"] if shorter else (piece.height_mm or 0.0) - card["height_mm"]
            row |= {"shot": measured.shot.name, "card": number, "flags": " ".join(piece.flags)}
            row |= {"error_mm": error, "u_mm": piece.u_width_mm if shorter else piece.u_height_mm}
            rows.append(row)
    return rows


def sides_csv(measured: Iterable[Measured]) -> str:
    """All rows as CSV, lengths with four digits."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for one in measured:
        for row in side_rows(one):
            writer.writerow({key: f"{value:.4f}" if isinstance(value, float) else value for key, value in row.items()})
    return text.getvalue()


def _aligned(found: Floats, true: Floats) -> Floats:
    """The corners in the order of the true ones."""
    found = clockwise_from_top_left(found)
    return min((np.roll(found, -k, 0) for k in range(4)), key=lambda c: float(np.linalg.norm(c - true)))


def _length(corners: Floats, side: int) -> float:
    return float(np.linalg.norm(corners[(side + 1) % 4] - corners[side % 4]))


def _side(truth: dict[str, Any], card: dict[str, Any], true: Floats, found: Floats, side: int) -> dict[str, Any]:
    a, b = true[side], true[(side + 1) % 4]
    middle, along = (a + b) / 2, (b - a) / np.linalg.norm(b - a)
    out = np.array([along[1], -along[0]])  # clockwise as seen, y down
    moved = (found[side] + found[(side + 1) % 4]) / 2 - middle
    camera, lamp = truth["camera"], (truth["lamps"] or [None])[0]
    size = np.array([camera["width_px"], camera["height_px"]])
    towards = float(out @ np.array(lamp["towards_px"])) if lamp else 0.0
    slope = float(np.tan(np.radians(lamp["elevation_deg"]))) if lamp else 1.0
    return {
        "mat": truth["mat"], "side": side, "face": card["face"], "border": card["border"][side], "core": card["core"],
        "px_per_mm": truth["px_per_mm"], "thickness_mm": card["thickness_mm"], "rise_mm": card["rise_mm"],
        "offset_mm": float(out @ moved) / truth["px_per_mm"],
        "wall_px": float(out @ (_nadir_px(camera) - middle)) * card["thickness_mm"] / camera["height_mm"],
        "shadow_mm": max(0.0, -towards) * card["thickness_mm"] / slope, "faces_lamp": towards,
        "place": float(np.linalg.norm(middle - size / 2) / np.linalg.norm(size / 2)),
    }  # fmt: skip


def _nadir_px(camera: dict[str, Any]) -> Floats:
    """Where the foot of the camera would appear, without distortion."""
    down = -np.array(camera["rotation"])[:, 2]
    return np.asarray(camera["focal_px"] * down[:2] / down[2] + np.array(camera["principal_px"]))
