"""Photos of one phone and print solved together: no better than the truth allows, and never worse for it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rendered_shots import RenderedShot
from simulated_photos import Simulated, priors_of, simulated, true_state

from cardmeasure import quads as qd
from cardmeasure.adjustment import Adjustment, adjust
from cardmeasure.batch.resolving import _with_cards, encoded_observations, resolved
from cardmeasure.classes import standard_classes
from cardmeasure.pipeline import measure_photo
from cardmeasure.reports.json_results import results_json
from cardmeasure.reports.reading_json import parse_results
from cardmeasure.results import Card, ShotResult
from cardmeasure.together import ShotObservations, shot_observations, solved_together
from cardmeasure.together.observations import NAMES
from cardmeasure.together.solving import SD_OF_A_SHOT, ResolvedCard
from cardmeasure.uncertainty import budget_from_covariances
from tests.made_results import PHOTO, measured, sized_card, unsized_card

SAMPLE = Path(__file__).parents[2] / "sample_images/kitchen_printer/kitchen_table.jpg"
PRIORS = priors_of(3, u_scale=0.0006, u_bias_px=0.02, lens=0.3)
"""A print whose bars have been read, so that its scale does not drown all else, and a lens that phones correct well."""


def cards_of(solution: Adjustment) -> tuple[Card, ...]:
    made = [sized_card(i) for i in range(1, 1 + len(solution.state.quads))]
    cards = []
    for card, quad in zip(made, solution.state.quads, strict=True):
        width, height = np.sort(qd.pressed_flat_mm(quad, thickness_mm=card.thickness_mm or 0.0)).tolist()
        cards.append(replace(card, width_mm=width, height_mm=height))
    return tuple(cards)


def solved(photo: Simulated) -> tuple[Adjustment, ShotObservations]:
    solution = adjust(photo.start, photo.points, photo.edges, photo.priors)
    return solution, shot_observations(solution, photo.priors, cards=cards_of(solution))


def run_of(rng: np.random.Generator, shots: int) -> list[Simulated]:
    """Photos that share lens, tone and print, each with its own small deviation of lens and tone."""
    first = true_state(rng, PRIORS)
    photos = []
    for _ in range(shots):
        truth = true_state(rng, PRIORS)
        own = SD_OF_A_SHOT * rng.normal(size=9)
        camera = replace(
            truth.camera,
            focal_px=first.camera.focal_px * float(np.exp(own[0])),
            distortion=first.camera.distortion + own[1:6],
        )
        truth = replace(truth, camera=camera, scale=first.scale, tone=first.tone + own[8])
        photos.append(simulated(rng, truth, PRIORS))
    return photos


def errors(seeds: int, shots: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Errors alone and together, and their u, of many runs."""
    alone, together, u_alone, u_together = [], [], [], []
    for seed in range(seeds):
        photos = run_of(np.random.default_rng(seed), shots)
        pairs = [solved(photo) for photo in photos]
        resolved = solved_together([observed for _, observed in pairs])
        if resolved is None:
            continue
        for photo, (solution, _), cards in zip(photos, pairs, resolved, strict=True):
            truth = np.sort(photo.truth.quads[:, [qd.WIDTH, qd.HEIGHT]], axis=1)
            found = np.sort(solution.state.quads[:, [qd.WIDTH, qd.HEIGHT]], axis=1)
            at = solution.state.layout
            for i, card in enumerate(cards):
                order = np.argsort(solution.state.quads[i, [qd.WIDTH, qd.HEIGHT]])
                rows = [at.quad_at(i, (qd.WIDTH, qd.HEIGHT)[k]) for k in order]
                alone.append(found[i] - truth[i])
                u_alone.append(np.sqrt(np.diag(solution.covariance)[rows]))
                together.append(card.size_mm - truth[i])
                u_together.append(np.sqrt(np.diag(card.covariance)))
    return np.array(alone), np.array(together), np.array(u_alone), np.array(u_together)


