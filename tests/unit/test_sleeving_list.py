"""The sleeve list: what is read, and one sentence with line and column for what cannot be."""

from __future__ import annotations

import random
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cardmeasure.errors import UsageError
from cardmeasure.reports.starter_list import starter_list_text
from cardmeasure.sleeving.money import from_cents, in_cents, shown_amount
from cardmeasure.sleeving.shops import read_shops
from cardmeasure.sleeving.sleeve import Mark, Opening, Quoted, TrialResult
from cardmeasure.sleeving.sleeve_list import COLUMNS, read_sleeve_list
from cardmeasure.sleeving.wells import read_wells

HEAD = "maker,product,width_mm,height_mm"


def read(tmp_path: Path, content: str | bytes):  # type: ignore[no-untyped-def]
    path = tmp_path / "sleeves.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_sleeve_list(path)


def complaint(tmp_path: Path, content: str | bytes) -> str:
    with pytest.raises(UsageError) as caught:
        read(tmp_path, content)
    text = str(caught.value)
    assert "\n" not in text and text.endswith((".", "?"))
    return text.removeprefix(f"{tmp_path / 'sleeves.csv'}: ")


def test_only_maker_product_and_size_are_needed(tmp_path: Path) -> None:
    (found,) = read(tmp_path, f"{HEAD}\nA,B,88,63.5\n")
    assert (found.sleeve.width_mm, found.sleeve.height_mm) == (63.5, 88.0)
    assert (found.sleeve.quoted, found.offers, found.trials) == (None, (), ())


def test_all_columns_are_read(tmp_path: Path) -> None:
    values = {
        "maker": "A", "product": "B", "size_name": "standard", "width_mm": "64", "height_mm": "89", "quoted": "Inside",
        "tolerance_mm": "0.3", "opening": "long", "film_um": "60", "material": "PP", "finish": "matt", "mark": "back",
        "packaging": "box", "pack_count": "55", "price": "1.95", "currency": "eur", "shop": "S", "in_stock": "3",
        "date": "2026-03-02", "at_home": "7", "trial": "went on, tight", "trial_card": "88 x 63", "notes": "n",
    }  # fmt: skip
    assert list(values) == [column.name for column in COLUMNS]
    (found,) = read(tmp_path, ",".join(values) + "\n" + ",".join(f'"{v}"' for v in values.values()) + "\n")
    sleeve, (offer,), (trial,) = found.sleeve, found.offers, found.trials
    assert (sleeve.quoted, sleeve.opening, sleeve.mark) == (Quoted.INSIDE, Opening.LONG, Mark.BACK)
    assert (offer.price, offer.currency, offer.stock_packs, offer.seen) == (Decimal("1.95"), "EUR", 3, date(2026, 3, 2))
    assert (trial.result, trial.card_mm, found.at_home) == (TrialResult.TIGHT, (63.0, 88.0), 7)


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbfmaker,product,width_mm,height_mm,price\r\nA,B,63.5,88,1.95\r\n",
        b"maker;product;width_mm;height_mm;price\nA;B;63,5;88;1,95\n",
        b"maker\tproduct\twidth_mm\theight_mm\tprice\nA\tB\t63,5\t88\t1,95\n",
        b'maker,product,width_mm,height_mm,price\nA,B,"63,5",88,"1,95"\n',
        b"# a comment, with; marks\n\n PRODUCT , Maker,height_mm,width_mm,price\n\nB,A,88, 63.5 ,1.95\n,,,,\n",
    ],
)
def test_what_spreadsheets_write_is_taken_as_it_comes(tmp_path: Path, content: bytes) -> None:
    (found,) = read(tmp_path, content)
    assert (found.sleeve.name, found.sleeve.width_mm, found.offers[0].price) == ("A B", 63.5, Decimal("1.95"))


