"""The report's HTML: whatever the results hold it stands alone, and text from outside stays text."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from cardmeasure.classes import standard_classes
from cardmeasure.decks import Deck, summarised
from cardmeasure.reports.html_report import html_report
from cardmeasure.reports.json_results import results_json
from cardmeasure.reports.reading_json import parse_document
from cardmeasure.reports.size_map import close_up, overview
from cardmeasure.results import ShotResult
from tests.made_results import PHOTO, any_shots, measured, refused, sized_card

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>\n\x1b[31m\u202e{{7*7}}"


class Page(HTMLParser):
    """Collects tags with their attributes, and the text outside of style sheets."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._open: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if "style" not in self._open:
            self.text += data

    def values(self, name: str) -> list[str]:
        return [value for _, attributes in self.tags if (value := attributes.get(name)) is not None]


def page(*shots: ShotResult, decks: tuple[Deck, ...] = (), **options: object) -> Page:
    summaries = summarised(shots, decks=decks)
    return Page(html_report(shots, decks=summaries, classes=standard_classes(), **options))  # type: ignore[arg-type]


def test_text_from_outside_is_shown_and_never_becomes_markup() -> None:
    hostile = replace(measured(HOSTILE), flags=(HOSTILE,), photo=replace(PHOTO, camera=HOSTILE))
    found = page(hostile, refused(HOSTILE + "2", message=HOSTILE), decks=(Deck(name=HOSTILE, count=1),), title=HOSTILE)
    tags = {tag for tag, _ in found.tags}
    assert "script" not in tags
    assert not any(name.startswith("on") for _, attributes in found.tags for name in attributes)
    assert "x" not in found.values("src")
    assert "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>\\x0a\\x1b[31m\\u202e{{7*7}}" in found.text
    assert not re.search("[\x00-\x08\x0b-\x1f\u202e]", found.text)


# a page takes a second, so a failing one is not made smaller
@settings(
    max_examples=8, suppress_health_check=[HealthCheck.too_slow], phases=[Phase.explicit, Phase.reuse, Phase.generate]
)
@given(any_shots())
def test_any_results_give_a_page_that_fetches_nothing_and_has_unique_ids(shots: list[ShotResult]) -> None:
    found = page(*shots)
    ids = found.values("id")
    assert len(ids) == len(set(ids))
    links = [*found.values("href"), *found.values("src"), *found.values("xlink:href")]
    assert all(link.startswith(("#", "data:")) for link in links)
    assert {link[1:] for link in links if link.startswith("#")} <= set(ids)


def test_the_page_says_what_was_counted_refused_differs_and_contradicts() -> None:
    cards = tuple(replace(sized_card(i), width_mm=63.0 + 0.01 * i) for i in range(1, 7))
    odd = replace(sized_card(7), width_mm=64.5)
    decks = (Deck(name="Events", photos=("e*",), count=3),)
    again = replace(measured("e2.jpg", cards=cards), duplicate_of="e1.jpg")
    text = " ".join(page(measured("e1.jpg", cards=(*cards, odd)), again, refused("no.jpg"), decks=decks).text.split())
    assert "3 cards, entered; 1 photo, 1 more of the same cards." in text
    assert "3 cards were entered, but 7 lie in the photos." in text
    assert "e1.jpg#7 : 64.50 x 88.07 mm" in text.replace("#7:", "#7 :")
    assert "Shows the same cards as e1.jpg" in text
    assert "no.jpgThe file is empty.Copy the photo from the phone again." in text


def test_a_shot_has_its_small_picture_or_its_outlines_drawn() -> None:
    with_picture = page(measured("a.jpg"), picture=lambda shot: b"jpeg")
    (picture,) = [attributes for tag, attributes in with_picture.tags if tag == "img"]
    assert picture["src"] == "data:image/jpeg;base64,anBlZw=="
    assert picture["alt"] == "Photo a.jpg with 1 measured card outlined, and 1 not measured"
    without = page(measured("a.jpg"))
    assert "img" not in {tag for tag, _ in without.tags}
    assert len([tag for tag, _ in without.tags if tag == "polygon"]) == 3


def test_nothing_measured_is_said() -> None:
    found = page(refused("a.jpg"))
    assert "No photo was measured." in found.text
    assert "Size map" not in found.text


def test_size_maps_are_the_same_each_time_in_the_ink_of_the_page_and_name_the_classes() -> None:
    cards = [replace(sized_card(i), width_mm=63.0 + 0.05 * i) for i in range(4)]
    first, second = (overview(cards, classes=standard_classes()) for _ in range(2))
    assert first is not None
    assert first == second
    assert ">poker<" in first.svg
    assert "#000000" not in first.svg
    assert "currentColor" in first.svg
    assert first.words.startswith("Width against height of 4 cards: widths from 63.0 to 63.1 mm, heights from 88.1")
    assert overview([], classes=standard_classes()) is None
    near = close_up(cards, classes=standard_classes(), name="events: poker", prefix="near-1")
    assert ">63 x 88<" in near.svg


def test_results_carry_the_decks_entered_so_that_a_report_needs_no_decks_file() -> None:
    decks = (Deck(name="Events", photos=("a*",), count=110, notes="x"), Deck(name="none"))
    shots = [measured("a.jpg")]
    text = results_json(shots, decks=summarised(shots, decks=decks))
    assert parse_document(text).decks == decks
    assert parse_document(results_json(shots, decks=summarised(shots))).decks == ()
    document = json.loads(text)
    assert document["decks"][0]["count"]["cards"] == 110


@pytest.mark.parametrize("value", [None, 3, [], [3], [{"entered": None}]])
def test_decks_that_are_missing_or_of_another_form_are_passed_over(value: object) -> None:
    document = json.loads(results_json([measured("a.jpg")]))
    document["decks"] = value
    assert parse_document(json.dumps(document)).decks == ()