def test_together_u_is_smaller_and_still_true() -> None:
    alone, together, u_alone, u_together = errors(24, 6)
    assert len(alone) >= 22 * 6 * 3
    assert np.all(u_together <= u_alone * (1 + 1e-6))
    assert np.mean(u_together**2) < 0.97 * np.mean(u_alone**2)
    for error, u in ((alone, u_alone), (together, u_together)):
        assert np.sqrt(np.mean((error / u) ** 2)) == pytest.approx(1.0, abs=0.15)
    assert np.mean(together**2) <= np.mean(alone**2)


def test_the_parts_of_a_photo_alone_add_up_to_its_own_covariance() -> None:
    solution, observed = solved(run_of(np.random.default_rng(3), 1)[0])
    for i, card in enumerate(observed.cards):
        quad = solution.state.quads[i]
        order = np.argsort(quad[[qd.WIDTH, qd.HEIGHT]])
        by_shape = qd.flat_by_shape(quad, thickness_mm=cards_of(solution)[i].thickness_mm or 0.0)[order]
        gain = np.array(card.gain)
        whole = sum(np.array(part) for part in card.own.values()) + gain @ np.array(observed.covariance) @ gain.T
        alone = by_shape @ solution.shape_covariances[i] @ by_shape.T
        np.testing.assert_allclose(whole, alone, rtol=1e-6, atol=1e-12)


def test_one_photo_alone_and_photos_of_different_lenses_are_left_alone() -> None:
    rng = np.random.default_rng(5)
    photos = run_of(rng, 3)
    observed = [solved(photo)[1] for photo in photos]
    assert solved_together(observed[:1]) is None
    assert solved_together(observed) is not None
    truth = photos[0].truth
    other = replace(truth.camera, distortion=truth.camera.distortion + np.array([0.25, -0.2, 0.05, 0.0, 0.0]))
    stranger = solved(simulated(rng, replace(truth, camera=other), PRIORS))[1]
    assert solved_together([*observed, stranger]) is None


def shots_and_observations(cameras: list[str | None]) -> tuple[list[ShotResult], dict[int, bytes]]:
    photos = run_of(np.random.default_rng(8), len(cameras))
    shots, kept = [], {}
    for i, (photo, camera) in enumerate(zip(photos, cameras, strict=True)):
        solution, observed = solved(photo)
        shot = measured(f"{i}.jpg", cards=(*cards_of(solution), unsized_card(9)))
        shots.append(replace(shot, photo=replace(PHOTO, camera=camera)))
        kept[i] = encoded_observations(observed)
    return shots, kept


def test_shots_of_one_phone_are_solved_again_and_say_so_and_others_are_left_as_they_are() -> None:
    shots, kept = shots_and_observations(["One", "One", "Two", None, "One"])
    kept[4] = b"damaged"
    found = resolved(shots, observations=kept, classes=standard_classes())
    assert [("solved-together" in shot.flags) for shot in found] == [True, True, False, False, False]
    assert found[2:] == shots[2:]
    for before, after in zip(shots[:2], found[:2], strict=True):
        assert after.cards[-1] == before.cards[-1]
        for card, new in zip(before.cards[:-1], after.cards[:-1], strict=True):
            assert new.width_mm == pytest.approx(card.width_mm, abs=0.2)
            assert new.width_mm != card.width_mm
            assert math.hypot(*(line.u_width_mm for line in new.budget)) == pytest.approx(new.u_width_mm, rel=1e-9)
            assert new.match is not None
    # what is written can be read back
    assert parse_results(results_json(found))


def test_prints_of_which_nothing_is_known_are_shared_within_a_folder_only() -> None:
    shots, kept = shots_and_observations(["One", "One"])
    assert shots[0].reference is not None
    assumed = replace(shots[0].reference, scale_source="assumed")
    apart = [replace(shot, file=f"{i}/a.jpg", reference=assumed) for i, shot in enumerate(shots)]
    assert resolved(apart, observations=kept, classes=standard_classes()) == apart
    beside = [replace(shot, file=f"0/{i}.jpg") for i, shot in enumerate(apart)]
    assert all("solved-together" in s.flags for s in resolved(beside, observations=kept, classes=standard_classes()))


