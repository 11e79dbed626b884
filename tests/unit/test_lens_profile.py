"""Lens profiles: learned from shots, widened where these scatter, kept in a file, and used for the same lens only."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import block_diag
from simulated_photos import HEIGHT_PX, WIDTH_PX, priors_of, simulated, true_state

from cardmeasure import quads as qd
from cardmeasure.adjustment import adjust
from cardmeasure.batch.journal import settings_digest
from cardmeasure.batch.measuring import settings_for
from cardmeasure.batch.photos import FoundPhoto, lenses_beside
from cardmeasure.errors import UsageError
from cardmeasure.lens.choice import chosen_lens
from cardmeasure.lens.identity import LensIdentity, mismatch
from cardmeasure.lens.learning import FEWEST_SHOTS, SD_OF_A_SHOT, Learned, learned_profiles
from cardmeasure.lens.profile import LensProfile, lens_profiles_toml, profile_for, read_lens_profiles
from cardmeasure.priors import LENS_PROFILE, LensPrior
from cardmeasure.settings import Settings
from cardmeasure.together import ShotObservations, shot_observations

PHONE = LensIdentity(
    make="Fjordlys", model="Fjordlys P2", lens_model=None, focal_35mm=26.0, focal_mm=5.8, digital_zoom=1.0,
    long_px=WIDTH_PX, short_px=HEIGHT_PX,
)  # fmt: skip
PRIORS = priors_of(3, u_scale=0.0003, u_bias_px=0.02)
DIAGONAL_PX = float(np.hypot(WIDTH_PX, HEIGHT_PX))
MATRIX = tuple(tuple(float(v) for v in row) for row in np.diag([1e-4, 4e-4, 3e-4, 1e-4]))
PROFILE = LensProfile(identity=PHONE, shots=6, mean=(-0.5, 0.02, -0.01, 0.0), covariance=MATRIX)  # type: ignore[arg-type]


def shots_of_a_lens(seed: int, count: int, *, wander: float = 1.0) -> tuple[np.ndarray, list[ShotObservations]]:
    """The lens' own log focal length over the diagonal, k1 to k3, and what shots of it say, whose lenses wander."""
    rng = np.random.default_rng(seed)
    first = true_state(rng, PRIORS)
    own = np.array([np.log(first.camera.focal_px), *first.camera.distortion[:3]])
    seen = []
    for _ in range(count):
        truth, moved = true_state(rng, PRIORS), own + wander * SD_OF_A_SHOT * rng.normal(size=4)
        distortion = np.array([*moved[1:], 0.0, 0.0])
        truth = replace(truth, camera=replace(truth.camera, focal_px=float(np.exp(moved[0])), distortion=distortion))
        photo = simulated(rng, truth, PRIORS)
        solved = adjust(photo.start, photo.points, photo.edges, photo.priors)
        seen.append(shot_observations(solved, photo.priors, cards=(), lens=PHONE))
    return own - [np.log(DIAGONAL_PX), 0, 0, 0], seen


def learned(seen: list[ShotObservations]) -> Learned:
    (one,), few = learned_profiles(seen)
    assert few == {}
    return one


def test_what_is_learned_is_the_lens_and_its_u_is_true() -> None:
    """Over many lenses the squared distance of the next shot's lens, in its u, is 4 on average, as it should."""
    total = []
    for seed in range(12):
        own, seen = shots_of_a_lens(seed, 5)
        profile = learned(seen).profile
        following = own + SD_OF_A_SHOT * np.random.default_rng([seed, 9]).normal(size=4)
        off = following - np.array(profile.mean)
        total.append(float(off @ np.linalg.solve(np.array(profile.covariance), off)))
        before = np.array(seen[0].prior_covariance)[:4, :4]
        assert np.all(np.diag(profile.covariance) < np.diag(before))
    assert np.mean(total) == pytest.approx(4.0, abs=2.0)


