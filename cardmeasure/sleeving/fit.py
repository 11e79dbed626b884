"""How one sleeve fits one set of cards: probability that all go in, play, overhang at the mouth, verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.chance import all_go_in, quantile
from cardmeasure.sleeving.conditions import Conditions, Habits
from cardmeasure.sleeving.inside import Reading, Spread, growth, readings
from cardmeasure.sleeving.sleeve import ListedSleeve, Opening, Sleeve, Trial, TrialResult
from cardmeasure.sleeving.verdict import Verdict, verdict_of

SAME_CARD_MM = 0.5
"""A trial speaks for cards that differ by less than this from the card tried; common practice, no source."""
LIKE_QUOTED_MM = 1.0
"""The same for a trial whose card the list does not name: then it is taken to be of the size on the pack."""
Mixture = tuple[tuple[float, Spread], ...]
"""Weights, which sum to 1, and a length with each."""
_INTERVAL = (0.025, 0.975)


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A length with the interval that holds it with a probability of 95 %; mm."""

    value_mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True, kw_only=True)
class ReadingChance:
    """One reading of the size on the pack, and what follows from it: how the fit is explained."""

    reading: Reading
    margin: Spread
    probability: float


@dataclass(frozen=True, kw_only=True)
class Fit:
    """A sleeve on a set of cards.

    `probability`: that every card goes in, in the dampest air; from the model, also where `trial` overrides the
    verdict. `needed_mm`: inside width that the mean card takes in the dampest air. `scatter_mm`: from card to card and
    sleeve to sleeve. `plays`, `overhangs`: play and overhang with the weight of each reading of the pack.
    """

    cards: CardSet
    listed: ListedSleeve
    probability: float
    plays: Mixture
    overhangs: Mixture
    verdict: Verdict
    trial: Trial | None
    needed_mm: float
    scatter_mm: float
    chances: tuple[ReadingChance, ...]

    @property
    def sleeve(self) -> Sleeve:
        """The sleeve."""
        return self.listed.sleeve

    @cached_property
    def play(self) -> Estimate:
        """Inside width minus what the mean card takes, as measured."""
        return _estimate(self.plays)

    @cached_property
    def overhang(self) -> Estimate:
        """Film beyond the card's edge at the mouth; negative where the card sticks out."""
        return _estimate(self.overhangs)


def fit_of(cards: CardSet, listed: ListedSleeve, *, conditions: Conditions) -> Fit:
    """The fit of one sleeve on one set of cards."""
    sleeve, habits = listed.sleeve, conditions.habits
    is_long = sleeve.opening is Opening.LONG
    side = _side(cards, is_height=is_long, habits=habits)
    other = _side(cards, is_height=not is_long, habits=habits)
    swelling = growth(side.size_mm, humidity=conditions.humidity)
    scatter = math.hypot(side.scatter_mm, habits.sleeve_scatter_mm)
    kinds = _readings(sleeve, habits)
    margins = [_margin(reading, side, cards=cards, swelling=swelling) for reading in kinds]
    chances = tuple(
        ReadingChance(
            reading=reading,
            margin=margin,
            probability=min(
                all_go_in(margin, scatter_mm=scatter, count=max(cards.total, 1)),
                _odd_card_goes_in(margin, side, scatter_mm=habits.sleeve_scatter_mm),
            ),
        )
        for reading, margin in zip(kinds, margins, strict=True)
    )
    probability = min(1.0, sum(chance.reading.weight * chance.probability for chance in chances))
    t, u_t = cards.thickness_mm, cards.u_thickness_mm
    plays = tuple((r.weight, _less(r.across, side, t, u_t)) for r in kinds)
    # the fold or seam at the closed end takes half a thickness of each wall
    overhangs = tuple((r.weight, _less(r.depth, other, t / 2, u_t / 2)) for r in kinds)
    modelled = verdict_of(
        probability, play_mm=mean_mm(plays), overhang_mm=mean_mm(overhangs), limits=conditions.thresholds
    )
    trial = _trial_for(cards, listed)
    return Fit(
        cards=cards,
        listed=listed,
        probability=probability,
        plays=plays,
        overhangs=overhangs,
        verdict=modelled if trial is None else _tried(trial, modelled),
        trial=trial,
        needed_mm=side.size_mm + swelling.middle_mm + cards.thickness_mm,
        scatter_mm=scatter,
        chances=chances,
    )