def test_lines_with_the_same_sleeve_are_offers_of_one(tmp_path: Path) -> None:
    text = (
        "maker,product,width_mm,height_mm,shop,price,pack_count\nA,B,63,88,X,1,10\nA,B,63,88,Y,2,50\nA,B,64,88,Y,2,50\n"
    )
    first, second = read(tmp_path, text)
    assert [offer.shop for offer in first.offers] == ["X", "Y"]
    assert first.cheapest.shop == "Y"
    assert len(second.offers) == 1


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "the sleeve list is empty"),
        (HEAD, "has a heading but no entry"),
        ("maker,product,width_mm\nA,B,63\n", "line 1: the column height_mm is missing"),
        ("maker,product,width_mm,heigth_mm\n", "line 1, column 4: 'heigth_mm' is no column of a sleeve list; did"),
        (f"{HEAD},maker\n", "line 1, column 5: maker stands there twice"),
        (f"{HEAD}\nA,B,-63,88\n", "line 2, column 3 (width_mm): -63 is out of range; write a number from 5 to 1000 mm"),
        (f"{HEAD}\nA,B,63,88000\n", "line 2, column 4 (height_mm): 88000 is out of range"),
        (f"{HEAD}\nA,B,wide,88\n", "line 2, column 3 (width_mm): 'wide' is no number"),
        (f"{HEAD}\nA,B,nan,88\n", "line 2, column 3 (width_mm): 'nan' is no number"),
        (f"{HEAD}\nA,B,63 mm,88\n", "without the unit"),
        (f"{HEAD}\nA,,63,88\n", "line 2, column 2 (product): the cell is empty"),
        (f"{HEAD}\n\n# no\nA,B,63,5,88\n", "line 4, column 5: the line has 5 cells and the heading 4; is a comma"),
        (f"{HEAD},price\nA,B,63,88,1.234.5\n", "line 2, column 5 (price): '1.234.5' is no price"),
        (f"{HEAD},price\nA,B,63,88,1.234\n", "more than two decimals"),
        (f"{HEAD},price\nA,B,63,88,-1\n", "line 2, column 5 (price): -1 is out of range"),
        (f"{HEAD},currency\nA,B,63,88,€\n", "line 2, column 5 (currency): '€' is no currency"),
        (f"{HEAD},quoted\nA,B,63,88,inner\n", "column 5 (quoted): 'inner' is not known here; write card, inside"),
        (f"{HEAD},pack_count\nA,B,63,88,0\n", "line 2, column 5 (pack_count): '0' is not a whole number from 1"),
        (f"{HEAD},date\nA,B,63,88,2.3.2026\n", "line 2, column 5 (date): '2.3.2026' is no date"),
        (f"{HEAD},in_stock\nA,B,63,88,maybe\n", "line 2, column 5 (in_stock): 'maybe' is not known here"),
        (f"{HEAD},trial_card\nA,B,63,88,63x88\n", "line 2 (trial): the cell is empty beside trial_card"),
        (f'{HEAD}\nA,"B,63,88\n', "line 2: the quotes or cells cannot be told apart"),
        (f"{HEAD}\nA,B\x1b[31m,63,88\n", "line 2, column 2 (product)"),
        (b"maker,product\nA,\xff\xfe\n", "line 2, column 3: this is no UTF-8 text"),
        (b"\xff\xfem\0a\0", "line 1, column 1: the file is UTF-16"),
        (b"maker,pro\0duct\n", "line 1, column 10: this is no text file"),
    ],
)  # fmt: skip
def test_a_mistake_is_one_sentence_with_line_and_column(tmp_path: Path, content: str | bytes, words: str) -> None:
    assert words in complaint(tmp_path, content)


def test_ten_megabytes_of_noise_are_refused_whatever_they_hold(tmp_path: Path) -> None:
    noise = random.Random(1).randbytes(10_000_000)
    assert "larger than 5 MB" in complaint(tmp_path, noise)
    assert "line 1, column " in complaint(tmp_path, noise[:4_000_000])
    letters = bytes(32 + byte % 95 for byte in noise[:4_000_000])
    assert "line 1" in complaint(tmp_path, letters)


@given(st.binary(max_size=400))
def test_no_bytes_crash_the_reader(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(content)
    with pytest.raises(UsageError):
        read_sleeve_list(path)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="the sleeve list cannot be read"):
        read_sleeve_list(tmp_path / "nosuch.csv")


def test_the_starter_list_can_be_read_and_explains_every_column(tmp_path: Path) -> None:
    text = starter_list_text()
    assert len(read(tmp_path, text)) == 3
    assert all(f"# {column.name}: " in text for column in COLUMNS)


def test_shops_and_wells_are_read_alike(tmp_path: Path) -> None:
    (tmp_path / "shops.csv").write_text("shop;shipping;free_above\nS;3,90;\nT;0;20\n")
    assert [(s.shipping, s.free_above) for s in read_shops(tmp_path / "shops.csv")] == [
        (Decimal("3.90"), None),
        (Decimal(0), Decimal(20)),
    ]
    (tmp_path / "wells.csv").write_text("well,width_mm,length_mm,depth_mm,decks\nw,70,95,40,A; B\n")
    (well,) = read_wells(tmp_path / "wells.csv")
    assert (well.to_lid_mm, well.decks) == (40.0, ("A", "B"))
    (tmp_path / "wells.csv").write_text("well,width_mm,length_mm,depth_mm\nw,70,95,40\nw,70,95,40\n")
    with pytest.raises(UsageError, match=r"line 3 \(well\): 'w' stands there twice"):
        read_wells(tmp_path / "wells.csv")


@given(st.integers(0, 10**7))
def test_cents_are_exact(cents: int) -> None:
    assert in_cents(from_cents(cents)) == cents
    assert shown_amount(from_cents(cents), "EUR") == f"{cents // 100}.{cents % 100:02d} EUR"
