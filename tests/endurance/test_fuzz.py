"""Two thousand mutated photos and files: nothing crashes, raises or hangs; `python -m calibration.fuzz` does more."""

from __future__ import annotations

from pathlib import Path

from calibration.fuzz import fuzz, write_corpus

COUNT = 2000


def test_two_thousand_mutated_photos_and_files_are_measured_read_or_refused(tmp_path: Path) -> None:
    figures, broken = fuzz(write_corpus(tmp_path), count=COUNT, seed="endurance", processes=2)
    assert broken == []
    assert sum(count for outcomes in figures.values() for count in outcomes.values()) == COUNT
    # what is changed is neither always refused nor never
    for kind in (".jpg", ".tif", ".heic"):
        assert 0.05 < figures[kind]["measured"] / sum(figures[kind].values()) < 0.95
    for kind in (".toml", ".json", ".journal"):
        assert figures[kind]["read"] > 0
        assert figures[kind]["refused"] > 0
