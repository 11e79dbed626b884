"""`cardmeasure report`: results in, a page out that a browser, a printer and a screen reader can take."""

from __future__ import annotations

import io
import json
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from PIL import Image

from cardmeasure.batch.journal import Journal, Key
from cardmeasure.batch.measuring import Measured
from cardmeasure.cli import main
from cardmeasure.decks import summarised
from cardmeasure.reports.json_results import results_json
from tests.made_results import measured, refused, sized_card, unsized_card

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

HOSTILE = "events/<img src=x onerror=alert(1)>'\"&\x1b[31m\u202egpj.jpg"


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report of measured, repeated, doubtful and refused photos with hostile names, some with a picture."""
    folder = tmp_path_factory.mktemp("report")
    cards = tuple(replace(sized_card(i), width_mm=63.0 + 0.01 * i) for i in range(1, 7))
    shots = [
        replace(measured("events/a.jpg", cards=(*cards, replace(sized_card(7), width_mm=64.5))), flags=("blurred",)),
        replace(measured("events/b.jpg", cards=cards), duplicate_of="events/a.jpg"),
        replace(measured(HOSTILE, cards=(sized_card(1, size_class=None), unsized_card(2))), sha256="1" * 64),
        *(measured(f"heroes/{i}.jpg", cards=cards) for i in range(4)),
        refused("heroes/empty.jpg"),
    ]
    (folder / "r.json").write_text(results_json(shots, decks=summarised(shots)), encoding="utf-8")
    jpeg = io.BytesIO()
    Image.fromarray(np.full((60, 80, 3), 90, np.uint8)).save(jpeg, "JPEG")
    with Journal(folder / "r.json.journal") as journal:
        key = Key(sha256=shots[0].sha256 or "", settings="")
        journal.put(key, Measured(shot=shots[0], small=jpeg.getvalue()))
    assert main(["report", str(folder / "r.json"), str(folder / "out.html"), "--title", "A <box> & more"]) == 0
    return folder / "out.html"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The system's Chromium; that there is none is a failure, not a reason to leave the tests out."""
    from playwright.sync_api import sync_playwright

    path = shutil.which("chromium") or shutil.which("chromium-browser")
    assert path is not None, "Chromium is missing: apt-get install chromium"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


class Visit:
    """A page as opened, and everything it complained of or asked for."""

    def __init__(self, browser: Browser, path: Path, **context: Any) -> None:
        self.page: Page = browser.new_context(**context).new_page()
        self.messages: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.messages.append(message.text))
        self.page.on("pageerror", lambda error: self.messages.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.messages.append(dialog.message), dialog.dismiss()))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(path.as_uri(), wait_until="load")


def test_the_page_is_quiet_and_asks_for_nothing_but_itself(browser: Browser, page_file: Path) -> None:
    visit = Visit(browser, page_file)
    assert visit.messages == []
    assert [url for url in visit.requests if not url.startswith("data:")] == [page_file.as_uri()]
    assert visit.page.title() == "A <box> & more"
    pictures = visit.page.evaluate("[...document.images].map(i => i.naturalWidth)")
    assert pictures
    assert all(pictures)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_labels_headings_and_tables_pass_the_rules_of_accessibility(
    browser: Browser, page_file: Path, scheme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    visit = Visit(browser, page_file, color_scheme=scheme, bypass_csp=True)
    found = Axe().run(visit.page)
    broken = [(v["id"], [node["html"] for node in v["nodes"]][:3]) for v in found.response["violations"]]
    assert broken == []
    passed = {rule["id"] for rule in found.response["passes"]}
    assert {
        "color-contrast",
        "image-alt",
        "svg-img-alt",
        "th-has-data-cells",
        "document-title",
        "html-has-lang",
    } <= passed


def test_the_check_of_accessibility_would_find_pale_text_and_a_picture_without_words(
    browser: Browser, page_file: Path, tmp_path: Path
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    spoilt = tmp_path / "spoilt.html"
    html = page_file.read_text("utf-8").replace("--soft: #545454", "--soft: #bbbbbb")
    spoilt.write_text(re.sub(r' alt="[^"]*"', "", html), "utf-8")
    found = Axe().run(Visit(browser, spoilt, color_scheme="light", bypass_csp=True).page)
    assert {"color-contrast", "image-alt"} <= {v["id"] for v in found.response["violations"]}


@pytest.mark.parametrize("width", [320, 375, 1200])
def test_nothing_sticks_out_of_the_screen_at_the_width_of_a_phone_or_a_desk(
    browser: Browser, page_file: Path, width: int
) -> None:
    page = Visit(browser, page_file, viewport={"width": width, "height": 700}).page
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= 16


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_print_fits_the_paper_and_cuts_no_photo_in_two(browser: Browser, page_file: Path, paper: str) -> None:
    from pypdf import PdfReader

    page = Visit(browser, page_file).page
    printed = PdfReader(io.BytesIO(page.pdf(format=paper)))
    text = [sheet.extract_text() for sheet in printed.pages]
    assert "Size map" in "".join(text)
    assert 2 <= len(text) <= 6
    # the heading of a photo and the last row of its table stand on one sheet
    for i in range(4):
        (sheet,) = [one for one in text if f"heroes/{i}.jpg\n" in one]
        assert "63.06" in sheet


def test_ink_in_dark_mode_is_light_in_the_size_map_too(browser: Browser, page_file: Path) -> None:
    page = Visit(browser, page_file, color_scheme="dark").page
    colours = page.evaluate("[...document.querySelectorAll('.map svg text')].map(t => getComputedStyle(t).fill)")
    assert set(colours) == {"rgb(236, 236, 236)"}


@pytest.fixture
def results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "r.json"
    path.write_text(results_json([measured("a.jpg")]), "utf-8")
    return path


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["r.json", "out.txt"], 2, "OUT.html is out.txt; name a file that ends in .html."),
        (["none.json", "out.html"], 2, "none.json: the results cannot be read (No such file or directory)."),
        (["r.json", "no/out.html"], 5, "Cannot write no/out.html: its folder does not exist; make the folder first."),
        (["r.json", "out.html", "--photos", "none"], 2, "--photos is none; name the folder that was measured."),
        (["r.json", "out.html", "--decks", "none"], 2, "none: the decks cannot be read (No such file or directory)."),
    ],
)
def test_what_is_wrong_is_one_sentence_and_nothing_is_written(
    results: Path, arguments: list[str], code: int, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", *arguments]) == code
    assert capsys.readouterr() == ("", f"cardmeasure: {words}\n")
    assert [path.name for path in results.parent.iterdir()] == ["r.json"]


def test_pictures_are_drawn_from_the_photos_where_no_journal_is(results: Path) -> None:
    folder = results.parent / "photos"
    folder.mkdir()
    Image.fromarray(np.full((1200, 1600, 3), 90, np.uint8)).save(folder / "a.jpg")
    assert main(["report", "r.json", "out.html", "--photos", "photos"]) == 0
    assert "data:image" not in Path("out.html").read_text("utf-8"), "another photo than the one that was measured"
    import hashlib

    document = json.loads(results.read_text("utf-8"))
    document["shots"][0]["sha256"] = hashlib.sha256((folder / "a.jpg").read_bytes()).hexdigest()
    results.write_text(json.dumps(document), "utf-8")
    assert main(["report", "r.json", "out.html", "--photos", "photos"]) == 0
    assert Path("out.html").read_text("utf-8").count("data:image/jpeg") == 1
