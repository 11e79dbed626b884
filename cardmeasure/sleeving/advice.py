"""What to mind about a sleeve beside its size, why one is rejected, and what people do where none fits: in words."""

from __future__ import annotations

from cardmeasure.decks.records import Handling
from cardmeasure.sleeving.conditions import Conditions
from cardmeasure.sleeving.fit import Fit, mean_mm
from cardmeasure.sleeving.sleeve import Mark, Opening, Quoted, Sleeve
from cardmeasure.sleeving.verdict import Verdict

THIN_UM, HEAVY_UM = 60.0, 90.0
"""Walls up to and from which a film is called thin and heavy (from memory)."""
_GLOSSY = ("gloss", "clear", "transparent")
_QUOTED_WORDS = {
    Quoted.CARD: "the card that fits",
    Quoted.INSIDE: "the inside",
    Quoted.OUTSIDE: "the outside with seams",
}
CAUTION = (
    "Caution: blades cut and heat burns, and laminating films give off fumes. Follow the maker's instructions and "
    "local rules, keep both from children, and leave it to a print shop if you are not used to it. Cutting or "
    "laminating a card cannot be undone: try it on a card you can spare."
)
WAYS_OUT = (
    "People cut larger sleeves down at the open end or re-weld them at the side, use a larger size as a stopgap, or "
    "laminate and trim."
)


def warnings(fit: Fit) -> tuple[str, ...]:
    """What to mind about a sleeve that goes on: marks, film, finish, stopgaps, what is not known."""
    sleeve = fit.sleeve
    said = [*drawbacks(fit)]
    if fit.verdict.is_stopgap:
        said.append(f"a stopgap only: {stopgap_reason(fit)}")
    if sleeve.opening is Opening.LONG:
        said.append("opens at the long side: cards slip out more easily")
    if sleeve.quoted is None and fit.trial is None:
        said.append("the list does not say what the size means; ask the maker, or try one")
    return tuple(said)


def _of_marks(sleeve: Sleeve, handling: Handling | None) -> list[str]:
    if sleeve.mark is Mark.FRONT:
        return ["maker's mark on the front: it may hide text"]
    if sleeve.mark is Mark.BACK:
        word = "in public it" if handling is Handling.IN_PUBLIC else "it"
        return [f"maker's mark on the back: {word} can give cards away where some sit the other way up"]
    return []


def _of_film(sleeve: Sleeve, handling: Handling | None) -> list[str]:
    said = []
    film, finish = sleeve.film_um, (sleeve.finish or "").lower()
    is_handled = handling in (Handling.OFTEN, Handling.IN_PUBLIC)
    if film is not None and film <= THIN_UM and is_handled:
        said.append(f"film of {film:g} um is thin for cards handled {handling}")
    if film is not None and film >= HEAVY_UM and handling is Handling.RARELY:
        said.append(f"film of {film:g} um is heavier than rare handling asks for, and fattens the deck")
    if any(word in finish for word in _GLOSSY) and handling is Handling.IN_PUBLIC:
        said.append("glossy film shows glare and fingerprints in public; matt hides them")
    if (sleeve.material or "").upper().startswith("PVC"):
        said.append("PVC may let plasticiser go over the years; PP or PET are usual for keeping (common practice)")
    return said


def drawbacks(fit: Fit) -> tuple[str, ...]:
    """What speaks against a sleeve beside its size: marks, and film and finish weighed against the handling."""
    sleeve, handling = fit.sleeve, fit.cards.handling
    return (*_of_marks(sleeve, handling), *_of_film(sleeve, handling))


def reason(fit: Fit, *, conditions: Conditions) -> str:
    """Why a fit has its verdict, with the figures."""
    if fit.trial is not None:
        return f"own trial: {fit.trial.result} (the model says {percent(fit.probability)})"
    if fit.verdict in (Verdict.NOT, Verdict.MAY_NOT):
        return _too_narrow(fit)
    if fit.verdict.is_stopgap:
        return stopgap_reason(fit)
    play, overhang = mean_mm(fit.plays), mean_mm(fit.overhangs)
    limits = conditions.thresholds
    bounds = {
        Verdict.TIGHT: f"below {limits.tight_mm:g} mm",
        Verdict.CLOSE: f"{limits.tight_mm:g} to {limits.close_mm:g} mm",
        Verdict.LOOSE: f"{limits.close_mm:g} to {limits.loose_mm:g} mm",
    }[fit.verdict]
    return f"{play:.1f} mm of play ({bounds}), film {overhang:.1f} mm beyond the card"


def _too_narrow(fit: Fit) -> str:
    inside = " or ".join(
        f"{chance.reading.across.middle_mm:.1f}" for chance in sorted(fit.chances, key=lambda c: c.probability)
    )
    of = ""
    if len(fit.chances) > 1:
        of = ", as the size may mean " + ", ".join(
            _QUOTED_WORDS[c.reading.quoted] for c in sorted(fit.chances, key=lambda c: c.probability)
        )
    return (
        f"the mean card takes {fit.needed_mm:.1f} mm inside when damp, the sleeve has {inside} mm{of}; "
        f"all {fit.cards.total} go in with {percent(fit.probability)}"
    )


def stopgap_reason(fit: Fit) -> str:
    """Why a sleeve that goes on is a stopgap only."""
    if fit.verdict is Verdict.EDGE_BARE:
        return f"the card sticks out {-mean_mm(fit.overhangs):.1f} mm at the mouth, its edge is bare"
    if fit.verdict is Verdict.TOO_SHORT:
        return f"the card sticks out {-mean_mm(fit.overhangs):.0f} mm at the mouth"
    if fit.verdict is Verdict.TOO_LONG:
        return f"film {mean_mm(fit.overhangs):.0f} mm beyond the card"
    return f"{mean_mm(fit.plays):.1f} mm of play in width wears the card and fattens the deck"


def percent(probability: float) -> str:
    """A probability in per cent, never rounded to certainty either way."""
    if probability > 0.999:
        return ">99.9 %"
    if probability < 0.001:
        return "<0.1 %"
    return f"{100 * probability:.1f} %" if probability < 0.1 or probability > 0.9 else f"{100 * probability:.0f} %"
