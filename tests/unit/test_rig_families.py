"""Families of scenes: all render, the same by seed, split into folds; the truth of warped cards is the flat one."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from functools import lru_cache
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.rig import FAMILY_PICTURES, PICTURES, phone_software
from calibration.rig.camera import project
from calibration.rig.catalogue import BUILDERS, FAMILY_BUILDERS
from calibration.rig.develop import develop
from calibration.rig.draws import FACES, draw_camera, draw_card, kind_light
from calibration.rig.face_rasters import STYLES, face_raster
from calibration.rig.families import CHANGES
from calibration.rig.folds import FAMILIES, FOLDS, fold_of
from calibration.rig.lenses import (
    LARGEST_WAVE,
    MOST_PRINCIPAL,
    WAVES,
    corner_radius,
    residual_wave,
    wave,
    with_classic_lens,
    with_shifted_principal,
    with_wave,
)
from calibration.rig.mats import MATS
from calibration.rig.outlines import rectangle_outline
from calibration.rig.rendering import render
from calibration.rig.scene import (
    Camera,
    Card,
    Face,
    Light,
    Mat,
    Place,
    Post,
    Print,
    Sampling,
    Scene,
    Shade,
    Square,
    Warp,
)
from calibration.rig.shades import KINDS
from calibration.rig.shots import picture_of
from calibration.rig.surfaces import SURFACES, surface_cover
from calibration.rig.truth import card_top, truth
from calibration.rig.warps import along_face, frayed, on_warp, warp_rise_mm, warp_terms

WIDTH_PX, HEIGHT_PX, PX_PER_MM = 192, 144, 0.6
FEW_RAYS = Sampling(plain=1, face=1, print=4, edge=4, lamp=1)
Rng = np.random.default_rng


def drawn(family: str, seed: int) -> Scene:
    scene = FAMILY_BUILDERS[family](seed, width=WIDTH_PX, height=HEIGHT_PX, px_per_mm=PX_PER_MM)
    return replace(scene, sampling=FEW_RAYS)


@lru_cache(maxsize=64)
def tiny(family: str, seed: int = 1) -> Scene:
    """A tiny scene of a family; drawn once for all tests."""
    return drawn(family, seed)


@lru_cache(maxsize=64)
def tiny_picture(family: str) -> np.ndarray:
    """The picture of `tiny(family)`."""
    return picture_of(tiny(family), seed=1)


@pytest.mark.parametrize("family", FAMILIES)
def test_a_family_draws_renders_and_says_its_truth_the_same_for_the_same_seed(family: str) -> None:
    scene = tiny(family)
    assert scene == drawn(family, 1)
    assert scene.camera != drawn(family, 2).camera
    picture = tiny_picture(family)
    assert picture.shape == (HEIGHT_PX, WIDTH_PX, 3) and picture.std() > 4
    assert (picture == picture_of(scene, seed=1)).all()
    assert len(truth(scene)["cards"]) == len(scene.cards) > 0


def test_every_family_belongs_to_one_fold_and_has_a_builder() -> None:
    assert len(set(FAMILIES)) == len(FAMILIES)
    assert set(FAMILIES) == set(FAMILY_BUILDERS) == {*CHANGES, "sheet-any"}
    assert all(family in fold_of(family).families for family in FAMILIES)
    assert not set(FAMILIES) & set(BUILDERS)
    with pytest.raises(KeyError):
        fold_of("kind")


@pytest.mark.parametrize("what", ["families", "faces", "mats", "surfaces", "lenses"])
def test_folds_share_nothing(what: str) -> None:
    assert [fold.number for fold in FOLDS] == [1, 2, 3, 4]
    for a, b in combinations(FOLDS, 2):
        assert getattr(a, what) and not set(getattr(a, what)) & set(getattr(b, what))


def test_folds_use_all_that_there_is() -> None:
    assert {name for fold in FOLDS for name in fold.surfaces} == set(SURFACES)
    assert {name for fold in FOLDS for name in fold.lenses} == set(WAVES)
    assert {name for fold in FOLDS for name in fold.faces} >= set(FACES)
    assert {name for fold in FOLDS for name in fold.faces} <= set(STYLES)
    assert {name for fold in FOLDS for name in fold.mats} == set(MATS) - {"even", "black"}


@pytest.mark.parametrize("family", FAMILIES)
def test_scenes_show_only_what_belongs_to_their_fold(family: str) -> None:
    fold = fold_of(family)
    scene = tiny(family)
    assert {card.face.style for card in scene.cards} <= set(fold.faces)
    assert scene.mat.name in (*fold.mats, *fold.surfaces)


def camera() -> Camera:
    return draw_camera(Rng(3), width=1600, height=1200, px_per_mm=5.0, tilt_deg=10.0, focal_35mm=25.0)


@pytest.mark.parametrize("kind", sorted(WAVES))
def test_waves_cross_zero_within_the_frame_and_stay_small(kind: str) -> None:
    for seed in range(40):
        lens = with_wave(Rng(seed), camera(), kind)
        corner = corner_radius(lens)
        terms = np.array([lens.k1 * corner**2, lens.k2 * corner**4, lens.k3 * corner**6])
        assert 0.1 * LARGEST_WAVE < residual_wave(terms) <= LARGEST_WAVE * 1.0001
        left = wave(terms, np.linspace(0.05, 1, 200))
        assert 1 <= np.count_nonzero(np.diff(np.sign(left))) <= 3


def test_classic_lenses_do_not_fold_the_picture_over_and_principal_points_stay_near() -> None:
    for seed in range(60):
        lens = with_shifted_principal(Rng(seed), with_classic_lens(Rng(seed), camera()))
        radii = np.linspace(0, corner_radius(lens), 100)
        moved = radii * (1 + lens.k1 * radii**2 + lens.k2 * radii**4 + lens.k3 * radii**6)
        assert (np.diff(moved) > 0).all()
        away = np.hypot(lens.principal_px[0] - 799.5, lens.principal_px[1] - 599.5)
        assert away <= MOST_PRINCIPAL * 2000 * 1.0001


def test_crops_keep_the_focal_length_of_the_whole_picture() -> None:
    for seed in range(4):
        scene = FAMILY_BUILDERS["crops"](seed, width=800, height=600, px_per_mm=3.0)
        tagged = (scene.post.focal_35mm_tag or 0) * 1000 / 43.2666
        assert scene.camera.focal_px > 1.1 * tagged
        assert np.hypot(scene.camera.principal_px[0] - 399.5, scene.camera.principal_px[1] - 299.5) > 0.03 * 1000


WARPS = (
    Warp(bow_x_mm=0.8, bow_y_mm=-0.5),
    Warp(twist_mm=0.8),
    Warp(bow_x_mm=-0.4, bow_y_mm=0.6, twist_mm=-0.7),
    Warp(ear_mm=2.0, ear_corner=2, ear_reach_mm=7.0),
)


def warped_card(warp: Warp, **changes: object) -> Card:
    plain = Card(
        outline=rectangle_outline(63.0, 88.0, radius_mm=3.0), place=Place(x_mm=5.0, y_mm=-8.0, turn_deg=25.0),
        width_mm=63.0, height_mm=88.0, face=Face(style="even"), warp=warp,
    )  # fmt: skip
    return replace(plain, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("warp", WARPS[:3])
@pytest.mark.parametrize("along", [0, 1])
def test_sides_of_a_warped_card_are_as_long_as_those_of_the_flat_one(warp: Warp, along: int) -> None:
    """The arc of the lines along its sides is 63 and 88 mm to 0.002 mm; the chord is not, so that this can fail."""
    reach = (31.5, 44.0)[along]
    for across in (-0.9, 0.0, 0.7):
        line = np.zeros((4001, 2))
        line[:, along], line[:, 1 - along] = np.linspace(-reach, reach, 4001), across * (44.0, 31.5)[along]
        world = card_top(warped_card(warp), line)
        length = float(np.linalg.norm(np.diff(world, axis=0), axis=1).sum())
        assert length == pytest.approx(2 * reach, abs=0.002)
    flat = card_top(warped_card(warp), np.array([[-31.5, 30.0], [31.5, 30.0], [-20.0, -44.0], [-20.0, 44.0]]))
    shortest = min(63.0 - np.linalg.norm(flat[0, :2] - flat[1, :2]), 88.0 - np.linalg.norm(flat[2, :2] - flat[3, :2]))
    assert shortest > -1e-6


@pytest.mark.parametrize("warp", WARPS)
def test_the_truth_of_a_warped_card_is_the_flat_size_and_it_stands_on_the_table(warp: Warp) -> None:
    card = warped_card(warp)
    scene = Scene(camera=camera(), light=kind_light(Rng(1)), mat=Mat(name="even"), cards=(card,),
                  squares=(Square(design="square-80", place=Place(x_mm=-90.0, y_mm=0.0)),))  # fmt: skip
    told = truth(scene)["cards"][0]
    assert (told["width_mm"], told["height_mm"]) == (63.0, 88.0)
    assert told["rise_mm"] == pytest.approx(warp_rise_mm(warp, 63.0, 88.0), abs=1e-3)
    heights = card_top(card, np.array([[x, y] for x in np.linspace(-31.5, 31.5, 21) for y in np.linspace(-44, 44, 21)]))
    assert heights[:, 2].min() == pytest.approx(card.thickness_mm, abs=0.02)


@pytest.mark.parametrize("warp", WARPS[:3])
def test_rays_meet_a_warped_card_where_its_truth_says_it_is(warp: Warp) -> None:
    """The rendered outline of a white card on black lies within 0.2 px of the projected truth, all along its sides."""
    card = replace(warped_card(warp), outline=rectangle_outline(63.0, 88.0), core=(0.0, 0.0, 0.0), rim_mm=0.0)
    view = draw_camera(Rng(3), width=640, height=480, px_per_mm=4.0, tilt_deg=25.0, focal_35mm=25.0)
    light = Light(lamps=(), ambient=(1.0, 1.0, 1.0))
    scene = Scene(camera=view, light=light, mat=Mat(name="black"), cards=(card,), print=Print(), post=Post(),
                  sampling=Sampling(plain=1, face=4, print=4, edge=64, lamp=1))  # fmt: skip
    image = render(scene, seed=1)[..., 1]
    covered = float((image / image[image > 0.5 * image.max()].mean()).clip(0, 1).sum())
    s = np.linspace(-1, 1, 200)[:-1]
    rim = [(31.5 * s, -44 + 0 * s), (31.5 + 0 * s, 44 * s), (-31.5 * s, 44 + 0 * s), (-31.5 + 0 * s, -44 * s)]
    points = project(view, card_top(card, np.vstack([np.column_stack(side) for side in rim])))
    area = float(cv2.contourArea(points.astype(np.float32)))
    assert covered == pytest.approx(area, rel=0.004)


def test_warps_are_undone_to_a_hair() -> None:
    terms, ear = warp_terms(WARPS[2], 63.0, 88.0)
    points = Rng(1).uniform(-30, 30, (50, 2))
    flat, _ = on_warp(points, terms, ear)
    assert np.array([along_face(terms, x, y) for x, y in flat]) == pytest.approx(points, abs=1e-9)


def test_frayed_edges_have_no_mean() -> None:
    for seed in (3.0, 411.0):
        along = np.array([frayed(seed, 31.5, v) for v in np.linspace(-44, 44, 3000)])
        assert abs(along.mean()) < 0.12 and 0.1 < along.std() < 0.6 and np.abs(along).max() <= 1


def test_a_toned_face_has_its_tone_at_the_edge_and_a_worn_one_is_paler_there() -> None:
    face = Face(style="black-border", seed=4)
    plain = face_raster(face, width_mm=63, height_mm=88, px_per_mm=4)
    toned = face_raster(replace(face, tone=(0.3, 0.4, 0.2)), width_mm=63, height_mm=88, px_per_mm=4)
    worn = face_raster(replace(face, wear=1.0), width_mm=63, height_mm=88, px_per_mm=4)
    assert toned[:4].mean((0, 1)) == pytest.approx([0.3, 0.4, 0.2], rel=0.05)
    assert worn[:2].mean() > 2 * plain[:2].mean()


@pytest.mark.parametrize("name", sorted(SURFACES))
def test_surfaces_are_reflectances_that_depend_on_their_seed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("calibration.rig.surfaces.PX_PER_MM", 0.6)
    one, same, other = (surface_cover(Mat(name=name, seed=seed)).tile for seed in (1, 1, 5))
    assert one.min() >= 0 and one.max() < 0.95
    assert (one == same).all() and not np.array_equal(one, other)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_shades_take_light_where_they_fall(kind: str) -> None:
    scene = replace(tiny("lenses"), sampling=FEW_RAYS)
    dark = replace(scene, light=replace(scene.light, shades=(Shade(kind=kind, depth=0.6, seed=3),)))
    share = render(dark, seed=1) / np.maximum(render(scene, seed=1), 1e-6)
    assert share.min() < 0.75 and share.max() < 1.6


def light_of(pixels: int = 64) -> np.ndarray:
    """A step with faint noise, in linear light."""
    light = np.full((pixels, pixels, 3), 0.1, np.float32)
    light[:, pixels // 2 :] = 0.5
    return light + Rng(1).normal(0, 0.004, light.shape).astype(np.float32)


def plain_post(**changes: object) -> Post:
    return replace(Post(blur_px=0.0, shot=0.0, read=0.0), **changes)  # type: ignore[arg-type]


def test_smearing_takes_faint_detail_and_leaves_edges() -> None:
    shown = light_of()
    smooth = phone_software.smeared(shown, plain_post(smear=0.03, smear_px=2))
    assert smooth[:, 4:24].std() < 0.5 * shown[:, 4:24].std()
    assert smooth[:, 34].mean() - smooth[:, 29].mean() > 0.9 * 0.4


def test_halos_stop_at_their_limits_on_either_side() -> None:
    shown = light_of()
    out = phone_software.sharpened(shown, plain_post(sharpen=2.0, halo_light=0.03, halo_dark=0.06))
    assert (out - shown).max() == pytest.approx(0.03, abs=1e-5)
    assert (out - shown).min() == pytest.approx(-0.06, abs=1e-5)


def test_local_tone_mapping_takes_slow_contrast() -> None:
    shown = light_of(256)
    out = phone_software.tone_mapped(shown, plain_post(local_tone=0.3))
    before, after = (v[:, 200:].mean() - v[:, :56].mean() for v in (shown, out))
    assert after == pytest.approx(0.7 * before, rel=0.1)


def test_what_is_new_in_processing_changes_nothing_unless_asked() -> None:
    scene = tiny("lenses")
    light = light_of(192)[:144]
    new = {"chroma": 0.01, "smear": 0.03, "local_tone": 0.3, "halo_light": 0.01}
    assert all(asdict(Post())[name] in (0.0, None) for name in new)
    before = develop(light, plain_post(sharpen=1.0), camera=scene.camera, seed=1)
    for name, value in new.items():
        assert (develop(light, plain_post(sharpen=1.0, **{name: value}), camera=scene.camera, seed=1) != before).any()


def test_a_picture_made_smaller_shows_the_same_places() -> None:
    larger = phone_software.enlarged(camera(), 1.25)
    points = Rng(2).uniform(-80, 80, (20, 3)) * [1, 1, 0]
    there, here = project(larger, points), project(camera(), points)
    assert (there + 0.5) / 1.25 - 0.5 == pytest.approx(here, abs=1e-6)


def test_worn_cards_keep_their_sizes() -> None:
    scene = tiny("worn", 3)
    assert any(card.warp or card.fray_mm for card in scene.cards)
    assert [card["width_mm"] for card in truth(scene)["cards"]] == [round(card.width_mm, 5) for card in scene.cards]
    assert draw_card(Rng(1)).warp is None


def test_pictures_of_families_that_change_get_another_version() -> None:
    """Else shots rendered before would be taken for these: who sees this fail raises FAMILY_PICTURES and the means."""
    kept = json.loads((Path(__file__).parent / "family_pictures.json").read_text(encoding="utf-8"))
    assert kept["version"] == [PICTURES, FAMILY_PICTURES] and set(kept["means"]) == set(FAMILIES)
    for family, means in kept["means"].items():
        assert block_means(family) == pytest.approx(np.array(means), abs=1.5), family


def block_means(family: str) -> np.ndarray:
    """Means of 3 x 4 blocks of a tiny picture, in steps of 1/255."""
    return tiny_picture(family).reshape(3, HEIGHT_PX // 3, 4, WIDTH_PX // 4, 3).mean(axis=(1, 3))
