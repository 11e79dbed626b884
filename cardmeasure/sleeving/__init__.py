"""From sizes to sleeves: the sleeve list, how sleeves fit, which packs to buy, whether the box still closes.

from pathlib import Path
from cardmeasure.reports.reading_json import read_results
from cardmeasure.sleeving import card_sets, plan_packs, read_sleeve_list

cards = card_sets(read_results(Path("results.json")), box="My game")
answer = plan_packs(cards, read_sleeve_list(Path("sleeves.csv")))
print(answer.plan.cost, answer.plan.is_proven)
"""

from cardmeasure.sleeving.boxes import card_sets
from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.conditions import Conditions, Humidity, Thresholds
from cardmeasure.sleeving.fit import Fit, fit_of
from cardmeasure.sleeving.plan import Objective, PackPlan, PlanAnswer
from cardmeasure.sleeving.planning import PlanSettings, plan_packs
from cardmeasure.sleeving.shops import Shop, read_shops
from cardmeasure.sleeving.sleeve import ListedSleeve, Offer, Sleeve
from cardmeasure.sleeving.sleeve_list import read_sleeve_list
from cardmeasure.sleeving.storing import store
from cardmeasure.sleeving.verdict import Verdict
from cardmeasure.sleeving.weighing import ranked_fits
from cardmeasure.sleeving.wells import Well, read_wells

__all__ = [
    "CardSet",
    "Conditions",
    "Fit",
    "Humidity",
    "ListedSleeve",
    "Objective",
    "Offer",
    "PackPlan",
    "PlanAnswer",
    "PlanSettings",
    "Shop",
    "Sleeve",
    "Thresholds",
    "Verdict",
    "Well",
    "card_sets",
    "fit_of",
    "plan_packs",
    "ranked_fits",
    "read_shops",
    "read_sleeve_list",
    "read_wells",
    "store",
]
