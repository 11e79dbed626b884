"""Files are written whole or not at all, and what cannot be written is known beforehand."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from cardmeasure.errors import CannotWriteError
from cardmeasure.reports.writing import check_file, make_folder, write_beside


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_new_file_has_the_data_and_the_usual_permissions(tmp_path: Path) -> None:
    (tmp_path / "usual").touch()
    write_beside(tmp_path / "r.json", b"new")
    assert (tmp_path / "r.json").read_bytes() == b"new"
    assert (tmp_path / "r.json").stat().st_mode == (tmp_path / "usual").stat().st_mode
    assert names_in(tmp_path) == ["r.json", "usual"]


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_what_was_there_stays_whole_when_writing_breaks_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    target = tmp_path / "r.json"
    target.write_bytes(b"old")

    def broken(descriptor: int) -> None:
        raise error

    monkeypatch.setattr(os, "fsync", broken)
    with pytest.raises((CannotWriteError, KeyboardInterrupt)) as caught:
        write_beside(target, b"new")
    assert target.read_bytes() == b"old"
    assert names_in(tmp_path) == ["r.json"]
    if isinstance(error, OSError):
        assert str(caught.value) == f"Cannot write {target}: No space left on device."


def test_a_link_is_followed_and_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.json").write_bytes(b"old")
    (tmp_path / "link.json").symlink_to("real.json")
    write_beside(tmp_path / "link.json", b"new")
    assert (tmp_path / "link.json").is_symlink()
    assert (tmp_path / "real.json").read_bytes() == b"new"


def test_checking_leaves_no_trace_and_passes_where_writing_works(tmp_path: Path) -> None:
    check_file(tmp_path / "r.json")
    assert names_in(tmp_path) == []
    (tmp_path / "r.json").write_bytes(b"old")
    check_file(tmp_path / "r.json")
    assert (tmp_path / "r.json").read_bytes() == b"old"


def test_each_reason_why_a_file_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "folder.json").mkdir()
    (tmp_path / "file").touch()
    (tmp_path / "circle.json").symlink_to("circle.json")
    (tmp_path / "device.json").symlink_to(os.devnull)
    for name, reason in {
        "folder.json": "it is a folder",
        "missing/r.json": "its folder does not exist",
        "file/r.json": "folder",
        "device.json": "not a regular file",
        "circle.json": "loop",
        "x" * 300 + "/r.json": "name too long",
    }.items():
        with pytest.raises(CannotWriteError, match=reason) as caught:
            check_file(tmp_path / name)
        assert str(caught.value).endswith(".")


def test_a_folder_in_which_nothing_can_be_made_is_found_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Path, *, exist_ok: bool) -> None:
        raise OSError(30, "Read-only file system", str(self))

    monkeypatch.setattr(Path, "touch", refuse)
    with pytest.raises(CannotWriteError, match="Read-only file system"):
        check_file(tmp_path / "r.json")
    with pytest.raises(CannotWriteError, match="Read-only file system"):
        make_folder(tmp_path / "new")


def test_a_write_protected_file_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "r.json"
    target.write_bytes(b"old")
    # The superuser may write anything, so the answer of the system is given here.
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path) != target)
    with pytest.raises(CannotWriteError, match="write-protected"):
        check_file(target)


def test_a_picture_folder_is_made_if_the_one_above_it_is_there(tmp_path: Path) -> None:
    make_folder(tmp_path / "pictures")
    make_folder(tmp_path / "pictures")
    assert names_in(tmp_path) == ["pictures"]
    assert names_in(tmp_path / "pictures") == []
    (tmp_path / "file").touch()
    for name, reason in {"file": "not a folder", "no/such": "make that first"}.items():
        with pytest.raises(CannotWriteError, match=reason):
            make_folder(tmp_path / name)
