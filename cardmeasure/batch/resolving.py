"""The shots of a run, those of one phone and one print solved again together (see `cardmeasure.together`)."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

import msgspec
import numpy as np

from cardmeasure.classes import SizeClass, match_size
from cardmeasure.print_doubt import print_seen_by, with_print_in_doubt
from cardmeasure.results import Card, ShotResult
from cardmeasure.together import ShotObservations, solved_together
from cardmeasure.together.solving import ResolvedCard

FLAG = "solved-together"


def encoded_observations(observations: ShotObservations) -> bytes:
    """The record as compact JSON, for keeping."""
    return msgspec.json.encode(observations)


def resolved(
    shots: Sequence[ShotResult], *, observations: Mapping[int, bytes], classes: tuple[SizeClass, ...]
) -> list[ShotResult]:
    """The shots; where several are of one phone and one print, with the sizes that all of them together give.

    Shots that name no phone are left as they are; so are those whose scale a bank card told: in all of them it is the
    same card, off by the same hundredths, which more photos do not make smaller. Where nothing was read on the print,
    only photos of one folder are taken to show the same one. A shot that was solved again carries the flag
    `solved-together`.

    Parameters
    ----------
    observations : by index of the shot, as encoded by `encoded_observations`; damaged ones are passed over.
    """
    groups: dict[object, list[tuple[int, ShotObservations]]] = defaultdict(list)
    for index, data in observations.items():
        shot, record = shots[index], decoded_observations(data)
        if record is not None and _is_independent(shot):
            groups[_key(shot, record)].append((index, record))
    done = list(shots)
    for members in groups.values():
        found = solved_together([record for _, record in members])
        for (index, _), cards in zip(members, found or (), strict=False):
            done[index] = _with_cards(shots[index], cards, classes)
    return done


def decoded_observations(data: bytes) -> ShotObservations | None:
    """The record, None where it is damaged."""
    try:
        return msgspec.json.decode(data, type=ShotObservations)
    except msgspec.DecodeError:
        return None


def _is_independent(shot: ShotResult) -> bool:
    """Whether what the photo says of its phone and print is news, and of which phone it is."""
    by_bank_card = shot.reference is not None and shot.reference.scale_source == "bank-card"
    named = shot.photo is not None and bool(shot.photo.camera)
    return named and shot.duplicate_of is None and not by_bank_card


def _key(shot: ShotResult, record: ShotObservations) -> object:
    """What photos of one phone and one print have alike; the priors hold the focal length and the print profile."""
    source = "" if shot.reference is None else shot.reference.scale_source
    folder = "" if source == "entered" else shot.file.rpartition("/")[0]
    camera = None if shot.photo is None else shot.photo.camera
    return (camera, source, folder, record.prior, record.prior_covariance)


def _with_cards(shot: ShotResult, cards: tuple[ResolvedCard, ...], classes: tuple[SizeClass, ...]) -> ShotResult:
    by_number = {card.number: card for card in cards}
    new = tuple(
        _card(card, by_number[card.number], classes) if card.number in by_number else card for card in shot.cards
    )
    source = shot.reference.scale_source if shot.reference else ""
    doubted = with_print_in_doubt(new, print_seen_by(new, classes), scale_source=source, classes=classes)
    return replace(shot, cards=doubted, flags=(*shot.flags, FLAG))


def _card(card: Card, found: ResolvedCard, classes: tuple[SizeClass, ...]) -> Card:
    if found.size_mm[0] > found.size_mm[1]:  # a square card, whose sides may change places by some hundredths
        found = found.turned()
    (width, height), u = found.size_mm.tolist(), np.sqrt(np.diag(found.covariance)).tolist()
    correlation = float(found.covariance[0, 1] / max(math.prod(u), 1e-300))
    match = match_size(width, height, u_width_mm=u[0], u_height_mm=u[1], correlation=correlation, classes=classes)
    return replace(
        card, width_mm=width, height_mm=height, u_width_mm=u[0], u_height_mm=u[1], correlation=correlation, match=match,
        budget=found.budget,
    )  # fmt: skip
