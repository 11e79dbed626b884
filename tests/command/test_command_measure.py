"""`cardmeasure measure` around a measurement that is made up: what goes where, and with which exit code."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from PIL import Image

from cardmeasure.batch import measuring
from cardmeasure.batch.journal import Journal
from cardmeasure.cli import main, runs
from cardmeasure.reference.print_profile import read_print_profile
from cardmeasure.reports.json_results import results_schema
from cardmeasure.results import ShotResult
from cardmeasure.settings import Settings
from tests.made_results import measured, refused

GPS, GPS_LATITUDE_REF = 0x8825, 1


@pytest.fixture
def photos(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder with `a.jpg`, `sub/b.jpg` and `unusable.jpg`; `unusable` ones are refused, the others measured."""
    folder = tmp_path / "photos"
    (folder / "sub").mkdir(parents=True)
    exif = Image.Exif()
    exif.get_ifd(GPS)[GPS_LATITUDE_REF] = "N"
    for grey, name in enumerate(("a.jpg", "sub/b.jpg", "unusable.jpg"), start=90):
        Image.fromarray(np.full((1200, 1600, 3), grey, np.uint8)).save(folder / name, exif=exif)
    monkeypatch.setattr(measuring, "measure_photo", made_up)
    # in this process, where the measurement is the one made up
    monkeypatch.setattr(runs, "default_processes", lambda: 0)
    monkeypatch.chdir(tmp_path)
    yield folder


def made_up(path: Path, *, settings: Settings, **_: object) -> ShotResult:
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    if "unusable" in path.name:
        shot = refused(path.name, code="no-reference", message="No reference square was found.")
        return replace(shot, sha256=sha256)
    return replace(measured(path.name), sha256=sha256, flags=("scale-assumed",))


def measure_with(monkeypatch: pytest.MonkeyPatch, do: Callable[[Path], ShotResult]) -> None:
    def measure_photo(path: Path, *, settings: Settings, **_: object) -> ShotResult:
        return do(path)

    monkeypatch.setattr(measuring, "measure_photo", measure_photo)


def test_the_table_shows_measured_shots_and_then_the_refused_ones(
    photos: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["measure", "photos"]) == 3
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert [lines.index(name) for name in ("a.jpg", "sub/b.jpg")] == [0, 6]
    assert "3 photos: 2 measured, 1 refused; 4 pieces." in lines
    assert "  unusable.jpg  no-reference: No reference square was found." in lines
    assert max(map(len, lines)) <= 80
    assert out.isascii() or set(out) - set(map(chr, range(128))) == {"±"}
    assert "\x1b" not in out
    assert err == ""


@pytest.mark.parametrize(
    ("paths", "code"),
    [
        (["photos/a.jpg"], 0),
        (["photos"], 3),
        (["photos/a.jpg", "no.jpg"], 3),
        (["no.jpg"], 4),
        (["photos/unusable.jpg"], 4),
    ],
)
def test_the_exit_code_tells_whether_all_some_or_none_were_measured(photos: Path, paths: list[str], code: int) -> None:
    assert main(["measure", *paths]) == code


def test_json_holds_all_shots_in_order_and_is_valid_by_the_schema(photos: Path) -> None:
    assert main(["measure", "photos", "--results", "r.json"]) == 3
    document = json.loads(Path("r.json").read_text("utf-8"))
    Draft202012Validator(results_schema()).validate(document)
    assert [(shot["file"], shot["status"]) for shot in document["shots"]] == [
        ("a.jpg", "measured"),
        ("sub/b.jpg", "measured"),
        ("unusable.jpg", "refused"),
    ]


def test_csv_is_chosen_by_the_name_of_the_file(photos: Path) -> None:
    assert main(["measure", "photos", "--results", "r.CSV"]) == 3
    with Path("r.CSV").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["file"] for row in rows] == ["a.jpg", "a.jpg", "sub/b.jpg", "sub/b.jpg", "unusable.jpg"]


