"""A run: one result a row, nothing measured twice, what was measured kept, duplicates marked."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cardmeasure.batch import find_photos, measuring, run
from cardmeasure.batch.journal import Journal, small_pictures
from cardmeasure.batch.measuring import Measured
from cardmeasure.batch.running import Done, Job, in_order
from cardmeasure.batch.workers import Crash
from cardmeasure.photo.colour import Pixels
from cardmeasure.results import ShotResult
from cardmeasure.settings import Settings
from tests.made_results import measured, refused


@pytest.fixture
def begun(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the photos whose measurement was begun; what is measured is made up."""
    names: list[str] = []

    def measure_photo(path: Path, *, settings: Settings, **_: object) -> ShotResult:
        names.append(path.name)
        if "bad" in path.name:
            return refused(path.name)
        return replace(measured(path.name), sha256=None)

    monkeypatch.setattr(measuring, "measure_photo", measure_photo)
    return names


def put_photo(path: Path, *, grey: int = 0, side: int = 64) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.full((side, side, 3), grey, np.uint8)).save(path, "JPEG")
    return path


def results(folder: Path, **options: object) -> list[Done]:
    found = find_photos([folder])
    return sorted(run(found, settings=Settings(), **options), key=lambda done: done.index)  # type: ignore[arg-type]


def draw(pixels: Pixels, shot: ShotResult) -> bytes:
    return f"{pixels.shape[0]} {shot.file}".encode()


def test_identical_files_are_measured_once_and_the_others_name_the_first(tmp_path: Path, begun: list[str]) -> None:
    for name in ("b.jpg", "a.jpg", "sub/c.jpg"):
        put_photo(tmp_path / name, grey=10)
    put_photo(tmp_path / "d.jpg", grey=99)
    found = [(done.shot.file, done.shot.duplicate_of) for done in results(tmp_path)]
    assert found == [("a.jpg", None), ("b.jpg", "a.jpg"), ("d.jpg", None), ("sub/c.jpg", "a.jpg")]
    assert begun == ["a.jpg", "d.jpg"]


def test_identical_files_with_different_prints_are_both_measured_and_still_duplicates(
    tmp_path: Path, begun: list[str]
) -> None:
    for name in ("a/1.jpg", "b/1.jpg"):
        put_photo(tmp_path / name)
    profile = replace(Settings().print_profile, scale_x=1.01)
    done = results(tmp_path, profiles={tmp_path / "b": profile})
    assert [one.shot.duplicate_of for one in done] == [None, "a/1.jpg"]
    assert len(begun) == 2


def test_a_second_run_takes_all_from_the_journal_whatever_the_files_are_called(
    tmp_path: Path, begun: list[str]
) -> None:
    for grey, name in enumerate(("a.jpg", "b.jpg", "bad.jpg")):
        put_photo(tmp_path / "photos" / name, grey=grey)
    with Journal(tmp_path / "j") as journal:
        first = results(tmp_path / "photos", journal=journal)
        (tmp_path / "photos/b.jpg").rename(tmp_path / "photos/c.jpg")
        put_photo(tmp_path / "photos/new.jpg", grey=200)
        begun.clear()
        second = results(tmp_path / "photos", journal=journal)
    assert begun == ["new.jpg"]
    assert [(one.shot.file, one.is_new) for one in second] == [
        ("a.jpg", False), ("bad.jpg", False), ("c.jpg", False), ("new.jpg", True),
    ]  # fmt: skip
    assert second[0].shot == first[0].shot


def test_other_settings_other_content_and_again_are_measured_again(tmp_path: Path, begun: list[str]) -> None:
    photo = put_photo(tmp_path / "photos/a.jpg", grey=1)
    with Journal(tmp_path / "j") as journal:
        results(tmp_path / "photos", journal=journal)
        list(run(find_photos([photo]), settings=Settings(thickness_mm=0.4), journal=journal))
        put_photo(photo, grey=2)
        results(tmp_path / "photos", journal=journal)
        assert len(begun) == 3
        results(tmp_path / "photos", journal=journal, again=True)
        assert len(begun) == 4
        results(tmp_path / "photos", journal=journal)
    assert len(begun) == 4


def test_small_pictures_are_kept_and_large_ones_drawn_again_without_measuring(tmp_path: Path, begun: list[str]) -> None:
    photo = put_photo(tmp_path / "photos/a.jpg", side=1200)
    with Journal(tmp_path / "j") as journal:
        (first,) = results(tmp_path / "photos", journal=journal, small=draw)
        (second,) = results(tmp_path / "photos", journal=journal, small=draw, picture=draw)
    with small_pictures(tmp_path / "j") as small:
        assert small(hashlib.sha256(photo.read_bytes()).hexdigest()) == b"1200 a.jpg"
    assert (first.picture, second.picture) == (None, b"1200 a.jpg")
    assert begun == ["a.jpg"]


def test_a_row_is_in_the_journal_before_it_is_handed_on(tmp_path: Path, begun: list[str]) -> None:
    for grey, name in enumerate(("a.jpg", "b.jpg")):
        put_photo(tmp_path / "photos" / name, grey=grey)
    with Journal(tmp_path / "j") as journal:
        rows = run(find_photos([tmp_path / "photos"]), settings=Settings(), journal=journal)
        next(rows)
        assert len(journal) == 1
        rows.close()


def test_a_photo_that_breaks_its_process_is_refused_and_tried_again_the_next_time(
    tmp_path: Path, begun: list[str]
) -> None:
    for grey, name in enumerate(("a.jpg", "b.jpg")):
        put_photo(tmp_path / "photos" / name, grey=grey)

    def engine(jobs: list[Job]) -> list[tuple[Job, Measured | Crash]]:
        ok = Measured(shot=measured("x.jpg"))
        return [(job, Crash(reason="it broke") if job.file == "a.jpg" else ok) for job in jobs]

    with Journal(tmp_path / "j") as journal:
        a, b = results(tmp_path / "photos", journal=journal, engine=engine)
        assert len(journal) == 1
    assert a.shot.trouble is not None
    assert (a.shot.trouble.code, a.shot.trouble.message) == ("crashed", "Measuring it broke down: it broke.")
    assert b.shot.status == "measured"


def test_a_file_that_vanishes_before_it_is_measured_is_a_refused_row(tmp_path: Path) -> None:
    found = find_photos([put_photo(tmp_path / "a.jpg"), put_photo(tmp_path / "b.jpg")])
    for photo in found:
        photo.path.unlink()
    with Journal(tmp_path / "j") as journal:
        codes = [done.shot.trouble and done.shot.trouble.code for done in run(found, settings=Settings())]
        assert codes == ["not-found", "not-found"]
        assert len(journal) == 0


def test_real_processes_give_what_this_process_gives(tmp_path: Path) -> None:
    for grey in range(5):
        put_photo(tmp_path / f"{grey}.jpg", grey=grey)
    (tmp_path / "5.jpg").write_bytes(b"no photo")
    here, there = results(tmp_path), results(tmp_path, processes=2)
    assert [done.shot for done in here] == [done.shot for done in there]
    assert len(here) == 6


def test_rows_are_put_in_order_each_as_soon_as_it_can_be() -> None:
    rows = [Done(index=i, shot=measured(f"{i}.jpg")) for i in (2, 0, 1, 4, 3)]
    taken: list[int] = []

    def watched() -> object:
        for row in rows:
            taken.append(row.index)
            yield row

    ordered = in_order(watched())  # type: ignore[arg-type]
    assert next(ordered).index == 0
    assert taken == [2, 0]
    assert [row.index for row in ordered] == [1, 2, 3, 4]
