"""Fits as plain text: for each set of cards all sleeves side by side, why some are rejected, what to mind."""

from __future__ import annotations

from collections.abc import Sequence

from cardmeasure.reports.columns import aligned
from cardmeasure.sleeving.advice import percent, reason, warnings
from cardmeasure.sleeving.card_set import CardSet
from cardmeasure.sleeving.conditions import Conditions
from cardmeasure.sleeving.fit import Fit, mean_mm
from cardmeasure.sleeving.money import shown_amount
from cardmeasure.sleeving.sleeve import ListedSleeve, Sleeve
from cardmeasure.sleeving.verdict import Verdict
from cardmeasure.text import display_width, printable, wrapped

NEAR_WIDTH_MM, NEAR_HEIGHT_MM = (-3.5, 5.5), (-4.0, 10.0)
"""A sleeve whose quoted sides differ from the card's by what lies outside is of another size."""
LEAST_SHOWN = 3
"""Where fewer sleeves are of the size, the best of the others that go on are shown, too."""
_NAME_LETTERS, _LEAST_MAKER = 24, 4
_HEADING = ("Maker and product", "Pack, mm", "Means", "All in", "Play", "Over", "/100", "Verdict")


def fit_text(
    cards: CardSet, fits: Sequence[Fit], *, conditions: Conditions, width: int, shows_all: bool = False
) -> str:
    """The table of one set of cards, the best sleeve first."""
    shown = list(fits) if shows_all else worth_showing(fits)
    lines = [*cards_lines(cards, width=width), *_table(shown, width=width)]
    if hidden := len(fits) - len(shown):
        lines.append(f"  {hidden} more on the list are of other sizes; --all shows them.")
    rejected = [fit for fit in shown if fit.verdict in (Verdict.NOT, Verdict.MAY_NOT) or fit.verdict.is_stopgap]
    if rejected:
        lines.append("  Rejected, or a stopgap only:")
    for fit in rejected:
        words = f"{fit.sleeve.name}: {fit.verdict}: {reason(fit, conditions=conditions)}."
        lines += wrapped(printable(words), first="    ", then="      ", width=width)
    minded = [(fit, said) for fit in shown if fit not in rejected and (said := _minded(fit, conditions))]
    if minded:
        lines.append("  To mind:")
    for fit, said in minded:
        lines += wrapped(printable(f"{fit.sleeve.name}: {'; '.join(said)}."), first="    ", then="      ", width=width)
    return "\n".join(lines) + "\n"


def fit_notes(conditions: Conditions, *, currencies: Sequence[str], width: int) -> str:
    """What the columns mean, said once."""
    limits, air = conditions.thresholds, conditions.humidity
    notes = (
        f"All in: probability that every card of the deck goes in, measured at {air.measured_percent:g} % humidity, "
        f"used at up to {air.dampest_percent:g} %.",
        "Play: inside width minus what the mean card takes, mm. Over: film beyond the card's edge at the mouth, mm.",
        f"Verdicts (common practice; --limit sets them): below {percent(limits.never)} does not go on, below "
        f"{percent(limits.sure)} may not; play below {limits.tight_mm:g} mm tight, {limits.close_mm:g} close, "
        f"{limits.loose_mm:g} loose, above much too wide; card out by more than {limits.bare_mm:g} mm edge bare.",
        "Means: what the size on the pack is: the card that fits, the inside, the outside; ? is not known, and all "
        "that can be count. Tried: your own trial decides.",
        f"/100: price of a hundred sleeves where they are cheapest{currency_words(currencies)}.",
    )
    lines = [line for note in notes for line in wrapped(note, first="  ", then="    ", width=width)]
    return "\n".join(["Notes:", *lines]) + "\n"


def explained_cards(fit: Fit, *, conditions: Conditions, width: int) -> list[str]:
    """What a set of cards needs, with its figures."""
    cards = fit.cards
    lines = [
        f"card {cards.width_mm:.2f} x {cards.height_mm:.2f} mm (u {cards.u_width_mm:.3f}, {cards.u_height_mm:.3f}), "
        f"{cards.thickness_mm:.2f} mm thick (u {cards.u_thickness_mm:.3f}), mean of {cards.measured}",
        f"needs inside W >= w + growth + t = {fit.needed_mm:.2f} mm (a flat tube: 2 W >= 2 (w + t)); growth over "
        f"{conditions.humidity.rise_points:g} points of humidity, 0.005 to 0.010 % a point (grain unknown: across it)",
        f"from card to card and sleeve to sleeve s = {fit.scatter_mm:.3f} mm; all {cards.total}: Phi(m / s)^n, "
        "averaged over the margin m",
    ]
    return [x for line in lines for x in wrapped(printable(line), first="    ", then="      ", width=width)]


