"""What counts as a photo in files and folders, what it is called in the results, and the loop over them."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cardmeasure.batch import find_photos, measure_found, measuring, photos, profiles_beside
from cardmeasure.errors import UsageError
from cardmeasure.results import ShotResult
from cardmeasure.settings import Settings
from tests.made_results import measured

PRINT_TOML = '[long_bar]\nreading_mm = {}\ninstrument = "steel-rule"\n'


def put_photo(path: Path) -> Path:
    """A small photo at `path`, whatever its name says."""
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.zeros((64, 64, 3), np.uint8)).save(path, "JPEG")
    return path


def files(*paths: Path) -> list[str]:
    return [photo.file for photo in find_photos(paths)]


def codes(*paths: Path) -> list[tuple[str, str | None]]:
    return [(photo.file, photo.trouble.code if photo.trouble else None) for photo in find_photos(paths)]


def test_a_folder_gives_its_photos_sorted_with_sub_folders_and_slashes(tmp_path: Path) -> None:
    for name in ("b.jpg", "a/z.jpg", "a/deep/er/1.jpg", "c.jpg", "a/b.jpg"):
        put_photo(tmp_path / name)
    assert files(tmp_path) == ["a/b.jpg", "a/deep/er/1.jpg", "a/z.jpg", "b.jpg", "c.jpg"]


def test_content_tells_what_is_a_photo_in_a_folder(tmp_path: Path) -> None:
    put_photo(tmp_path / "no_suffix")
    put_photo(tmp_path / "picture.txt")
    (tmp_path / "notes.txt").write_text("hello")
    (tmp_path / "print.toml").write_text(PRINT_TOML.format(250.1))
    assert files(tmp_path) == ["no_suffix", "picture.txt"]


def test_a_file_in_a_folder_that_is_named_like_a_photo_is_never_lost(tmp_path: Path) -> None:
    (tmp_path / "EMPTY.JPG").touch()
    put_photo(tmp_path / "a.jpg")
    assert files(tmp_path) == ["EMPTY.JPG", "a.jpg"]


def test_hidden_files_and_folders_are_left_out(tmp_path: Path) -> None:
    put_photo(tmp_path / ".thumbs/a.jpg")
    put_photo(tmp_path / "._b.jpg")
    put_photo(tmp_path / "c.jpg")
    assert files(tmp_path) == ["c.jpg"]


def test_a_folder_named_like_a_photo_is_a_folder(tmp_path: Path) -> None:
    put_photo(tmp_path / "x.jpg/a.jpg")
    assert files(tmp_path) == ["x.jpg/a.jpg"]


def test_a_file_given_by_itself_is_called_as_it_was_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put_photo(tmp_path / "shots/a.jpg")
    monkeypatch.chdir(tmp_path)
    assert files(Path("./shots/a.jpg"), tmp_path / "shots/a.jpg") == ["shots/a.jpg"]
    assert files(tmp_path / "shots/a.jpg") == [str(tmp_path / "shots/a.jpg")]


def test_what_is_missing_and_a_folder_without_photos_are_rows(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").touch()
    rows = codes(tmp_path / "nosuch.jpg", tmp_path / "empty", tmp_path / "file/x.jpg", Path("x" * 400))
    assert [code for _, code in rows] == ["not-found", "no-photos", "not-found", "unreadable"]
    assert rows[1][0] == str(tmp_path / "empty")


def test_the_same_name_in_two_folders_is_told_apart_and_nothing_is_measured_twice(tmp_path: Path) -> None:
    for name in ("one/a.jpg", "two/a.jpg", "two/b.jpg"):
        put_photo(tmp_path / name)
    one, two = tmp_path / "one", tmp_path / "two"
    assert files(one, two, one / "a.jpg") == [f"{one}/a.jpg", f"{two}/a.jpg", "b.jpg"]
    assert files(one, one) == ["a.jpg"]


def test_links_are_followed_once_and_circles_end(tmp_path: Path) -> None:
    put_photo(tmp_path / "real/a.jpg")
    put_photo(tmp_path / "elsewhere/b.jpg")
    folder = tmp_path / "real"
    (folder / "again").symlink_to(folder)
    (folder / "aside").symlink_to(tmp_path / "elsewhere")
    (folder / "broken.jpg").symlink_to("nothing")
    assert files(folder) == ["a.jpg", "aside/b.jpg"]


def test_a_folder_that_cannot_be_read_is_a_row_and_the_others_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_photo(tmp_path / "a/1.jpg")
    put_photo(tmp_path / "b/1.jpg")
    real = photos._children

    def refuse_a(folder: Path) -> tuple[list[Path], list[Path]]:
        if folder.name == "a":
            raise PermissionError(13, "Permission denied")
        return real(folder)

    monkeypatch.setattr(photos, "_children", refuse_a)
    assert codes(tmp_path) == [("a", "unreadable"), ("b/1.jpg", None)]


def test_names_with_odd_bytes_and_newlines_survive(tmp_path: Path) -> None:
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9\n.jpg"))
    put_photo(odd)
    (photo,) = find_photos([tmp_path])
    assert photo.path == odd
    assert photo.file == "caf\\xe9\n.jpg"


def test_what_the_caller_passes_over_is_left_out_of_folders_but_not_when_named(tmp_path: Path) -> None:
    put_photo(tmp_path / "a.jpg")
    drawn = put_photo(tmp_path / "drawn.jpg")
    assert [p.file for p in find_photos([tmp_path], passes_over=lambda path: path == drawn)] == ["a.jpg"]
    assert len(find_photos([drawn], passes_over=lambda path: path == drawn)) == 1


def test_each_photo_is_measured_with_the_print_profile_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("x/1.jpg", "y/2.jpg", "3.jpg"):
        put_photo(tmp_path / name)
    # A bar of 250 mm in the design, read as 251 and 249 mm.
    (tmp_path / "x/print.toml").write_text(PRINT_TOML.format(251.0))
    (tmp_path / "y/print.toml").write_text(PRINT_TOML.format(249.0))
    seen = {}

    def measure_photo(path: Path, *, settings: Settings, **_: object) -> ShotResult:
        profile = settings.print_profile
        seen[path.name] = (profile.source, max(profile.scale_x, profile.scale_y, key=lambda s: abs(s - 1)))
        return measured(path.name)

    monkeypatch.setattr(measuring, "measure_photo", measure_photo)
    found = find_photos([tmp_path])
    shots = list(measure_found(found, settings=Settings(), profiles=profiles_beside(found)))
    assert [shot.file for shot in shots] == ["3.jpg", "x/1.jpg", "y/2.jpg"]
    assert [seen[name][0] for name in ("3.jpg", "1.jpg", "2.jpg")] == ["assumed", "entered", "entered"]
    assert [seen[name][1] for name in ("1.jpg", "2.jpg")] == pytest.approx([1.004, 0.996], abs=1e-4)


def test_a_wrong_print_profile_beside_the_photos_is_told_before_anything_is_measured(tmp_path: Path) -> None:
    put_photo(tmp_path / "x/1.jpg")
    (tmp_path / "x/print.toml").write_text("[long_bar]\n")
    with pytest.raises(UsageError, match=r"print\.toml"):
        profiles_beside(find_photos([tmp_path]))


def test_rows_with_trouble_are_passed_on_and_the_rest_is_measured_lazily(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = [put_photo(tmp_path / name) for name in ("a.jpg", "b.jpg")]
    begun: list[str] = []

    def measure_photo(path: Path, *, settings: Settings, **_: object) -> ShotResult:
        begun.append(path.name)
        return replace(measured(path.name), flags=())

    monkeypatch.setattr(measuring, "measure_photo", measure_photo)
    shots = measure_found(find_photos([tmp_path / "no", *paths]), settings=Settings())
    first = next(shots)
    assert (first.status, first.trouble and first.trouble.code) == ("refused", "not-found")
    assert begun == []
    assert next(shots).file == str(paths[0])
    assert begun == ["a.jpg"]


def test_a_mistake_of_ours_names_the_photo_it_happened_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def measure_photo(path: Path, *, settings: Settings, **_: object) -> ShotResult:
        raise ZeroDivisionError

    monkeypatch.setattr(measuring, "measure_photo", measure_photo)
    with pytest.raises(ZeroDivisionError) as caught:
        list(measure_found(find_photos([put_photo(tmp_path / "a.jpg")]), settings=Settings()))
    assert "a.jpg" in "".join(caught.value.__notes__)
