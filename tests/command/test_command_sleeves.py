"""starter-list, fit, plan, storage and page on the demo box: the README's walk, and what goes wrong on the way."""

from __future__ import annotations

import csv
import json
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import pytest

from cardmeasure.cli import main
from cardmeasure.text import display_width

DEMO = Path(__file__).parents[2] / "sample_images" / "demo_box"
COMMON = ["results.json", "--decks", "decks.toml"]


@pytest.fixture
def box(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the demo box's files, photos aside, as the working folder."""
    for path in DEMO.iterdir():
        if path.is_file():
            shutil.copy(path, tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run_plan(*more: str) -> int:
    return main(["plan", *COMMON, "--list", "sleeves.csv", "--spares", "5%", *more])


def test_the_demo_list_is_as_long_and_as_varied_as_it_says() -> None:
    from cardmeasure.sleeving.sleeve_list import read_sleeve_list

    sleeves = [entry.sleeve for entry in read_sleeve_list(DEMO / "sleeves.csv")]
    assert len(sleeves) >= 40
    assert len({sleeve.maker for sleeve in sleeves}) >= 4
    widths = {sleeve.width_mm for sleeve in sleeves if sleeve.size_name == "standard"}
    assert max(widths) - min(widths) >= 2


def test_the_demo_results_are_what_the_demo_photos_show() -> None:
    shots = json.loads((DEMO / "results.json").read_text(encoding="utf-8"))["shots"]
    names = {f"photos/{path.name}" for path in (DEMO / "photos").glob("*.jpg")}
    assert {shot["file"] for shot in shots} == names
    assert len(names) == 5
    for shot in shots:
        truth = json.loads((DEMO / shot["file"]).with_suffix(".truth.json").read_text(encoding="utf-8"))
        assert len(shot["cards"]) == len(truth["cards"])
        found, true = (
            sorted((c["width_mm"], c["height_mm"]) for c in cards) for cards in (shot["cards"], truth["cards"])
        )
        assert max(abs(a - b) for f, t in zip(found, true, strict=True) for a, b in zip(f, t, strict=True)) < 0.4


def test_fit_shows_all_decks_within_80_columns_and_says_why(box: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fit", *COMMON, "--list", "sleeves.csv", "--humidity", "40:70", "--explain"]) == 0
    out = capsys.readouterr().out
    assert max(map(display_width, out.splitlines())) <= 80
    for deck in ("Tides", "Crew", "Cargo", "Charts", "Omens"):
        assert f"\n{deck}: " in f"\n{out}"
    assert "may not go on: the mean card takes" in out
    assert "own trial" in out


def test_fit_writes_json_and_csv_with_all_sleeves(box: Path) -> None:
    for name in ("fit.json", "fit.csv"):
        assert main(["fit", *COMMON, "--list", "sleeves.csv", "--out", name]) == 0
    document = json.loads(Path("fit.json").read_text(encoding="utf-8"))
    assert document["schema"] == "cardmeasure-fit/1"
    fits = [fit for cards in document["cards"] for fit in cards["fits"]]
    with Path("fit.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(fits) == 5 * 45
    assert [row["verdict"] for row in rows] == [fit["verdict"] for fit in fits]
    assert all(0 <= fit["probability"] <= 1 for fit in fits)


def test_plan_buys_for_every_deck_that_can_be_sleeved_and_proves_it(
    box: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_plan("--out", "plan.json") == 0
    out = capsys.readouterr().out
    assert max(map(display_width, out.splitlines())) <= 80
    document = json.loads(Path("plan.json").read_text(encoding="utf-8"))
    plan = document["plan"]
    assert plan["is_proven"] and "proven: no plan is better" in " ".join(out.split())
    assert {deck["deck"] for deck in plan["decks"]} == {"Tides", "Crew", "Cargo", "Charts"}
    assert [deck["deck"] for deck in document["without_sleeves"]] == ["Omens"]
    assert "Caution: blades cut and heat burns" in " ".join(out.split())
    cents = [round(100 * float(plan[key])) for key in ("goods", "shipping", "cost")]
    assert cents[0] + cents[1] == cents[2]
    for deck in plan["decks"]:
        product = deck["fit"]["sleeve"]["product"]
        bought = sum(buy["packs"] * buy["pack_count"] for buy in plan["buy"] if buy["product"] == product)
        assert bought >= deck["sleeves"] >= 1.05 * (deck["count"] + deck["expected"])


def test_two_boxes_share_one_plan(box: Path) -> None:
    shutil.copy("results.json", "second.json")
    boxes = ["results.json", "second.json", "--decks", "decks.toml"]
    assert main(["plan", *boxes, "--list", "sleeves.csv", "--out", "plan.json"]) == 0
    plan = json.loads(Path("plan.json").read_text(encoding="utf-8"))["plan"]
    assert len({deck["box"] for deck in plan["decks"]}) == 2
    assert len(plan["decks"]) == 8


def test_storage_takes_the_sleeves_of_the_plan(box: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_plan("--out", "plan.json") == 0
    capsys.readouterr()
    assert (
        main(["storage", *COMMON, "--wells", "wells.csv", "--plan", "plan.json", "--out", "s.json", "--explain"]) == 0
    )
    out = capsys.readouterr().out
    assert max(map(display_width, out.splitlines())) <= 80
    document = json.loads(Path("s.json").read_text(encoding="utf-8"))
    assert [place["well"] for place in document["places"]] == ["left tray", "middle tray", "small tray", "long tray"]
    assert {place["answer"] for place in document["places"]} == {"fits", "may fit"}
    assert all(deck["in_sleeves"]["height_mm"]["low"] > deck["bare"]["height_mm"]["low"] for deck in document["decks"])
    assert main(["storage", *COMMON, "--wells", "wells.csv", "--film", "50", "--out", "s.csv"]) == 0
    with Path("s.csv").open(encoding="utf-8", newline="") as stream:
        assert [row["kind"] for row in csv.DictReader(stream)] == ["pile"] * 5 + ["place"] * 4


def test_the_walk_in_the_readme_does_what_it_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = DEMO.parents[1]
    part = (root / "README.md").read_text(encoding="utf-8").split("## From sizes to sleeves")[1].split("\n## ")[0]
    first, *others = re.search(r"```sh\n(.*?)```", part, re.DOTALL)[1].strip().splitlines()  # type: ignore[index]
    assert first == "cardmeasure measure sample_images/demo_box --results out/demo.json"
    assert [line.split()[1] for line in others] == ["fit", "plan", "storage", "page"]
    (tmp_path / "sample_images").symlink_to(root / "sample_images")
    (tmp_path / "out").mkdir()
    shutil.copy(DEMO / "results.json", tmp_path / "out" / "demo.json")
    monkeypatch.chdir(tmp_path)
    for line in others:
        assert main(line.split()[1:]) == 0
    written = {"demo.json", "plan.json", "shopping.html", "slip.pdf", "page.html"}
    assert {path.name for path in (tmp_path / "out").iterdir()} == written


class Page(HTMLParser):
    """Collects text and whatever would leave the page."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value or "" for name, value in attrs if name in ("src", "href", "action", "data")]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def read_page(path: str) -> Page:
    page = Page()
    page.feed(Path(path).read_text(encoding="utf-8"))
    return page


def test_the_box_page_says_all_of_it_and_asks_for_nothing(box: Path) -> None:
    assert run_plan("--out", "plan.json", "--shopping", "shopping.html") == 0
    more = ["--decks", "decks.toml", "--plan", "plan.json", "--box", "box.toml", "--explain"]
    assert main(["page", "results.json", "page.html", *more]) == 0
    assert main(["page", "results.json", "page.md", *more]) == 0
    for name in ("page.html", "page.md"):
        text = Path(name).read_text(encoding="utf-8")
        for words in (
            "Saltmere Ledger",
            "second edition",
            "English",
            "the reviewer",
            "2 fewer",
            "odd size",
            "read by hand",
        ):
            assert words in text, (name, words)
    for name in ("page.html", "shopping.html"):
        page = read_page(name)
        assert page.links == [] and "script" not in page.tags


def test_hostile_names_are_harmless_on_every_page(box: Path) -> None:
    nasty = "<script>alert(1)</script>|[x](http://e.vil)"
    for name, old in (("decks.toml", "Tides"), ("box.toml", "Tides"), ("sleeves.csv", "Pelluma Films")):
        text = Path(name).read_text(encoding="utf-8").replace(old, nasty)
        Path(name).write_text(text.replace("photos/" + nasty.lower(), "photos/tides"), encoding="utf-8")
    assert run_plan("--out", "plan.json", "--shopping", "shopping.html", "--slip", "slip.pdf") == 0
    more = ["--decks", "decks.toml", "--plan", "plan.json", "--box", "box.toml"]
    assert main(["page", "results.json", "page.html", *more]) == 0
    assert main(["page", "results.json", "page.md", *more]) == 0
    for name in ("page.html", "shopping.html"):
        page = read_page(name)
        assert "script" not in page.tags
        assert any("<script>alert(1)" in words for words in page.words)
    markdown = Path("page.md").read_text(encoding="utf-8")
    assert "<script" not in markdown.replace("\\<", "") and not re.search(r"(?<!\\)\[x(?<!\\)\]", markdown)


def test_formulas_in_a_list_are_neutralised_in_csv(box: Path) -> None:
    Path("sleeves.csv").write_text('maker,product,width_mm,height_mm\n=1+1,"@sum",63.5,88\n', encoding="utf-8")
    assert main(["fit", *COMMON, "--list", "sleeves.csv", "--out", "fit.csv"]) == 0
    with Path("fit.csv").open(encoding="utf-8", newline="") as stream:
        row = next(csv.DictReader(stream))
    assert (row["maker"], row["product"]) == ("'=1+1", "'@sum")


def test_the_slip_is_in_true_size_and_says_so(box: Path) -> None:
    assert run_plan("--slip", "slip.pdf") == 0
    pdf = Path("slip.pdf").read_bytes()
    assert b"/PrintScaling /None" in pdf
    boxes = [tuple(map(float, m)) for m in re.findall(rb"n [\d.]+ [\d.]+ ([\d.]+) ([\d.]+) re S", pdf)]
    sizes = sorted((round(w / 72 * 25.4, 1), round(h / 72 * 25.4, 1)) for w, h in boxes)
    cards = json.loads(_fit_document())["cards"]
    assert sizes == sorted((round(c["width_mm"], 1), round(c["height_mm"], 1)) for c in cards)
    ruler = re.search(rb"n ([\d.]+) ([\d.]+) m ([\d.]+) \2 l S", pdf)
    assert ruler is not None
    assert (float(ruler[3]) - float(ruler[1])) / 72 * 25.4 == pytest.approx(100.0, abs=0.001)


def _fit_document() -> str:
    assert main(["fit", *COMMON, "--list", "sleeves.csv", "--out", "fit.json"]) == 0
    return Path("fit.json").read_text(encoding="utf-8")


def test_the_starter_list_is_written_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["starter-list", "mine.csv"]) == 0
    Path("mine.csv").write_text("mine", encoding="utf-8")
    assert main(["starter-list", "mine.csv"]) == 2
    assert "is there already" in capsys.readouterr().err
    assert Path("mine.csv").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (["fit", *COMMON, "--list", "nosuch.csv"], "nosuch.csv: the sleeve list cannot be read"),
        (["fit", *COMMON, "--list", "bad.csv"], "bad.csv: line 2, column 3 (width_mm): -1 is out of range"),
        (["fit", "nosuch.json", "--list", "sleeves.csv"], "nosuch.json"),
        (["fit", *COMMON, "--list", "sleeves.csv", "--humidity", "70:40"], "--humidity is '70:40'"),
        (["fit", *COMMON, "--list", "sleeves.csv", "--limit", "wide=3"], "--limit is 'wide=3'"),
        (["fit", *COMMON, "--list", "sleeves.csv", "--out", "fit.txt"], "--out is fit.txt"),
        (["plan", *COMMON, "--list", "bad.csv", "--out", "o.json"], "bad.csv: line 2, column 3"),
        (["plan", *COMMON, "--list", "sleeves.csv", "--accept", "nicely"], "--accept is 'nicely'"),
        (["plan", *COMMON, "--list", "sleeves.csv", "--spares", "lots"], "--spares is 'lots'"),
        (["plan", *COMMON, "--list", "mixed.csv", "--out", "o.json"], "line 3: the currency is USD"),
        (["plan", *COMMON, "--decks", "decks.toml", "--list", "sleeves.csv"], "--decks is given 2 times for 1 results"),
        (["storage", *COMMON, "--wells", "bad.csv", "--out", "o.json"], "bad.csv: line 1, column 1"),
        (["storage", *COMMON, "--plan", "decks.toml"], "decks.toml: is not valid JSON"),
        (["page", "results.json", "page.txt"], "OUT is page.txt"),
        (["page", *COMMON[:1], "page.html", "--box", "decks.toml"], "decks.toml: unknown key 'deck'"),
    ],
)
def test_what_is_wrong_is_one_sentence_and_nothing_is_written(
    box: Path, command: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    head = "maker,product,width_mm,height_mm,price,currency,pack_count,shop\n"
    Path("bad.csv").write_text(f"{head}A,B,-1,88,1,EUR,100,S\n", encoding="utf-8")
    Path("mixed.csv").write_text(f"{head}A,B,63.5,88,1,EUR,100,S\nA,C,63.5,88,1,USD,100,S\n", encoding="utf-8")
    before = {path.name for path in box.iterdir()}
    assert main(command) == 2
    answer = capsys.readouterr()
    assert words in answer.err
    assert answer.err.count("\n") == 1 and answer.out == ""
    assert {path.name for path in box.iterdir()} == before


def test_an_output_that_cannot_be_written_is_told_before_the_work(
    box: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_plan("--out", "nosuch/plan.json") == 5
    assert "its folder does not exist" in capsys.readouterr().err


def test_a_box_takes_its_own_part_of_a_plan_for_several(box: Path) -> None:
    decks = Path("decks.toml").read_text(encoding="utf-8")
    Path("other.toml").write_text(
        decks.replace("count = 72", "count = 60").replace("pile_height_mm = 22.5", "pile_height_mm = 18.6")
    )
    shutil.copy("results.json", "second.json")
    both = ["plan", "results.json", "second.json", "--decks", "decks.toml", "--decks", "other.toml"]
    assert main([*both, "--list", "sleeves.csv", "--out", "plan.json"]) == 0
    for name, decks_file, sleeves in (("results", "decks.toml", 90), ("second", "other.toml", 78)):
        assert main(["page", f"{name}.json", "page.md", "--decks", decks_file, "--plan", "plan.json"]) == 0
        assert f"| Tides | {sleeves} |" in Path("page.md").read_text(encoding="utf-8")


def test_a_plan_of_other_decks_or_with_parts_missing_is_refused(box: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_plan("--out", "plan.json") == 0
    document = json.loads(Path("plan.json").read_text(encoding="utf-8"))
    for change, words in (("deck", "none of the plan's decks is among the results"), ("fit", "`fit`")):
        changed = json.loads(json.dumps(document))
        for deck in changed["plan"]["decks"]:
            deck[change] = "else"
        Path("else.json").write_text(json.dumps(changed), encoding="utf-8")
        capsys.readouterr()
        assert main(["storage", *COMMON, "--plan", "else.json"]) == 2
        assert words in capsys.readouterr().err.replace("$.decks[0].fit", "`fit`")


def test_a_decks_file_beside_the_results_is_found(box: Path, capsys: pytest.CaptureFixture[str]) -> None:
    outputs = []
    for more in (["--decks", "decks.toml"], []):
        assert main(["storage", "results.json", "--wells", "wells.csv", *more]) == 0
        outputs.append(capsys.readouterr().out)
    assert outputs[0] == outputs[1]
    Path("decks.toml").unlink()
    assert main(["fit", "results.json", "--list", "sleeves.csv"]) == 0
    assert capsys.readouterr().out.count("photos (") == 5
