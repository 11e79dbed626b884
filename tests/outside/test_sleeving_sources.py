"""Fit and plan against published examples and textbook results."""

from __future__ import annotations

import math
from itertools import count

import pytest

from cardmeasure.sleeving.chance import all_go_in, cdf, normal_cdf
from cardmeasure.sleeving.conditions import Humidity
from cardmeasure.sleeving.inside import Spread, growth, least_inside_mm
from cardmeasure.sleeving.planning import plan_packs
from cardmeasure.sleeving.programme import Programme, relaxed_bound, solve
from tests.sleeving_things import cards, listed, offer, sleeve


@pytest.mark.parametrize(
    ("margin", "u", "probability"),
    # JCGM 106:2012, one-sided tolerance intervals (from memory; arithmetic checked)
    [(-5.40 - -5.47, 0.05, 0.92), (509.7 - 490.0, 8.6, 0.99)],
)
def test_one_card_that_goes_in_is_the_conformity_probability_of_jcgm_106(
    margin: float, u: float, probability: float
) -> None:
    assert round(all_go_in(Spread(middle_mm=margin, u_mm=u), scatter_mm=0.0, count=1), 2) == probability


def test_a_two_sided_tolerance_interval_has_the_probability_of_jcgm_106() -> None:
    # JCGM 106:2012: 13.6, u 1.8, interval 12.5 to 16.3 (from memory; arithmetic checked)
    length = Spread(middle_mm=13.6, u_mm=1.8)
    assert round(cdf(length, 16.3) - cdf(length, 12.5), 2) == 0.66


@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_the_normal_distribution_has_the_quantiles_of_jcgm_106_table_1(p: float, z: float) -> None:
    assert normal_cdf(z) == pytest.approx(p, abs=0.002 if p < 0.99 else 0.0002)


def test_a_card_grows_by_the_hygroexpansivity_of_board() -> None:
    # mill tables, cross direction: 20 points of humidity on 63.5 mm are 0.07 to 0.13 mm
    grown = growth(63.5, humidity=Humidity(measured_percent=45, dampest_percent=65))
    assert grown.middle_mm - grown.half_mm == pytest.approx(0.07, abs=0.007)
    assert grown.middle_mm + grown.half_mm == pytest.approx(0.13, abs=0.005)


def test_a_flat_tube_goes_around_a_card() -> None:
    # geometry: the perimeter of a rectangle w x t is 2 (w + t), that of a flat tube 2 W
    width, thickness = 63.0, 0.3
    assert 2 * least_inside_mm(width, thickness_mm=thickness) == pytest.approx(2 * (width + thickness))


def test_packs_of_6_9_and_20_cannot_make_43_and_cover_it_with_44() -> None:
    # coin problem: 43 is the largest number that 6, 9 and 20 cannot make
    def can_make(total: int) -> bool:
        programme = Programme()
        packs = {programme.variable(total): size for size in (6, 9, 20)}
        programme.bound(packs, low=total, high=total)
        return solve(programme, [dict.fromkeys(packs, 1)]) is not None

    assert [total for total in range(1, 60) if not can_make(total)][-1] == 43
    offers = [offer(n, f"{n}.00", line=n) for n in (6, 9, 20)]
    answer = plan_packs([cards(count=43)], [listed(sleeve(), *offers)])
    assert answer.plan is not None
    assert (answer.plan.cost, answer.plan.is_proven) == (44, True)


def test_coins_of_1_3_and_4_make_6_with_two() -> None:
    # textbook (from memory): greed takes 4 + 1 + 1
    programme = Programme()
    coins = {programme.variable(6): value for value in (1, 3, 4)}
    programme.bound(coins, low=6, high=6)
    solution = solve(programme, [dict.fromkeys(coins, 1)])
    assert solution is not None
    assert (solution.objectives, solution.is_proven) == ((2,), True)


def test_the_cutting_stock_example_takes_73_rolls() -> None:
    # Wikipedia, "Cutting stock problem": master 5600; 73 rolls, waste 0.401 %
    master = 5600
    ordered = {1380: 22, 1520: 25, 1560: 12, 1710: 14, 1820: 18, 1880: 18, 1930: 20, 2000: 10, 2050: 12, 2100: 14,
               2140: 16, 2150: 18, 2200: 20}  # fmt: skip
    widths = list(ordered)

    def patterns(room: int, start: int) -> list[dict[int, int]]:
        fits = [i for i in range(start, len(widths)) if widths[i] <= room]
        rest = [
            {**pattern, widths[i]: pattern.get(widths[i], 0) + 1}
            for i in fits
            for pattern in patterns(room - widths[i], i)
        ]
        return rest or [{}]

    programme = Programme()
    rolls = {programme.variable(100): pattern for pattern in patterns(master, 0)}
    for width, number in ordered.items():
        programme.bound({v: pattern[width] for v, pattern in rolls.items() if width in pattern}, low=number)
    terms = dict.fromkeys(rolls, 1)
    solution = solve(programme, [terms])
    assert solution is not None
    assert (solution.objectives, solution.is_proven) == ((73,), True)
    assert math.ceil(relaxed_bound(programme, terms)) <= 73
    used = sum(width * number for width, number in ordered.items())
    assert round(100 * (1 - used / (73 * master)), 3) == 0.401
    assert next(n for n in count(1) if n * master >= used) <= 73
