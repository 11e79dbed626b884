"""Pictures share memory only one after the other."""

from pathlib import Path

import cv2
import numpy as np

from cardmeasure.photo import read_photo
from cardmeasure.photo.memory import MOST_BLOCKS, picture_memory


def _photo(path: Path, value: int) -> Path:
    cv2.imwrite(str(path), np.full((240, 320, 3), value, np.uint8))
    return path


def test_memory_is_used_again_only_once_nothing_refers_to_it() -> None:
    first = picture_memory(1000)
    part = first[10:20]
    second = picture_memory(1000)
    assert not np.shares_memory(first, second)
    place = second.ctypes.data
    del second
    again = picture_memory(900)
    assert again.size == 900 and again.ctypes.data == place
    del first
    part[:] = 7
    again[:] = 0
    assert (part == 7).all()


def test_a_photo_that_is_kept_stays_as_it_is_when_the_next_is_read(tmp_path: Path) -> None:
    dark, bright = _photo(tmp_path / "dark.jpg", 40), _photo(tmp_path / "bright.jpg", 200)
    kept = read_photo(dark)
    view = kept.pixels_bgr[5:9]
    later = read_photo(bright)
    assert (kept.pixels_bgr == 40).all() and (later.pixels_bgr == 200).all()
    del kept
    assert (read_photo(bright).pixels_bgr == 200).all()
    assert (view == 40).all()


def test_any_number_of_pictures_may_be_kept() -> None:
    kept = [picture_memory(5000 + k) for k in range(2 * MOST_BLOCKS)]
    for k, memory in enumerate(kept):
        memory[:] = k
    assert all((memory == k).all() for k, memory in enumerate(kept))


def test_a_smaller_photo_has_its_own_size(tmp_path: Path) -> None:
    picture_memory(10**6)
    photo = read_photo(_photo(tmp_path / "small.jpg", 99))
    assert photo.pixels_bgr.shape == (240, 320, 3) and photo.pixels_bgr.flags.c_contiguous
