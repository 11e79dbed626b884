"""Fit: the probability that all cards go in, play, overhang, verdicts, trials, what to mind."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from cardmeasure.decks.records import Handling
from cardmeasure.errors import UsageError
from cardmeasure.sleeving.advice import reason, warnings
from cardmeasure.sleeving.chance import all_go_in, cdf, quantile
from cardmeasure.sleeving.conditions import Conditions, Humidity, Thresholds, parse_humidity, parse_thresholds
from cardmeasure.sleeving.fit import Fit, fit_of, mean_mm
from cardmeasure.sleeving.inside import Spread, readings
from cardmeasure.sleeving.sleeve import Mark, Opening, Quoted, Sleeve, Trial, TrialResult
from cardmeasure.sleeving.verdict import Verdict, parse_accept, verdict_of
from cardmeasure.sleeving.weighing import ranked_fits
from tests.sleeving_things import cards, listed, sleeve

lengths = st.floats(-3.0, 3.0)
spreads = st.builds(Spread, middle_mm=lengths, half_mm=st.floats(0.0, 1.5), u_mm=st.floats(0.01, 1.0))


def fit(
    what: Sleeve, *, trials: tuple[Trial, ...] = (), conditions: Conditions = Conditions(), **of_cards: object
) -> Fit:
    return fit_of(cards(**of_cards), listed(what, trials=trials), conditions=conditions)  # type: ignore[arg-type]


@given(spreads, st.floats(0.01, 0.5), st.integers(1, 300))
def test_more_cards_and_less_room_never_go_in_more_surely(margin: Spread, scatter: float, count: int) -> None:
    p = all_go_in(margin, scatter_mm=scatter, count=count)
    less = Spread(middle_mm=margin.middle_mm - 0.2, half_mm=margin.half_mm, u_mm=margin.u_mm)
    assert 0.0 <= p <= 1.0
    assert all_go_in(margin, scatter_mm=scatter, count=count + 50) <= p + 1e-6
    assert all_go_in(less, scatter_mm=scatter, count=count) <= p + 1e-6


@given(lengths, st.floats(0.05, 1.0), st.floats(0.05, 0.5))
def test_one_card_is_a_normal_with_both_spreads(middle: float, u: float, scatter: float) -> None:
    p = all_go_in(Spread(middle_mm=middle, u_mm=u), scatter_mm=scatter, count=1)
    assert p == pytest.approx(stats.norm.cdf(middle / math.hypot(u, scatter)), abs=1e-6)


@given(spreads, st.floats(-4.0, 4.0))
def test_a_rectangle_and_a_normal_add_up(spread: Spread, x: float) -> None:
    nodes = (np.arange(4000) + 0.5) / 2000 - 1
    inner = stats.norm.cdf((x - spread.middle_mm - spread.half_mm * nodes) / spread.u_mm)
    assert cdf(spread, x) == pytest.approx(float(inner.mean()), abs=1e-3)


def test_many_cards_agree_with_a_simulation() -> None:
    rng = np.random.default_rng(5)
    margin, scatter, n = Spread(middle_mm=0.5, half_mm=0.4, u_mm=0.2), 0.12, 60
    common = margin.middle_mm + rng.uniform(-0.4, 0.4, 20_000) + rng.normal(0, 0.2, 20_000)
    worst = scatter * rng.normal(size=(20_000, n)).min(axis=1)
    assert all_go_in(margin, scatter_mm=scatter, count=n) == pytest.approx(np.mean(common + worst > 0), abs=0.01)


@given(st.lists(spreads, min_size=1, max_size=3), st.floats(0.02, 0.98))
def test_a_quantile_is_where_the_distribution_says(parts: list[Spread], p: float) -> None:
    mixture = [(1 / len(parts), part) for part in parts]
    x = quantile(mixture, p)
    assert sum(weight * cdf(part, x - 2e-4) for weight, part in mixture) <= p
    assert sum(weight * cdf(part, x + 2e-4) for weight, part in mixture) >= p


@given(st.floats(60.0, 70.0), st.sampled_from([None, *Quoted]))
def test_a_wider_sleeve_never_goes_on_less_surely(width: float, quoted: Quoted | None) -> None:
    narrow, wide = (fit(sleeve(width=w, height=92.0, quoted=quoted)) for w in (width, width + 0.3))
    assert narrow.probability <= wide.probability + 1e-6
    assert mean_mm(narrow.plays) < mean_mm(wide.plays)


def test_not_knowing_what_the_size_means_widens_the_answer() -> None:
    known = [fit(sleeve(width=65.0, height=90.0, quoted=quoted)) for quoted in Quoted]
    unknown = fit(sleeve(width=65.0, height=90.0, quoted=None))
    assert unknown.probability == pytest.approx(sum(f.probability for f in known) / 3)
    assert unknown.play.low_mm <= min(f.play.value_mm for f in known)
    assert unknown.play.high_mm >= max(f.play.value_mm for f in known)


def test_a_size_name_rules_out_what_no_card_of_that_name_would_go_into() -> None:
    def kept(name: str | None, width: float = 57.5) -> list[Quoted]:
        what = sleeve(width=width, height=89.0, quoted=None, size_name=name)
        return [reading.quoted for reading in readings(what, habits=Conditions().habits)]

    assert kept("Bridge") == kept("standard american") == [Quoted.CARD, Quoted.INSIDE]
    assert kept(None) == kept("large and nice") == list(Quoted)
    assert kept("bridge", width=60.0) == list(Quoted)
    assert kept("tarot") == list(Quoted)  # contradicts all: then the name is not believed


def test_the_meaning_of_a_size_orders_the_room_inside() -> None:
    rooms = [readings(sleeve(quoted=quoted), habits=Conditions().habits)[0].across.middle_mm for quoted in Quoted]
    card, inside, outside = rooms
    assert card > inside > outside
    assert inside == 63.5


def test_damp_air_and_thick_cards_need_more_room() -> None:
    what = sleeve(width=64.0, height=90.0, quoted=Quoted.INSIDE)
    damp = Conditions(humidity=Humidity(measured_percent=30, dampest_percent=80))
    assert fit(what, conditions=damp).probability < fit(what).probability
    assert fit(what, thickness_mm=0.5).probability < fit(what).probability


def test_a_long_opening_turns_the_card() -> None:
    turned = fit(sleeve(width=63.0, height=89.5, quoted=Quoted.INSIDE, opening=Opening.LONG))
    assert mean_mm(turned.plays) == pytest.approx(89.5 - 88.0 - 0.3)
    assert mean_mm(turned.overhangs) == pytest.approx(63.0 - 63.0 - 0.15)
    assert any("long side" in said for said in warnings(turned))


@pytest.mark.parametrize(
    ("probability", "play", "overhang", "verdict"),
    [
        (0.05, 1.5, 1.0, Verdict.NOT),
        (0.5, 1.5, 1.0, Verdict.MAY_NOT),
        (0.95, 0.5, 1.0, Verdict.TIGHT),
        (0.95, 1.5, 1.0, Verdict.CLOSE),
        (0.95, 3.0, 1.0, Verdict.LOOSE),
        (0.95, 6.0, 1.0, Verdict.TOO_WIDE),
        (0.95, 1.5, -1.0, Verdict.EDGE_BARE),
        (0.95, 1.5, -9.0, Verdict.TOO_SHORT),
        (0.95, 1.5, 12.0, Verdict.TOO_LONG),
    ],
)
def test_verdicts_follow_the_thresholds(probability: float, play: float, overhang: float, verdict: Verdict) -> None:
    assert verdict_of(probability, play_mm=play, overhang_mm=overhang, limits=Thresholds()) is verdict


def test_a_standard_sleeve_is_only_a_stopgap_for_57_x_89() -> None:
    # common practice, no source: tall enough, but some 6 mm too wide
    found = fit(sleeve(width=63.5, height=88.0 + 1.5, quoted=Quoted.INSIDE), width=57.0, height=89.0)
    assert found.verdict is Verdict.TOO_WIDE
    assert any("stopgap" in said for said in warnings(found))


@pytest.mark.parametrize(
    ("result", "verdict"),
    [
        (TrialResult.NOT, Verdict.NOT),
        (TrialResult.TIGHT, Verdict.TIGHT),
        (TrialResult.LOOSE, Verdict.LOOSE),
        (TrialResult.WENT_ON, Verdict.CLOSE),
    ],
)
def test_the_users_own_trial_overrides_the_model_and_is_said(result: TrialResult, verdict: Verdict) -> None:
    found = fit(sleeve(), trials=(Trial(result=result),))
    assert found.verdict is verdict
    assert reason(found, conditions=Conditions()).startswith(f"own trial: {result}")


def test_a_trial_with_another_card_says_nothing() -> None:
    trial = Trial(result=TrialResult.NOT, card_mm=(57.0, 88.0))
    assert fit(sleeve(), trials=(trial,)).trial is None


def test_marks_film_and_finish_are_weighed_against_the_handling() -> None:
    what = sleeve(mark=Mark.BACK, film_um=50.0, finish="clear gloss")
    rarely, public = (" ".join(warnings(fit(what, handling=h))) for h in (Handling.RARELY, Handling.IN_PUBLIC))
    assert "give cards away" in rarely and "thin" not in rarely
    assert "thin" in public and "glare" in public
    assert "hide text" in " ".join(warnings(fit(sleeve(mark=Mark.FRONT))))


def test_the_narrowest_sleeve_that_goes_on_ranks_first() -> None:
    sizes = [66.0, 64.8, 63.4, 72.0]
    sleeves = [listed(sleeve(f"{w:g}", width=w, height=90.0, quoted=Quoted.INSIDE)) for w in sizes]
    ranked = ranked_fits(cards(), sleeves, conditions=Conditions())
    assert [f.sleeve.width_mm for f in ranked] == [64.8, 66.0, 72.0, 63.4]


@pytest.mark.parametrize("text", ["40", "70:40", "40:101", "a:b", "nan:50", ""])
def test_a_wrong_humidity_is_told(text: str) -> None:
    with pytest.raises(UsageError, match="40:70"):
        parse_humidity(text)


@pytest.mark.parametrize("text", ["tight=1", "tight_mm", "tight_mm=-1", "tight_mm=9", "sure=2", "bare_mm=50"])
def test_a_wrong_threshold_is_told(text: str) -> None:
    with pytest.raises(UsageError, match="limit"):
        parse_thresholds([text])


def test_thresholds_and_the_verdict_to_accept_can_be_set() -> None:
    assert parse_thresholds(["tight_mm=0.4", "sure=0.9"]) == Thresholds(tight_mm=0.4, sure=0.9)
    assert parse_accept("Edge-Bare") is Verdict.EDGE_BARE
    with pytest.raises(UsageError, match="close, tight, loose"):
        parse_accept("does not go on")
