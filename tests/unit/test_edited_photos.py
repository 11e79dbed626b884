"""Photos that are no longer as the camera took them: edited samples are doubted for what was done, untouched ones not.

All are rendered photos.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from calibration.edited.__main__ import Outcome, measured, summary
from calibration.edited.edits import EDITS, raised
from calibration.edited.samples import Sample, read_sample

SAMPLES = Path(__file__).parents[2] / "sample_images"
STRAINED = {"geometry-strained", "scale-strained", "square-bent"}


@cache
def _sample(name: str) -> Sample:
    return read_sample(SAMPLES, name)


def _outcome(name: str, kind: str, folder: Path) -> Outcome:
    edited = EDITS[kind](_sample(name), np.random.default_rng(3))
    assert edited is not None
    return measured(_sample(name), edited, folder)


@pytest.mark.parametrize("name", ["demo_box/photos/crew.jpg", "any_table/things_lying_about.jpg"])
@pytest.mark.parametrize("kind", ["untouched", "quality 60"])
def test_photos_as_they_were_taken_are_not_doubted(name: str, kind: str, tmp_path: Path) -> None:
    outcome = _outcome(name, kind, tmp_path)
    assert outcome.sides and not STRAINED & set(outcome.flags)
    assert summary([outcome])["silent"] == 0


@pytest.mark.parametrize(
    ("kind", "flag"),
    [
        ("cropped, middle 15 % off", "geometry-strained"),
        ("readings swapped", "scale-strained"),
        ("bar misread by 2 mm", "scale-strained"),
        ("square bent up 0.6 mm", "geometry-strained"),  # or bent: lenses can bend a square's points, too
    ],
)
def test_what_was_done_to_a_photo_is_said_and_no_side_errs_in_silence(kind: str, flag: str, tmp_path: Path) -> None:
    outcome = _outcome("demo_box/photos/omens.jpg", kind, tmp_path)
    assert outcome.sides
    assert STRAINED & set(outcome.flags) in ({flag}, {"square-bent"} if "bent" in kind else {flag})
    figures = summary([outcome])
    assert figures["silent"] == 0
    # the enlarged u are honest, too
    assert figures["error_over_u"] < 1.5


def test_a_square_that_bends_a_little_is_solved_and_not_doubted(tmp_path: Path) -> None:
    sample = _sample("demo_box/photos/omens.jpg")
    edited = raised(sample, np.random.default_rng(3), rise_mm=0.1, bent=True)
    assert edited is not None
    outcome = measured(sample, edited, tmp_path)
    assert summary([outcome])["error_over_u"] < 1.5
    assert not STRAINED & set(outcome.flags)


@pytest.mark.parametrize("kind", ["stretched by 3 %", "stretched by 10 %", "panorama"])
def test_what_no_camera_sees_is_doubted(kind: str, tmp_path: Path) -> None:
    outcome = _outcome("any_table/edge_to_edge.jpg", kind, tmp_path)
    assert STRAINED & set(outcome.flags)


def test_places_are_moved_as_pixels_are(tmp_path: Path) -> None:
    """Each edit moves a card's middle to where a measured card lies: else no side would be compared."""
    for kind in ("turned", "screenshot", "scanner app", "straightened by 2 deg"):
        assert len(_outcome("demo_box/photos/omens.jpg", kind, tmp_path).sides) >= 4, kind
