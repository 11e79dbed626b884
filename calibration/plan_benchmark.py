"""How long a pack plan takes, and how far it is proven: 40 decks, 500 products, 5 shops, drawn from a fixed seed.

python -m calibration.plan_benchmark [DECKS PRODUCTS]
"""

from __future__ import annotations

import random
import sys
import time
from decimal import Decimal

from cardmeasure.sleeving import CardSet, ListedSleeve, Offer, PlanSettings, Shop, Sleeve, plan_packs
from cardmeasure.sleeving.sleeve import Quoted

SIZES = (
    (63.0, 88.0), (57.0, 88.0), (41.0, 63.0), (44.0, 68.0), (59.0, 92.0), (70.0, 120.0), (70.0, 70.0), (80.0, 80.0),
    (63.5, 88.9), (50.0, 75.0),
)  # fmt: skip
SHOPS = 5


def cards(number: int, rng: random.Random) -> CardSet:
    """A deck of one of the sizes."""
    width, height = (side + rng.uniform(-0.3, 0.3) for side in rng.choice(SIZES))
    return CardSet(
        box="box", deck=f"deck {number}", size_class=None, count=rng.randint(5, 180), width_mm=width, height_mm=height,
        u_width_mm=0.05, u_height_mm=0.06, scatter_width_mm=0.08, scatter_height_mm=0.08,
    )  # fmt: skip


def product(number: int, rng: random.Random) -> ListedSleeve:
    """A product of about one of the sizes, with its meaning, in one to three shops."""
    width, height = rng.choice(SIZES)
    sleeve = Sleeve(
        maker=f"maker {number % 8}", product=f"product {number}", width_mm=round(width + rng.uniform(0, 2), 1),
        height_mm=round(height + rng.uniform(0, 3), 1), quoted=rng.choice([*Quoted]),
    )  # fmt: skip
    offers = []
    for shop in rng.sample(range(SHOPS), rng.randint(1, 3)):
        count = rng.choice([50, 55, 100, 110, 200])
        price = Decimal(int(count * rng.uniform(1.5, 9)) + 50) / 100
        offers.append(
            Offer(shop=f"shop {shop}", pack_count=count, price=price, currency="EUR", line=10 * number + shop)
        )
    return ListedSleeve(sleeve=sleeve, offers=tuple(offers))


def main(decks: int, products: int) -> None:
    """Draw, plan and print."""
    rng = random.Random(1)
    sets, sleeves = [cards(i, rng) for i in range(decks)], [product(i, rng) for i in range(products)]
    free_above = (None, Decimal(40))
    shops = [Shop(name=f"shop {i}", shipping=Decimal("3.90"), free_above=free_above[i % 2]) for i in range(SHOPS)]
    begun = time.perf_counter()
    answer = plan_packs(sets, sleeves, shops=shops, settings=PlanSettings(spares=0.05))
    spent = time.perf_counter() - begun
    plan = answer.plan
    if plan is None:
        print("nothing to buy")
        return
    print(
        f"{decks} decks, {products} products, {SHOPS} shops: {spent:.1f} s "
        f"with {len(answer.alternatives)} other plans, "
        f"{plan.cost} EUR, {'proven' if plan.is_proven else f'not proven, gap {100 * plan.gap:.1f} %'}; "
        f"{len(answer.uncovered)} decks without sleeves"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3])) if len(sys.argv) > 2 else main(40, 500)
