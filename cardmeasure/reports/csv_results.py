"""Results as CSV for a spreadsheet: one row a card, one row a shot without cards (RFC 4180, UTF-8)."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from cardmeasure.decks import CardName, Deck
from cardmeasure.decks.membership import deck_of_card, deck_of_photo
from cardmeasure.reports.json_decks import Record
from cardmeasure.reports.json_results import ODD_SIZES, shot_record
from cardmeasure.results import ShotResult
from cardmeasure.text import printable

SHOT_COLUMNS = ("file", "sha256", "duplicate_of", "status")
REFERENCE_COLUMNS = ("design", "px_per_mm", "tilt_deg", "scale_x", "scale_y", "u_scale", "scale_source")
CARD_COLUMNS = (
    "number",
    "shape",
    "width_mm",
    "height_mm",
    "u_width_mm",
    "u_height_mm",
    "correlation",
    "corner_radius_mm",
    "squareness_deg",
    "thickness_mm",
    "size_class",
    "probability",
    "margin_mm",
    "runner_up",
)
COLUMNS = (
    "deck",
    *SHOT_COLUMNS,
    "trouble",
    "message",
    "advice",
    "shot_flags",
    *REFERENCE_COLUMNS,
    *CARD_COLUMNS,
    "nearest",
    "nearest_dw_mm",
    "nearest_dh_mm",
    *ODD_SIZES,
    "expected",
    "verdict",
    "conformance_probability",
    "flags",
)

_FORMULA_STARTS = ("=", "+", "-", "@", "＝", "＋", "－", "＠")


def results_csv(shots: Sequence[ShotResult], *, decks: Sequence[Deck] = ()) -> str:
    """The whole table with its heading; sizes and their u as in the JSON form, empty where unknown.

    `decks`: those of a decks file, to say which deck each card belongs to; without them its folder is its deck.
    Text that a spreadsheet would take for a formula gets an apostrophe in front; control characters are escaped.
    """
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, COLUMNS, restval="")
    writer.writeheader()
    for shot in shots:
        for row in _rows(shot, decks):
            writer.writerow({name: spreadsheet_cell(value) for name, value in row.items()})
    return text.getvalue()


def _rows(shot: ShotResult, decks: Sequence[Deck]) -> list[Record]:
    record = shot_record(shot)
    of_shot = {"deck": deck_of_photo(shot.file, decks), **_of_shot(record)}
    names = [deck_of_card(CardName(file=shot.file, number=card.number), decks) for card in shot.cards]
    cards = zip(names, _records(record["cards"]), strict=True)
    return [{**of_shot, "deck": name, **_of_card(card)} for name, card in cards] or [of_shot]


def _of_shot(shot: Record) -> Record:
    trouble, reference = _record(shot["trouble"]), _record(shot["reference"])
    return {
        **{name: shot[name] for name in SHOT_COLUMNS},
        "trouble": trouble.get("code"),
        "message": trouble.get("message"),
        "advice": trouble.get("advice"),
        "shot_flags": shot["flags"],
        **{name: reference.get(name) for name in REFERENCE_COLUMNS},
    }


def _of_card(card: Record) -> Record:
    nearest, conformity = _record(card["nearest"]), _record(card.get("conformity"))
    return {
        **{name: card[name] for name in CARD_COLUMNS},
        "nearest": nearest.get("size_class"),
        "nearest_dw_mm": nearest.get("dw_mm"),
        "nearest_dh_mm": nearest.get("dh_mm"),
        **{name: card.get(name) for name in ODD_SIZES},
        "expected": conformity.get("expected"),
        "verdict": conformity.get("verdict"),
        "conformance_probability": conformity.get("probability"),
        "flags": card["flags"],
    }


def spreadsheet_cell(value: object) -> object:
    """A number as it is, a list of codes as words, text harmless for a spreadsheet."""
    if isinstance(value, list):
        value = " ".join(map(str, value))
    if not isinstance(value, str):
        return value
    text = printable(value)
    return f"'{text}" if text.lstrip().startswith(_FORMULA_STARTS) else text


def _record(value: object) -> Record:
    return value if isinstance(value, dict) else {}


def _records(value: object) -> list[Record]:
    return [record for record in value if isinstance(record, dict)] if isinstance(value, list) else []
