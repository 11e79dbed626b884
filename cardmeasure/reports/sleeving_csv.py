"""Fits, plans and storage as CSV for a spreadsheet: one row a fit, a purchase or deck, a place (RFC 4180, UTF-8)."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

from cardmeasure.reports.csv_results import spreadsheet_cell
from cardmeasure.reports.json_decks import Record

FIT_COLUMNS = (
    "box", "deck", "size_class", "count", "width_mm", "height_mm", "maker", "product", "pack_width_mm",
    "pack_height_mm", "quoted", "film_um", "verdict", "probability", "own_trial", "play_mm", "play_low_mm",
    "play_high_mm", "overhang_mm", "overhang_low_mm", "overhang_high_mm", "price_per_100", "currency", "reason", "mind",
)  # fmt: skip
PLAN_COLUMNS = (
    "kind", "shop", "packs", "pack_count", "price", "cost", "currency", "box", "deck", "count", "sleeves", "maker",
    "product", "verdict", "probability", "why",
)  # fmt: skip
STORAGE_COLUMNS = (
    "kind", "box", "deck", "count", "bare_low_mm", "bare_high_mm", "sleeved_low_mm", "sleeved_high_mm", "width_mm",
    "length_mm", "well", "to_lid_mm", "answer", "pose", "thickest_film_um", "ways_out",
)  # fmt: skip


def fits_csv(document: Mapping[str, object]) -> str:
    """The table of a document of fits."""
    rows = [
        {
            **cards,
            **fit,
            **_part(fit["sleeve"], "maker", "product", "quoted", "film_um"),
            "pack_width_mm": _record(fit["sleeve"])["width_mm"],
            "pack_height_mm": _record(fit["sleeve"])["height_mm"],
            **_estimate("play", fit["play_mm"]),
            **_estimate("overhang", fit["overhang_mm"]),
            "mind": "; ".join(map(str, _list(fit["mind"]))),
        }
        for cards in _list(document["cards"])
        for fit in _list(cards["fits"])
    ]
    return _table(FIT_COLUMNS, rows)


def plan_csv(document: Mapping[str, object]) -> str:
    """The table of a plan: what to buy, what goes where, what is left over, what gets nothing."""
    plan = _record(document["plan"])
    rows: list[Record] = [{"kind": "buy", "currency": plan["currency"], **buy} for buy in _list(plan.get("buy"))]
    rows += [_row_of_deck("deck", deck, deck["fit"], deck["sleeves"]) for deck in _list(plan.get("decks"))]
    rows += [{"kind": "left over", **left} for left in _list(plan.get("left_over"))]
    for kind, key in (("without sleeves", "without_sleeves"), ("left alone", "left_alone")):
        rows += [{"kind": kind, **_part(deck, "box", "deck", "count", "why")} for deck in _list(document[key])]
    return _table(PLAN_COLUMNS, rows)


def storage_csv(document: Mapping[str, object]) -> str:
    """The table of storage: piles, then places."""
    rows: list[Record] = [
        {
            "kind": "pile",
            **_part(deck, "box", "deck", "count"),
            **_limits("bare", _record(deck["bare"])["height_mm"]),
            **_limits("sleeved", _record(deck["in_sleeves"])["height_mm"]),
            "width_mm": _record(_record(deck["in_sleeves"])["width_mm"])["high"],
            "length_mm": _record(_record(deck["in_sleeves"])["length_mm"])["high"],
        }
        for deck in _list(document["decks"])
    ]
    rows += [
        {
            "kind": "place",
            **place,
            "deck": " + ".join(map(str, _list(place["decks"]))),
            **_limits("sleeved", place["height_mm"]),
            "ways_out": "; ".join(map(str, _list(place["ways_out"]))),
        }
        for place in _list(document["places"])
    ]
    return _table(STORAGE_COLUMNS, rows)


def _table(columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> str:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns, restval="", extrasaction="ignore")
    writer.writeheader()
    for row in rows:
        writer.writerow({name: spreadsheet_cell(row.get(name)) for name in columns})
    return text.getvalue()


def _row_of_deck(kind: str, deck: Record, fit: object, sleeves: object) -> Record:
    found = _record(fit)
    return {
        "kind": kind,
        **_part(deck, "box", "deck", "count"),
        "sleeves": sleeves,
        **_part(found["sleeve"], "maker", "product"),
        **_part(found, "verdict", "probability"),
        "why": found["reason"],
    }


def _part(record: object, *names: str) -> Record:
    found = _record(record)
    return {name: found.get(name) for name in names}


def _estimate(name: str, estimate: object) -> Record:
    found = _record(estimate)
    return {
        f"{name}_mm": found["value"],
        f"{name}_low_mm": found["low"],
        f"{name}_high_mm": found["high"],
    }


def _limits(name: str, interval: object) -> Record:
    found = _record(interval)
    return {f"{name}_low_mm": found["low"], f"{name}_high_mm": found["high"]}


def _record(value: object) -> Record:
    return value if isinstance(value, dict) else {}


def _list(value: object) -> list[Record]:
    return value if isinstance(value, list) else []