def test_json_on_the_output_stands_alone(photos: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", "photos", "--results", "-"]) == 3
    out, err = capsys.readouterr()
    assert len(json.loads(out)["shots"]) == 3
    assert err == ""


def test_quiet_says_nothing_but_writes_all(photos: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", "photos", "--quiet", "--results", "r.json"]) == 3
    assert capsys.readouterr() == ("", "")
    assert len(json.loads(Path("r.json").read_text())["shots"]) == 3


def test_pictures_of_measured_shots_are_written_without_gps(photos: Path) -> None:
    assert main(["measure", "photos", "--pictures", "drawn"]) == 3
    assert sorted(path.name for path in Path("drawn").iterdir()) == ["a.jpg", "sub__b.jpg"]
    source, picture = Image.open(photos / "a.jpg"), Image.open("drawn/a.jpg")
    assert source.getexif().get_ifd(GPS)
    assert not picture.getexif()
    assert picture.size == (1600, 1200)


def test_pictures_among_the_photos_replace_no_photo_and_are_not_measured_the_next_time(photos: Path) -> None:
    before = (photos / "a.jpg").read_bytes()
    for _ in range(2):
        assert main(["measure", "photos", "--pictures", "photos", "--results", "r.json"]) == 3
        assert len(json.loads(Path("r.json").read_text())["shots"]) == 3
    assert (photos / "a.jpg").read_bytes() == before
    assert sorted(path.name for path in photos.glob("*.jpg")) == ["a-2.jpg", "a.jpg", "sub__b.jpg", "unusable.jpg"]


def test_options_reach_the_measurement(photos: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Settings] = []

    def measure_photo(path: Path, *, settings: Settings, **_: object) -> ShotResult:
        seen.append(settings)
        return measured(path.name)

    monkeypatch.setattr(measuring, "measure_photo", measure_photo)
    # A bar of 250 mm in the design; a class that no standard one is near.
    Path("mine.toml").write_text('[long_bar]\nreading_mm = 250.5\ninstrument = "steel-rule"\n')
    (photos / "print.toml").write_text('[long_bar]\nreading_mm = 249.0\ninstrument = "steel-rule"\n')
    Path("own.toml").write_text('[[class]]\nid = "my-size"\ncuts_mm = [[300, 400]]\n')
    options = ["--print", "mine.toml", "--classes", "own.toml", "--thickness", "0.4", "--u-thickness", "0.02"]
    assert main(["measure", "photos/a.jpg", *options, "--max-megapixels", "7"]) == 0
    assert main(["measure", "photos/a.jpg"]) == 0
    own, usual = seen
    assert (own.thickness_mm, own.u_thickness_mm, own.max_megapixels) == (0.4, 0.02, 7.0)
    assert own.classes[-1].id == "my-size"
    assert own.print_profile == read_print_profile(Path("mine.toml"))
    assert usual.print_profile == read_print_profile(photos / "print.toml")
    assert own.print_profile.scale_y > 1.0 > usual.print_profile.scale_y
    assert (usual.thickness_mm, usual.u_thickness_mm) == (0.30, 0.03)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--results", "no/r.json"], "Cannot write no/r.json: its folder does not exist; make the folder first."),
        (["--results", "folder.json"], "Cannot write folder.json: it is a folder; name a file."),
        (["--pictures", "photos/a.jpg"], "Cannot write photos/a.jpg: it is not a folder."),
        (["--pictures", "no/such"], "Cannot write no/such: the folder above it does not exist; make that first."),
    ],
)
def test_an_output_that_cannot_be_written_is_told_before_anything_is_measured(
    photos: Path,
    options: list[str],
    words: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    Path("folder.json").mkdir()
    begun: list[Path] = []

    def begin(path: Path) -> ShotResult:
        begun.append(path)
        return measured()

    measure_with(monkeypatch, begin)
    assert main(["measure", "photos", *options]) == 5
    assert capsys.readouterr() == ("", f"cardmeasure: {words}\n")
    assert begun == []


def test_a_disk_that_fills_up_is_told_in_one_sentence_and_the_old_results_stay(
    photos: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    Path("r.json").write_text("old")
    monkeypatch.setattr("os.fsync", full)
    assert main(["measure", "photos/a.jpg", "--quiet", "--results", "r.json"]) == 5
    assert capsys.readouterr().err == "cardmeasure: Cannot write r.json: No space left on device.\n"
    assert Path("r.json").read_text() == "old"


def test_interruption_leaves_nothing_half_written_and_says_how_far_it_came(
    photos: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted_at_b(path: Path) -> ShotResult:
        if path.name == "b.jpg":
            raise KeyboardInterrupt
        return measured(path.name)

    measure_with(monkeypatch, interrupted_at_b)
    assert main(["measure", "photos", "--results", "r.json", "--pictures", "drawn"]) == 130
    out, err = capsys.readouterr()
    assert err == (
        "cardmeasure: Stopped: 1 of 3 photos were done; r.json was not written; what was measured is kept, the same "
        "command goes on from there.\n"
    )
    assert out.startswith("a.jpg\n")
    assert not Path("r.json").exists()
    assert [path.name for path in Path("drawn").iterdir()] == ["a.jpg"]


def test_a_mistake_of_ours_gives_a_traceback_a_sentence_and_code_70(
    photos: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(path: Path) -> ShotResult:
        raise ZeroDivisionError("made up")

    measure_with(monkeypatch, fail)
    assert main(["measure", "photos/a.jpg"]) == 70
    err = capsys.readouterr().err
    assert "ZeroDivisionError: made up" in err
    assert "photos/a.jpg" in err
    assert err.splitlines()[-1].startswith("cardmeasure: This is a mistake in cardmeasure itself")


def test_hostile_names_are_harmless_in_table_json_and_csv(photos: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = "=\x1b[31m\n\u202egpj.jpg"
    (photos / "a.jpg").rename(photos / name)
    for target in ("r.json", "r.csv"):
        assert main(["measure", f"photos/{name}", "photos/sub", "--results", target]) == 0
    out = capsys.readouterr().out
    assert all(line.isprintable() for line in out.splitlines())
    assert json.loads(Path("r.json").read_text("utf-8"))["shots"][0]["file"] == f"photos/{name}"
    assert "\x1b" not in Path("r.csv").read_text("utf-8")


def test_a_second_run_takes_from_the_journal_what_has_not_changed_and_again_measures_all(
    photos: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[str] = []

    def measure_photo(path: Path, *, settings: Settings, **_: object) -> ShotResult:
        begun.append(path.name)
        return made_up(path, settings=settings)

    monkeypatch.setattr(measuring, "measure_photo", measure_photo)
    command = ["measure", "photos", "--results", "r.json", "--quiet"]
    assert main(command) == 3
    first = Path("r.json").read_bytes()
    Path("r.json").unlink()
    assert main(command) == 3
    assert begun == ["a.jpg", "b.jpg", "unusable.jpg"]
    assert Path("r.json").read_bytes() == first
    assert main([*command, "--again"]) == 3
    assert len(begun) == 6
    assert main([*command, "--thickness", "0.5"]) == 3
    assert len(begun) == 9
    assert Path("r.json.journal").is_file()


def test_what_was_measured_before_an_interruption_is_not_measured_again(
    photos: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[str] = []

    def measure_photo(path: Path, *, settings: Settings, **_: object) -> ShotResult:
        begun.append(path.name)
        if path.name == "b.jpg" and begun.count("b.jpg") == 1:
            raise KeyboardInterrupt
        return made_up(path, settings=settings)

    monkeypatch.setattr(measuring, "measure_photo", measure_photo)
    command = ["measure", "photos", "--results", "r.json", "--quiet"]
    assert main(command) == 130
    assert main(command) == 3
    assert begun == ["a.jpg", "b.jpg", "b.jpg", "unusable.jpg"]


def test_without_a_results_file_there_is_no_journal(photos: Path) -> None:
    assert main(["measure", "photos"]) == 3
    assert main(["measure", "photos", "--results", "-"]) == 3
    assert [path.name for path in Path().iterdir()] == ["photos"]


def test_a_journal_that_is_in_use_is_told_before_anything_is_measured(
    photos: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with Journal(Path("r.json.journal")):
        assert main(["measure", "photos", "--results", "r.json"]) == 5
    words = "another run is using it; wait until that is done, or name other results."
    assert capsys.readouterr() == ("", f"cardmeasure: Cannot write the journal r.json.journal: {words}\n")
    assert not Path("r.json").exists()


def test_decks_are_folders_or_what_a_decks_file_says(photos: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", "photos", "--results", "r.json"]) == 3
    assert [deck["name"] for deck in json.loads(Path("r.json").read_text())["decks"]] == [".", "sub"]
    Path("decks.toml").write_text('[[deck]]\nname = "Events"\nphotos = ["sub/*"]\ncount = 1\n')
    capsys.readouterr()
    assert main(["measure", "photos", "--results", "r.json", "--decks", "decks.toml"]) == 3
    document = json.loads(Path("r.json").read_text())
    Draft202012Validator(results_schema()).validate(document)
    assert [(deck["name"], deck["pieces"]) for deck in document["decks"]] == [("Events", 2), ("(in no deck)", 2)]
    out = capsys.readouterr().out
    assert "Events: 1 card (entered), 1 photo" in out
    assert "1 card was entered, but 2 lie in the photos." in out
    assert main(["measure", "photos", "--results", "r.csv", "--decks", "decks.toml", "--quiet"]) == 3
    with Path("r.csv").open(newline="", encoding="utf-8") as file:
        assert [row["deck"] for row in csv.DictReader(file)] == ["(in no deck)"] * 2 + ["Events"] * 2 + ["(in no deck)"]


def test_a_decks_file_that_does_not_fit_the_photos_is_told_before_anything_is_measured(
    photos: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("decks.toml").write_text('[[deck]]\nname = "a"\nphotos = ["*"]\n[[deck]]\nname = "b"\nphotos = ["sub/*"]\n')
    assert main(["measure", "photos", "--decks", "decks.toml"]) == 2
    words = "cardmeasure: decks: sub/b.jpg belongs to 'a' and to 'b'; narrow the photos of one of them.\n"
    assert capsys.readouterr() == ("", words)


def test_json_lines_have_one_shot_a_line(photos: Path) -> None:
    assert main(["measure", "photos", "--results", "r.jsonl", "--quiet"]) == 3
    lines = [json.loads(line) for line in Path("r.jsonl").read_text("utf-8").splitlines()]
    assert [(line["schema"], line["file"]) for line in lines] == [
        ("cardmeasure/1", "a.jpg"),
        ("cardmeasure/1", "sub/b.jpg"),
        ("cardmeasure/1", "unusable.jpg"),
    ]