@dataclass(frozen=True, kw_only=True)
class _Side:
    size_mm: float
    u_mm: float
    scatter_mm: float
    excess_mm: float


def _odd_card_goes_in(margin: Spread, side: _Side, *, scatter_mm: float) -> float:
    """The probability for the largest odd card of the deck; what it shares with the others makes it no independent one,
    so the lesser of both probabilities counts, not their product."""
    if side.excess_mm <= 0.0:
        return 1.0
    less = Spread(middle_mm=margin.middle_mm - side.excess_mm, half_mm=margin.half_mm, u_mm=margin.u_mm)
    return all_go_in(less, scatter_mm=scatter_mm, count=1)


def _side(cards: CardSet, *, is_height: bool, habits: Habits) -> _Side:
    size, u, scatter, excess = (
        (cards.height_mm, cards.u_height_mm, cards.scatter_height_mm, cards.excess_height_mm)
        if is_height
        else (cards.width_mm, cards.u_width_mm, cards.scatter_width_mm, cards.excess_width_mm)
    )
    return _Side(
        size_mm=size, u_mm=u, scatter_mm=habits.card_scatter_mm if scatter is None else scatter, excess_mm=excess
    )


@lru_cache(maxsize=4096)
def _readings(sleeve: Sleeve, habits: Habits) -> tuple[Reading, ...]:
    return readings(sleeve, habits=habits)


def _margin(reading: Reading, side: _Side, *, cards: CardSet, swelling: Spread) -> Spread:
    """Inside width minus what the mean card takes when it is dampest."""
    room = reading.across
    return Spread(
        middle_mm=room.middle_mm - side.size_mm - swelling.middle_mm - cards.thickness_mm,
        half_mm=room.half_mm,
        u_mm=math.hypot(room.u_mm, side.u_mm, cards.u_thickness_mm, swelling.u_all_mm),
    )


def _less(room: Spread, side: _Side, thickness_mm: float, u_thickness_mm: float) -> Spread:
    return Spread(
        middle_mm=room.middle_mm - side.size_mm - thickness_mm,
        half_mm=room.half_mm,
        u_mm=math.hypot(room.u_mm, side.u_mm, u_thickness_mm),
    )


def mean_mm(mixture: Mixture) -> float:
    """The mean of a mixture."""
    return sum(weight * spread.middle_mm for weight, spread in mixture)


def _estimate(mixture: Mixture) -> Estimate:
    low, high = (quantile(mixture, p) for p in _INTERVAL)
    return Estimate(value_mm=mean_mm(mixture), low_mm=low, high_mm=high)


def _trial_for(cards: CardSet, listed: ListedSleeve) -> Trial | None:
    """The user's own trial that speaks for these cards; the last one in the list where there are several."""
    sleeve = listed.sleeve
    for trial in reversed(listed.trials):
        tried, reach = (
            (trial.card_mm, SAME_CARD_MM) if trial.card_mm else ((sleeve.width_mm, sleeve.height_mm), LIKE_QUOTED_MM)
        )
        if max(abs(cards.width_mm - tried[0]), abs(cards.height_mm - tried[1])) <= reach:
            return trial
    return None


def _tried(trial: Trial, modelled: Verdict) -> Verdict:
    """The verdict after a trial. "Went on" leaves the model's word on play, unless that says that it does not go on."""
    if trial.result is TrialResult.NOT:
        return Verdict.NOT
    if trial.result is TrialResult.TIGHT:
        return Verdict.TIGHT
    if trial.result is TrialResult.LOOSE:
        return modelled if modelled.is_stopgap else Verdict.LOOSE
    return Verdict.TIGHT if modelled in (Verdict.NOT, Verdict.MAY_NOT) else modelled
