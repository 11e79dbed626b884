"""Results as JSON, form `cardmeasure/1`; `schema.json` beside this module describes it (JSON Schema, draft 2020-12)."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from importlib.resources import files

from cardmeasure import __version__
from cardmeasure.decks import DeckSummary
from cardmeasure.reports.json_decks import Record, deck_record
from cardmeasure.results import SCHEMA, Card, Contribution, Corners, PhotoFacts, ReferenceFacts, ShotResult, SizeMatch
from cardmeasure.text import valid_text

_PAIR_ON_LINES = re.compile(r"\[\n\s+(-?[0-9.e+-]+),\n\s+(-?[0-9.e+-]+)\n\s+\]")

MM_DECIMALS = 4
PX_DECIMALS = 3
DEG_DECIMALS = 3
RELATIVE_DECIMALS = 6
PROBABILITY_DECIMALS = 6
ODD_SIZES = ("diameter_mm", "u_diameter_mm", "across_flats_mm", "u_across_flats_mm")
"""Sizes that only rounds and regular polygons have."""


def results_json(shots: Sequence[ShotResult], *, decks: Sequence[DeckSummary] = ()) -> str:
    """The whole results document, with a newline at its end."""
    return "".join(results_json_parts(shots, decks=decks))


def results_json_parts(shots: Iterable[ShotResult], *, decks: Sequence[DeckSummary] = ()) -> Iterator[str]:
    """The same shot by shot, so that the document of a thousand photos need never be in memory as a whole."""
    head: Record = {"schema": SCHEMA, "version": __version__, "decks": [deck_record(deck) for deck in decks]}
    yield f'{_laid_out(head)[:-2]},\n "shots": ['
    separator = "\n  "
    for shot in shots:
        # a newline stands between values only: within text it is escaped
        yield separator + _laid_out(shot_record(shot)).replace("\n", "\n  ")
        separator = ",\n  "
    yield "]\n}\n" if separator == "\n  " else "\n ]\n}\n"


def _laid_out(record: Record) -> str:
    text = json.dumps(record, ensure_ascii=False, allow_nan=False, indent=1)
    return _PAIR_ON_LINES.sub(r"[\1, \2]", text)


def results_schema() -> Record:
    """The JSON Schema of the results document, as published with the package."""
    schema: Record = json.loads(files("cardmeasure.reports").joinpath("schema.json").read_text(encoding="utf-8"))
    return schema


def shot_record(shot: ShotResult) -> Record:
    """One shot as plain JSON values: null for what is unknown, lengths to 0.0001 mm, no lone surrogates in text."""
    trouble = shot.trouble
    return {
        "file": valid_text(shot.file),
        "sha256": shot.sha256,
        "duplicate_of": None if shot.duplicate_of is None else valid_text(shot.duplicate_of),
        "status": shot.status,
        "trouble": trouble
        and {"code": trouble.code, "message": valid_text(trouble.message), "advice": valid_text(trouble.advice)},
        "flags": list(shot.flags),
        "photo": shot.photo and _photo(shot.photo),
        "reference": shot.reference and _reference(shot.reference),
        "cards": [_card(card) for card in shot.cards],
    }


def _photo(photo: PhotoFacts) -> Record:
    return {
        "width_px": photo.width_px,
        "height_px": photo.height_px,
        "camera": None if photo.camera is None else valid_text(photo.camera),
        "focal_35mm": _rounded(photo.focal_35mm, 3),
        "lens_profile": None if photo.lens_profile is None else valid_text(photo.lens_profile),
    }


def _reference(reference: ReferenceFacts) -> Record:
    return {
        "design": reference.design,
        "squares": reference.squares,
        "px_per_mm": _rounded(reference.px_per_mm, 4),
        "tilt_deg": _rounded(reference.tilt_deg, DEG_DECIMALS),
        "camera_height_mm": _rounded(reference.camera_height_mm, 1),
        "residual_px": _rounded(reference.residual_px, 4),
        "scale_x": _rounded(reference.scale_x, RELATIVE_DECIMALS),
        "scale_y": _rounded(reference.scale_y, RELATIVE_DECIMALS),
        "u_scale": _rounded(reference.u_scale, RELATIVE_DECIMALS),
        "scale_source": reference.scale_source,
        "corners_px": [_corners(square) for square in reference.corners_px],
        "suspected_scale": _rounded(reference.suspected_scale, RELATIVE_DECIMALS),
    }


def _card(card: Card) -> Record:
    return {
        "number": card.number,
        "shape": card.shape,
        "corners_px": _corners(card.corners_px),
        "width_mm": _rounded(card.width_mm, MM_DECIMALS),
        "height_mm": _rounded(card.height_mm, MM_DECIMALS),
        "u_width_mm": _rounded(card.u_width_mm, MM_DECIMALS),
        "u_height_mm": _rounded(card.u_height_mm, MM_DECIMALS),
        "correlation": _rounded(card.correlation, 4),
        "corner_radius_mm": _rounded(card.corner_radius_mm, 3),
        "squareness_deg": _rounded(card.squareness_deg, DEG_DECIMALS),
        "thickness_mm": _rounded(card.thickness_mm, MM_DECIMALS),
        **_match(card.match),
        **_odd(card),
        "budget": [_contribution(line) for line in card.budget],
        "flags": list(card.flags),
    }


def _odd(card: Card) -> Record:
    """What only some pieces have: keys that are left out where they do not apply."""
    sizes = {name: getattr(card, name) for name in ODD_SIZES if getattr(card, name) is not None}
    record: Record = {name: _rounded(value, MM_DECIMALS) for name, value in sizes.items()}
    if card.outline_px:
        record["outline_px"] = _corners(card.outline_px)
    if card.conformity is not None:
        told = card.conformity
        record["conformity"] = {
            "expected": valid_text(told.expected),
            "verdict": told.verdict,
            "probability": _rounded(told.probability, PROBABILITY_DECIMALS),
            "consumer_risk": _rounded(told.consumer_risk, PROBABILITY_DECIMALS),
            "producer_risk": _rounded(told.producer_risk, PROBABILITY_DECIMALS),
        }
    return record


def _match(match: SizeMatch | None) -> Record:
    """The fields of a size match, flat; all null for a piece without a size."""
    if match is None:
        return dict.fromkeys(("size_class", "probability", "margin_mm", "runner_up", "nearest"))
    return {
        "size_class": match.size_class,
        "probability": _rounded(match.probability, PROBABILITY_DECIMALS),
        "margin_mm": _rounded(match.margin_mm, MM_DECIMALS),
        "runner_up": match.runner_up,
        "nearest": {
            "size_class": match.nearest.size_class,
            "dw_mm": _rounded(match.nearest.dw_mm, MM_DECIMALS),
            "dh_mm": _rounded(match.nearest.dh_mm, MM_DECIMALS),
        },
    }


def _contribution(line: Contribution) -> Record:
    return {
        "name": line.name,
        "u_width_mm": _rounded(line.u_width_mm, MM_DECIMALS),
        "u_height_mm": _rounded(line.u_height_mm, MM_DECIMALS),
    }


def _corners(corners: Corners) -> list[list[float | None]]:
    return [[_rounded(coordinate, PX_DECIMALS) for coordinate in corner] for corner in corners]


def _rounded(value: float | None, decimals: int) -> float | None:
    return None if value is None else round(float(value), decimals)