def test_shots_whose_scale_the_same_bank_card_told_are_left_as_they_are() -> None:
    """What the card itself is off by does not shrink with the number of photos, and no photo can tell it."""
    shots, kept = shots_and_observations(["One", "One"])
    assert shots[0].reference is not None
    by_card = [replace(s, reference=replace(shots[0].reference, scale_source="bank-card")) for s in shots]
    assert resolved(by_card, observations=kept, classes=standard_classes()) == by_card


def test_what_is_kept_of_a_measured_photo_gives_its_cards_their_u_again(plain_shot: RenderedShot) -> None:
    seen: list[ShotObservations] = []
    result = measure_photo(plain_shot.path, observe=seen.append)
    cards = {card.number: card for card in result.cards if card.is_sized}
    assert len(cards) == 3
    for kept in seen[0].cards:
        card, gain = cards[kept.number], np.array(kept.gain)
        whole = sum(np.array(part) for part in kept.own.values()) + gain @ np.array(seen[0].covariance) @ gain.T
        assert np.sqrt(np.diag(whole)) == pytest.approx([card.u_width_mm, card.u_height_mm], rel=1e-6)


def test_photos_of_a_run_that_differ_get_other_sizes_when_solved_together(plain_shot: RenderedShot) -> None:
    """Two shots that say different things of the lens: each card's size moves, and no u grows."""
    seen: list[ShotObservations] = []
    result = measure_photo(plain_shot.path, observe=seen.append)
    common, k1 = np.array(seen[0].common), NAMES.index("k1")
    common[k1] += np.sqrt(seen[0].covariance[k1][k1])
    other = replace(seen[0], common=tuple(common.tolist()))
    kept = {i: encoded_observations(one) for i, one in enumerate((seen[0], other))}
    shots = [replace(result, file=f"{i}.jpg") for i in range(2)]
    found = resolved(shots, observations=kept, classes=standard_classes())
    for card, new in zip(result.cards, found[0].cards, strict=True):
        assert new.width_mm != card.width_mm and new.width_mm == pytest.approx(card.width_mm, abs=0.3)
        assert (new.u_width_mm or 1.0) < (card.u_width_mm or 0.0)


def resolved_card(first_mm: float, second_mm: float) -> ResolvedCard:
    """A card of these two sizes, whose first one has a u of 0.03 and whose second of 0.05 mm."""
    covariance = np.diag([0.03**2, 0.05**2])
    size = np.array([first_mm, second_mm])
    return ResolvedCard(
        number=1, size_mm=size, covariance=covariance, budget=budget_from_covariances({"all": covariance})
    )  # fmt: skip


def test_a_square_card_whose_sides_change_places_keeps_the_short_one_as_its_width() -> None:
    shot = measured(cards=(replace(sized_card(1), width_mm=70.0, height_mm=70.0),))
    sizes = ((70.02, 69.97), (69.97, 70.02))
    found = [_with_cards(shot, (resolved_card(*size),), standard_classes()).cards[0] for size in sizes]
    assert [(c.width_mm, c.height_mm) for c in found] == [(69.97, 70.02)] * 2
    assert [(c.u_width_mm, c.u_height_mm) for c in found] == [(0.05, 0.03), (0.03, 0.05)]
    for one in found:
        assert math.hypot(*(line.u_width_mm for line in one.budget)) == pytest.approx(one.u_width_mm)


def test_all_cards_of_a_measured_photo_are_observed_with_the_sizes_that_the_result_has() -> None:
    """Sizes in results are those of cards pressed flat, so this only holds where observations are, too."""
    seen: list[ShotObservations] = []
    shot = measure_photo(SAMPLE, observe=seen.append)
    sized = {card.number: (card.width_mm, card.height_mm) for card in shot.cards if card.is_sized}
    assert len(sized) > 3
    assert {card.number: card.size_mm for card in seen[0].cards} == sized
