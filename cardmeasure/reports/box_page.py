"""The box page for publishing, as HTML or Markdown: sizes, counts, sleeves, claims against findings, how sure it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from cardmeasure import __version__
from cardmeasure.classes import SizeClass, standard_classes
from cardmeasure.reports.json_decks import Record
from cardmeasure.reports.reading_plan import PlanDeck
from cardmeasure.reports.sleeving_pages import html_pages, markdown_pages
from cardmeasure.results import ShotResult
from cardmeasure.sleeving.advice import percent
from cardmeasure.sleeving.box_info import BoxInfo, Claim
from cardmeasure.sleeving.card_set import CardSet

AGREES_MM = 1.0
"""Cuts of one name differ by so much: a claim within it, and twice u, is taken to agree; common practice, no source."""
_SCALES = {
    "entered": "lengths on the printed reference read by hand",
    "bank-card": "a bank card in the photo (ISO/IEC 7810)",
    "assumed": "taken for 100 %: sizes may be off by some tenths of a per cent",
}


def box_page(
    cards: Sequence[CardSet],
    shots: Sequence[ShotResult],
    *,
    info: BoxInfo,
    plan: Mapping[CardSet, PlanDeck] | None,
    unmeasured: Sequence[str] = (),
    is_markdown: bool = False,
    explains: bool = False,
) -> str:
    """The whole page; it asks for nothing from the network.

    Parameters
    ----------
    cards, shots : what was measured.
    info : what is said of the box.
    plan : what sets of cards get, None where there is no plan.
    unmeasured : decks of which no card has a size.
    is_markdown : Markdown instead of HTML.
    explains : whether it shows how sizes and fits come about.
    """
    pages, name = (markdown_pages(), "box_page.md") if is_markdown else (html_pages(), "box_page.html")
    text: str = pages.get_template(name).render(
        title=info.name or cards[0].box,
        facts=[fact for fact in (info.edition, info.language, info.date and info.date.isoformat()) if fact],
        text=info.text or "",
        decks=[_deck(each, (plan or {}).get(each)) for each in cards],
        unmeasured=list(unmeasured),
        claims=[_claim(claim, cards) for claim in info.claims],
        sleeves=_needs((plan or {}).values()),
        paid_by=info.sleeves_paid_by or "",
        has_plan=plan is not None,
        measured=_measured(cards, shots),
        explains=explains,
        version=__version__,
    )
    return text.rstrip() + "\n"


def _deck(cards: CardSet, bought: PlanDeck | None) -> Record:
    scatter = cards.scatter_width_mm, cards.scatter_height_mm
    return {
        "name": cards.name,
        "count": cards.count,
        "expected": cards.expected,
        "width": f"{cards.width_mm:.2f}",
        "height": f"{cards.height_mm:.2f}",
        "U_width": f"{2 * cards.u_width_mm:.2f}",
        "U_height": f"{2 * cards.u_height_mm:.2f}",
        "kind": _class_name(cards.size_class),
        "measured": cards.measured,
        "scatter": "" if None in scatter else f"{max(s or 0.0 for s in scatter):.2f}",
        "thickness": f"{cards.thickness_mm:.2f} ± {2 * cards.u_thickness_mm:.2f}",
        "remarks": list(cards.remarks),
        "sleeve": None if bought is None else _fit(bought),
        "bare": cards.leave_bare,
        "worn": cards.sleeved_with or "",
    }


def _class_name(size_class: str | None) -> str:
    if size_class is None:
        return "odd size"
    found: SizeClass | None = next((c for c in standard_classes() if c.id == size_class), None)
    return ", ".join(found.names) if found else size_class


def _fit(deck: PlanDeck) -> Record:
    fit = deck.fit
    return {
        "name": fit.sleeve.name,
        "size": fit.sleeve.size,
        "verdict": fit.verdict.value,
        "reason": fit.reason,
        "sleeves": deck.sleeves,
        "trial": fit.own_trial or "",
        "probability": percent(fit.probability),
        "play": f"{fit.play_mm.low:.1f} to {fit.play_mm.high:.1f}",
        "overhang": f"{fit.overhang_mm.low:.1f} to {fit.overhang_mm.high:.1f}",
    }


def _needs(decks: Iterable[PlanDeck]) -> list[Record]:
    """Sleeves needed in all, by product."""
    counts: Counter[str] = Counter()
    for deck in decks:
        counts[f"{deck.fit.sleeve.name}, {deck.fit.sleeve.size} mm"] += deck.sleeves
    return [{"name": name, "sleeves": count} for name, count in counts.items()]


def _claim(claim: Claim, cards: Sequence[CardSet]) -> Record:
    """A claim beside what was found, and whether they agree."""
    here = [each for each in cards if each.deck.lower() == claim.deck.lower()]
    said, found, agrees = [], [], []
    if claim.count is not None:
        said.append(f"{claim.count} cards")
    if claim.width_mm is not None:
        said.append(f"{claim.width_mm:g} x {claim.height_mm:g} mm")
    if not here:
        return {"deck": claim.deck, "said": ", ".join(said), "found": "nothing was measured", "agrees": "not known"}
    count = sum(each.count for each in here)
    found.append(f"{count} cards")
    if claim.count is not None:
        agrees.append(
            "count agrees" if count == claim.count else f"{abs(count - claim.count)} {_less(count, claim.count)}"
        )
    found += [f"{each.width_mm:.1f} x {each.height_mm:.1f} mm" for each in here]
    if claim.width_mm is not None:
        agrees.append(_size_agrees(claim, here))
    return {"deck": claim.deck, "said": ", ".join(said), "found": ", ".join(found), "agrees": "; ".join(agrees)}


def _less(found: int, claimed: int) -> str:
    return "fewer" if found < claimed else "more"


def _size_agrees(claim: Claim, here: Sequence[CardSet]) -> str:
    """Whether all sizes of a deck lie within a millimetre, and twice u, of what is claimed."""
    worst = max(
        max(
            abs(each.width_mm - (claim.width_mm or 0.0)) - 2 * each.u_width_mm,
            abs(each.height_mm - (claim.height_mm or 0.0)) - 2 * each.u_height_mm,
        )
        for each in here
    )
    if worst <= AGREES_MM:
        return f"size agrees within {AGREES_MM:g} mm"
    dw, dh = here[0].width_mm - (claim.width_mm or 0.0), here[0].height_mm - (claim.height_mm or 0.0)
    return f"size differs by {dw:+.1f}, {dh:+.1f} mm"


def _measured(cards: Sequence[CardSet], shots: Sequence[ShotResult]) -> Record:
    used = [shot for shot in shots if shot.reference is not None]
    sources = sorted({shot.reference.scale_source for shot in used if shot.reference is not None})
    return {
        "photos": len(used),
        "cards": sum(each.measured for each in cards),
        "scale": "; ".join(_SCALES.get(source, source) for source in sources),
        "worst": f"{2 * max(max(each.u_width_mm, each.u_height_mm) for each in cards):.2f}",
    }