def explained(fit: Fit, *, conditions: Conditions, width: int) -> list[str]:
    """One fit with its figures, line by line: what an engineer would audit."""
    habits = conditions.habits
    lines = [f"{fit.sleeve.name}, {fit.sleeve.size} mm on the pack: {fit.verdict}"]
    for chance in fit.chances:
        room, margin = chance.reading.across, chance.margin
        lines.append(
            f"read as {chance.reading.quoted} (weight {chance.reading.weight:.2f}): inside {room.middle_mm:.2f} mm "
            f"± {room.half_mm:.2f} (rectangular), tolerance u {room.u_mm:.2f}; margin {margin.middle_mm:+.2f} mm, "
            f"u {margin.u_all_mm:.2f}; all go in with {percent(chance.probability)}"
        )
    lines.append(
        f"play {fit.play.value_mm:.2f} mm (95 %: {fit.play.low_mm:.2f} to {fit.play.high_mm:.2f}), film beyond the "
        f"card {fit.overhang.value_mm:.2f} mm ({fit.overhang.low_mm:.2f} to {fit.overhang.high_mm:.2f}); maker's "
        f"tolerance {habits.tolerance_mm if fit.sleeve.tolerance_mm is None else fit.sleeve.tolerance_mm:g} mm"
    )
    head, *rest = lines
    return [
        *wrapped(printable(head), first="    ", then="      ", width=width),
        *(line for text in rest for line in wrapped(printable(text), first="      ", then="        ", width=width)),
    ]


def cards_lines(cards: CardSet, *, width: int) -> list[str]:
    """A set of cards: name, mean size with U, how many, class, handling; and what is remarked about it."""
    kind = cards.size_class or "odd size"
    u = f"± {2 * cards.u_width_mm:.2f}, ± {2 * cards.u_height_mm:.2f}"
    words = (
        f"{cards.name}: {cards.width_mm:.2f} x {cards.height_mm:.2f} mm ({u}), {kind}, "
        f"{cards_words(cards)}{f', handled {cards.handling}' if cards.handling else ''}"
    )
    lines = wrapped(printable(words), first="", then="  ", width=width)
    for remark in cards.remarks:
        lines += wrapped(printable(remark), first="  ! ", then="    ", width=width)
    return lines


def cards_words(cards: CardSet) -> str:
    """How many cards: `110 cards and 20 expected`."""
    number = f"{cards.count} card" if cards.count == 1 else f"{cards.count} cards"
    number += " as photographed" if cards.is_counted_in_photos else ""
    return f"{number} and {cards.expected} expected" if cards.expected else number


def worth_showing(fits: Sequence[Fit]) -> list[Fit]:
    """The fits of sleeves of about the cards' size, in their order; where these are few, the next best, too."""
    near = [fit for fit in fits if _is_of_size(fit)]
    others = [fit for fit in fits if fit not in near and fit.verdict not in (Verdict.NOT, Verdict.MAY_NOT)]
    kept = near + others[: max(0, LEAST_SHOWN - len(near))]
    return [fit for fit in fits if fit in kept]


def _is_of_size(fit: Fit) -> bool:
    sleeve, cards = fit.sleeve, fit.cards
    is_wide = NEAR_WIDTH_MM[0] <= sleeve.width_mm - cards.width_mm <= NEAR_WIDTH_MM[1]
    is_high = NEAR_HEIGHT_MM[0] <= sleeve.height_mm - cards.height_mm <= NEAR_HEIGHT_MM[1]
    return fit.trial is not None or (is_wide and is_high)


def short_name(sleeve: Sleeve) -> str:
    """Maker and product, the maker shortened where both are long: the product is what tells sleeves apart."""
    room = _NAME_LETTERS - display_width(sleeve.product) - 1
    if display_width(sleeve.maker) <= room or room < _LEAST_MAKER:
        return sleeve.name
    return f"{sleeve.maker[: room - 1].rstrip()}. {sleeve.product}"


def currency_words(currencies: Sequence[str]) -> str:
    """In which currencies prices stand: `, in EUR`."""
    named = [currency for currency in dict.fromkeys(currencies) if currency]
    return f", in {' or '.join(named)}" if named else ""


def price_words(listed: ListedSleeve) -> str:
    """Price of a hundred where it is cheapest: `4.50 EUR`."""
    offer = listed.cheapest
    if offer is None or offer.price_per_100 is None:
        return "-"
    return shown_amount(offer.price_per_100, offer.currency)


def _table(fits: Sequence[Fit], *, width: int) -> list[str]:
    if not fits:
        return ["  No sleeve on the list is anywhere near this size."]
    currencies = {fit.listed.cheapest.currency for fit in fits if fit.listed.cheapest}
    rows = [_row(fit, names_currency=len(currencies) > 1) for fit in fits]
    return aligned(_HEADING, rows, width=width, right=(3, 4, 5, 6), gap=" ")


def _row(fit: Fit, *, names_currency: bool) -> tuple[str, ...]:
    sleeve, price = fit.sleeve, price_words(fit.listed)
    return (
        short_name(sleeve),
        f"{sleeve.width_mm:g}x{sleeve.height_mm:g}",
        sleeve.quoted or "?",
        "tried" if fit.trial else percent(fit.probability).replace(" ", ""),
        f"{mean_mm(fit.plays):.1f}",
        f"{mean_mm(fit.overhangs):.1f}",
        price if names_currency else price.partition(" ")[0],
        fit.verdict.value,
    )


def _minded(fit: Fit, conditions: Conditions) -> list[str]:
    said = [reason(fit, conditions=conditions)] if fit.trial else []
    return [*said, *warnings(fit)]