def test_shots_that_scatter_more_make_a_wider_profile() -> None:
    calm, wild = ([learned(shots_of_a_lens(seed, 8, wander=w)[1]) for seed in range(7)] for w in (1.0, 5.0))
    assert np.median([one.widening for one in calm]) < 1.5
    assert np.median([one.widening for one in wild]) > 2.0
    variance_wild, variance_calm = ([one.profile.covariance[1][1] for one in some] for some in (wild, calm))
    assert np.median(variance_wild) > 2 * np.median(variance_calm)


def test_too_few_shots_and_shots_without_a_camera_teach_nothing() -> None:
    _, seen = shots_of_a_lens(3, FEWEST_SHOTS - 1)
    assert learned_profiles(seen) == ((), {PHONE: FEWEST_SHOTS - 1})
    unnamed = [replace(shot, lens=replace(PHONE, model=None)) for shot in seen * 3]
    assert learned_profiles(unnamed) == ((), {})
    assert learned_profiles([replace(shot, lens=None) for shot in seen * 3]) == ((), {})


def test_with_a_profile_sizes_are_surer_and_the_budget_says_so() -> None:
    ratio = []
    for seed in range(5):
        own, seen = shots_of_a_lens(seed, 6)
        choice = chosen_lens(PHONE, [learned(seen).profile])
        assert choice.prior is not None and choice.flags == ("lens-profile-used",)
        rng = np.random.default_rng([seed, 5])
        truth = true_state(rng, PRIORS)
        moved = own + SD_OF_A_SHOT * rng.normal(size=4) + [np.log(DIAGONAL_PX), 0, 0, 0]
        camera = replace(
            truth.camera,
            focal_px=float(np.exp(moved[0])),
            distortion=np.array([*moved[1:], *truth.camera.distortion[3:]]),
        )
        photo = simulated(rng, replace(truth, camera=camera), PRIORS)
        plain = adjust(photo.start, photo.points, photo.edges, photo.priors)
        sharp = adjust(photo.start, photo.points, photo.edges, replace(photo.priors, lens=choice.prior))
        at = plain.state.layout
        rows = [at.quad_at(card, side) for card in range(at.cards) for side in (qd.WIDTH, qd.HEIGHT)]
        ratio.append(np.diag(sharp.covariance)[rows].sum() / np.diag(plain.covariance)[rows].sum())
        assert LENS_PROFILE in sharp.shares and "focal length" not in sharp.shares
        total = sum(sharp.shares.values(), np.zeros_like(sharp.covariance))
        np.testing.assert_allclose(total, sharp.covariance, rtol=1e-4, atol=1e-9)
    assert np.mean(ratio) < 0.99 and max(ratio) < 1.03


def test_a_profile_as_wide_as_the_usual_prior_changes_nothing() -> None:
    rng = np.random.default_rng(5)
    photo = simulated(rng, true_state(rng, PRIORS), PRIORS)
    same = LensPrior(
        mean=np.array([PRIORS.log_focal, 0, 0, 0]),
        covariance=block_diag(PRIORS.u_log_focal**2, PRIORS.radial_covariance),
    )
    plain = adjust(photo.start, photo.points, photo.edges, PRIORS)
    other = adjust(photo.start, photo.points, photo.edges, replace(PRIORS, lens=same))
    np.testing.assert_allclose(other.state.quads, plain.state.quads, atol=1e-6)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"model": "Fjordlys P3"}, "another camera"),
        ({"make": None}, "another camera"),
        ({"lens_model": "tele"}, "another lens"),
        ({"focal_35mm": 52.0}, "focal length"),
        ({"digital_zoom": 2.0}, "zoom"),
        ({"long_px": 2016, "short_px": 1512}, "pixels"),
        ({"model": None}, "does not name its camera"),
    ],
)
def test_a_profile_of_another_lens_is_refused_with_the_reason(change: dict[str, object], word: str) -> None:
    photo = replace(PHONE, **change)  # type: ignore[arg-type]
    assert word in (mismatch(photo, PHONE) or "")
    choice = chosen_lens(photo, [PROFILE])
    assert choice.prior is None and choice.flags == ("lens-profile-refused",)
    assert choice.words is not None and choice.words.startswith("not used: ") and word in choice.words


