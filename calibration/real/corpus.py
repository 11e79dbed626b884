"""A folder of real photographs and what is known about each: `truth.json` in it, and in its folder `tables`.

Everything comes from these files; whatever key is missing counts as not known.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.geometry import area

Floats = NDArray[np.floating[Any]]

WORK, ACCEPTANCE = "work", "acceptance"
TRUTH, TABLES = "truth.json", "tables"
ON_A_NEIGHBOUR = ("lies on", "touches")
"""Words by which `hidden` tells that a piece is whole but no lone flat one."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Thing:
    """A labelled piece. corners_px (4, 2): clockwise, where its straight sides meet. Sizes in mm, None if not known.

    equal : one of the photo's equal cards. flat : wholly visible, lies alone and flat, so that it should be measured.
    known_size : its size is a known one and not merely assumed to set a scale.
    """

    name: str
    corners_px: Floats
    width_mm: float | None
    height_mm: float | None
    u_mm: float | None
    thickness_mm: float | None
    equal: bool
    flat: bool
    covered: bool
    known_size: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Apart:
    """Something that is no whole flat card; its outline (n, 2) may be by eye. A size for it is a false one."""

    name: str
    outline_px: Floats


@dataclass(frozen=True, kw_only=True)
class Place:
    """A free place for a square: its side, mm, its centre in the plane of the truth file, mm, and its turn."""

    side_mm: float
    at_mm: tuple[float, float]
    turn_deg: float


@dataclass(frozen=True, kw_only=True, eq=False)
class LabelledPhoto:
    """One photo with all that is known of it.

    plane_mm, plane_px (n, 2) : points of its plane and where they are seen. equal_mm : long and short side of the
    equal cards. circular : the plane was taken from the very things that are measured. all_listed : every whole card
    stands in `things`.
    """

    name: str
    path: Path
    group: str
    sigma_px: float
    focal_35mm: float | None
    things: tuple[Thing, ...]
    apart: tuple[Apart, ...]
    places: tuple[Place, ...]
    plane_mm: Floats
    plane_px: Floats
    equal_mm: tuple[float, float] | None
    circular: bool
    all_listed: bool
    fit_rms_mm: float | None


def labelled_photos(folder: Path) -> tuple[LabelledPhoto, ...]:
    """All photos of a folder and of its folder `tables`, in the order of their files.

    Raises FileNotFoundError where neither holds a truth file.
    """
    files = [path for path in (folder / TRUTH, folder / TABLES / TRUTH) if path.is_file()]
    if not files:
        raise FileNotFoundError(f"{folder} holds no {TRUTH}, nor does {folder / TABLES}.")
    photos: dict[str, LabelledPhoto] = {}
    for file in files:
        records = json.loads(file.read_text(encoding="utf-8"))["photos"]
        for name, record in records.items():
            unique = name if name not in photos else f"{file.parent.name}/{name}"
            photos[unique] = photo_of(unique, record, folder=file.parent)
    return tuple(photos.values())


def photo_of(name: str, record: Mapping[str, Any], *, folder: Path) -> LabelledPhoto:
    """One photo of its record in a truth file."""
    plane = record.get("plane") or {}
    reference = record.get("reference") or {}
    long_mm, short_mm = plane.get("long_mm"), plane.get("short_mm")
    return LabelledPhoto(
        name=name,
        path=folder / record.get("photo", name),
        group=record.get("set") or WORK,
        sigma_px=float(record.get("edge_sigma_px") or 0.6),
        focal_35mm=record.get("focal_35mm"),
        things=tuple(_thing(one) for one in record.get("things") or () if _is_piece(one)),
        apart=tuple(_apart(one) for one in record.get("apart") or () if _outline_of(one)),
        places=tuple(_place(one) for one in record.get("places") or () if one.get("at_mm") and one.get("side")),
        plane_mm=np.array(plane.get("mm") or np.zeros((0, 2)), float),
        plane_px=np.array(plane.get("px") or np.zeros((0, 2)), float),
        equal_mm=(float(long_mm), float(short_mm)) if long_mm and short_mm else None,
        circular=plane.get("circular") is not False,
        all_listed=record.get("all_whole_cards_listed") is not False,
        fit_rms_mm=reference.get("fit_rms_mm"),
    )


def _is_piece(record: Mapping[str, Any]) -> bool:
    """Whether a labelled thing is a piece with a quadrilateral for its outline."""
    return not record.get("no_card") and len(record.get("corners_px") or ()) == 4


def _thing(record: Mapping[str, Any]) -> Thing:
    corners = np.array(record["corners_px"], float)
    width, height = record.get("width_mm"), record.get("height_mm")
    hidden = str(record.get("hidden") or "")
    covered = bool(record.get("overlapped") or record.get("cut_by_frame"))
    lone = not covered and not any(word in hidden for word in ON_A_NEIGHBOUR)
    return Thing(
        name=str(record.get("name", "")),
        corners_px=corners if area(corners) > 0 else corners[::-1],
        width_mm=width,
        height_mm=height,
        u_mm=record.get("u_mm"),
        thickness_mm=record.get("thickness_mm"),
        equal=bool(record.get("equal")),
        flat=lone and record.get("corner_sure") != "weak",
        covered=covered,
        known_size=bool(width and height and record.get("u_mm")) and record.get("size") not in ("assumed", "unknown"),
    )


def _outline_of(record: Mapping[str, Any]) -> Any:
    return record.get("corners_px") or record.get("about_px")


def _apart(record: Mapping[str, Any]) -> Apart:
    return Apart(name=str(record.get("name", "")), outline_px=np.array(_outline_of(record), float))


def _place(record: Mapping[str, Any]) -> Place:
    x, y = record["at_mm"]
    return Place(side_mm=float(record["side"]), at_mm=(x, y), turn_deg=float(record.get("turn_deg") or 0.0))
