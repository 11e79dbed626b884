"""The yardstick of real photographs on the smallest of them: they stay outside the project (see test_real_photographs).

What it proves is that painting through a lens and scoring work on a real file; figures come from the command itself.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from calibration.real.corpus import LabelledPhoto, labelled_photos
from calibration.real.figures import KEYS, figures_of
from calibration.real.halo import Halo
from calibration.real.measuring import PhotoScore, score_photo
from calibration.real.painting import painted, save_like
from calibration.real.placing import placings
from calibration.real.planes import folds, grey_of, read_pixels, seen_photo, whole_fits
from calibration.real.scoring import Seen
from cardmeasure.camera import project
from cardmeasure.photo import read_photo
from cardmeasure.reference.finding import find_squares

VARIABLE = "CARDMEASURE_REAL_PHOTOS"
BESIDE = Path(__file__).resolve().parents[3] / "shared" / "real"
FOLDER = Path(os.environ.get(VARIABLE, BESIDE))

pytestmark = pytest.mark.skipif(
    VARIABLE not in os.environ and not (BESIDE / "truth.json").is_file(),
    reason=f"the real photographs are not there; set {VARIABLE} to their folder",
)


@pytest.fixture(scope="module")
def photo() -> LabelledPhoto:
    """The smallest photo of a firmly known thing."""
    known = [one for one in labelled_photos(FOLDER) if any(thing.known_size and thing.flat for thing in one.things)]
    u = [min(thing.u_mm or np.inf for thing in one.things) for one in known]
    return known[int(np.argmin(u))]


@pytest.fixture(scope="module")
def score(photo: LabelledPhoto, tmp_path_factory: pytest.TempPathFactory) -> PhotoScore:
    seen = seen_photo(photo)
    fit = whole_fits([seen])[photo.name]
    return score_photo(seen, fit=fit, shared=None, folder=tmp_path_factory.mktemp("painted"), pictures=None)


def test_as_it_is_the_photo_is_refused_and_with_a_square_it_is_not(score: PhotoScore) -> None:
    assert score.unpainted_trouble == "no-reference"
    assert [one.trouble for one in score.paintings] == [None]


def test_its_thing_is_sized_by_its_own_outline_and_nothing_else_is(score: PhotoScore) -> None:
    (painting,) = score.paintings
    assert [one.seen for one in painting.scores] == [Seen.SIZED] and painting.wrong == ()


def test_a_plane_that_comes_from_the_thing_itself_proves_no_accuracy(score: PhotoScore) -> None:
    assert score.photo.circular and score.paintings[0].fold.circular
    figures = figures_of([score])
    assert set(KEYS) <= set(figures) and figures["known"] == []


def test_the_package_finds_the_painted_saddle_points_where_the_photos_camera_puts_them(
    photo: LabelledPhoto, tmp_path: Path
) -> None:
    (fold,) = folds(seen_photo(photo), shared=None)
    pixels = read_pixels(photo)
    camera = fold.fit.camera
    placing = placings(photo, camera, grey_of(pixels), thickness_mm=0.76, paper_mm=0.1)[0]
    halo = Halo(sigma_px=photo.sigma_px, amount=0.0, radius_px=1.0, found=False)
    save_like(painted(pixels, camera, placing, halo), photo.path, tmp_path / "a.jpg")
    square = find_squares(read_photo(tmp_path / "a.jpg", max_megapixels=10))[0]
    off = square.points_px - project(camera, placing.to_plane_mm(square.points_mm))
    assert np.sqrt(np.mean(off**2)) < 0.1