def test_of_several_profiles_the_right_one_is_taken_and_the_nearest_miss_named() -> None:
    other = replace(PROFILE, identity=replace(PHONE, model="Another"))
    zoomed = replace(PROFILE, identity=replace(PHONE, digital_zoom=2.0))
    assert profile_for(PHONE, [other, zoomed, PROFILE]) == (PROFILE, None)
    assert "zoom" in str(profile_for(PHONE, [other, zoomed])[1])
    assert profile_for(PHONE, []) == (None, None)
    assert chosen_lens(PHONE, []).flags == ()


text = st.text(min_size=1, max_size=20).filter(lambda t: t.encode("utf-8", "ignore").decode() == t)


@settings(max_examples=40, deadline=None)
@given(
    make=st.none() | text, model=text, focal=st.none() | st.floats(8, 400), shots=st.integers(1, 999),
    mean=st.tuples(st.floats(-1.5, 1.5), *[st.floats(-0.5, 0.5)] * 3), seed=st.integers(0, 10_000),
)  # fmt: skip
def test_a_file_gives_back_what_was_written(
    tmp_path_factory: pytest.TempPathFactory, make: str | None, model: str, focal: float | None, shots: int,
    mean: tuple[float, float, float, float], seed: int,
) -> None:  # fmt: skip
    root = np.random.default_rng(seed).normal(size=(4, 4)) * 0.01
    matrix = tuple(tuple(row) for row in (root @ root.T + 1e-6 * np.eye(4)).tolist())
    identity = replace(PHONE, make=make, model=model, focal_35mm=focal)
    profile = LensProfile(identity=identity, shots=shots, mean=mean, covariance=matrix)  # type: ignore[arg-type]
    path = tmp_path_factory.mktemp("lens") / "lens.toml"
    path.write_text(lens_profiles_toml([profile, PROFILE]), encoding="utf-8")
    assert read_lens_profiles(path) == (profile, PROFILE)


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("[[lens]]", "[lens", "TOML"),
        ("shots = 6", 'shots = "six"', "no lens profile"),
        ("shots = 6", "shots = 0", "above 0"),
        ("mean = [-0.5,", "mean = [9.0,", "mean"),
        ("0.0001, 0.0", "-0.0001, 0.0", "covariance"),
        ("make =", "maker =", "no lens profile"),
        ("[[lens]]", "[[other]]", "no lens profile"),
    ],
)
def test_a_wrong_file_is_refused_in_one_sentence(tmp_path: Path, old: str, new: str, word: str) -> None:
    path = tmp_path / "lens.toml"
    written = lens_profiles_toml([PROFILE])
    assert old in written
    path.write_text(written.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(UsageError, match=word) as caught:
        read_lens_profiles(path)
    assert str(path) in str(caught.value) and "\n" not in str(caught.value)


def test_a_missing_or_empty_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        read_lens_profiles(tmp_path / "none.toml")
    (tmp_path / "empty.toml").write_text("lens = []\n", encoding="utf-8")
    with pytest.raises(UsageError, match="holds no lens"):
        read_lens_profiles(tmp_path / "empty.toml")


def test_a_profile_beside_the_photos_holds_for_them_and_is_part_of_what_the_journal_finds_them_by(
    tmp_path: Path,
) -> None:
    here, elsewhere = tmp_path / "a", tmp_path / "b"
    found = []
    for folder in (here, elsewhere):
        folder.mkdir()
        found.append(FoundPhoto(path=folder / "1.jpg", file="1.jpg"))
    (here / "lens.toml").write_text(lens_profiles_toml([PROFILE]), encoding="utf-8")
    lenses = lenses_beside(found)
    assert lenses == {here: (PROFILE,)}
    with_it, without = (settings_for(one, settings=Settings(), profiles=None, lenses=lenses) for one in found)
    assert (with_it.lens_profiles, without.lens_profiles) == ((PROFILE,), ())
    assert settings_digest(with_it) != settings_digest(without)
    (elsewhere / "lens.toml").write_text("lens = 3", encoding="utf-8")
    with pytest.raises(UsageError, match="no lens profile"):
        lenses_beside(found)
