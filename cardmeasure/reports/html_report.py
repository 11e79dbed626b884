"""The report: one HTML file that needs nothing else, for the screen, for paper, and for a screen reader."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.resources import files

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from cardmeasure import __version__
from cardmeasure.classes import SizeClass
from cardmeasure.conformity.assessing import conformity_words
from cardmeasure.decks import CardName, ClassSummary, DeckSummary
from cardmeasure.decks.counting import CountSource
from cardmeasure.flags import FLAGS
from cardmeasure.reports.print_words import suspicion_words
from cardmeasure.reports.shape_words import shape_words
from cardmeasure.reports.size_map import SizeMap, close_up, overview
from cardmeasure.results import Card, ShotResult, SizeMatch
from cardmeasure.text import printable

COVERAGE_FACTOR = 2
CLEAR = 0.95
MAX_CLOSE_UPS = 24
_SOURCES = {
    CountSource.ENTERED: "entered",
    CountSource.PILE: "estimated from the pile",
    CountSource.PHOTOS: "seen in the photos",
}

SmallPicture = Callable[[ShotResult], bytes | None]
"""The small annotated picture of a shot as JPEG, None where there is none."""


@dataclass(frozen=True, kw_only=True)
class CloseUp:
    """A group of a deck with its map."""

    heading: str
    map: SizeMap


def html_report(
    shots: Sequence[ShotResult],
    *,
    decks: Sequence[DeckSummary],
    classes: Sequence[SizeClass],
    picture: SmallPicture = lambda shot: None,
    title: str = "Card sizes",
) -> str:
    """The whole page. Text from outside is escaped; nothing in it is fetched, and no script runs.

    Parameters
    ----------
    decks : summaries of the same shots.
    classes : the table of nominal size classes, to be drawn into the size map.
    picture : gives the small picture of a shot; where it gives None the outlines are drawn alone.
    """
    counted = [card for shot in shots if shot.duplicate_of is None for card in shot.cards]
    named = [(f"shot-{i}", shot) for i, shot in enumerate(shots, start=1)]
    anchors = {shot.file: anchor for anchor, shot in reversed(named)}
    return (
        _environment()
        .get_template("report.html")
        .render(
            title=printable(title),
            version=__version__,
            measured=[(anchor, shot) for anchor, shot in named if shot.trouble is None],
            refused=[(anchor, shot) for anchor, shot in named if shot.trouble is not None],
            repeated=sum(shot.duplicate_of is not None for shot in shots),
            pieces=len(counted),
            decks=[deck for deck in decks if deck.pieces or deck.deck is not None],
            map=overview(counted, classes=classes),
            close_ups=_close_ups(shots, decks, classes),
            flags=_flags(shots),
            picture=lambda shot: _data_uri(picture(shot)),
            anchor=lambda file: anchors.get(file, "shots"),
            style=Markup(_file("report.css")),
        )
    )


def _environment() -> Environment:
    environment = Environment(
        loader=FunctionLoader(_file), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {
        "suspicion": suspicion_words,
        "plain": lambda text: printable(str(text)),
        "size": _size,
        "class_name": _class_name,
        "class_words": _class_words,
        "card_words": _card_words,
        "count_words": _count_words,
        "scatter": _scatter,
        "outline": _outline,
        "middle": _middle,
        "picture_words": _picture_words,
        "svg": lambda size_map: Markup(size_map.svg),
        "number": lambda count, noun: f"{count} {noun}" if count == 1 else f"{count} {noun}s",
    }
    return environment


def _file(name: str) -> str:
    return files("cardmeasure.reports").joinpath("templates", name).read_text(encoding="utf-8")


def _size(value_mm: float | None, u_mm: float | None) -> str:
    if value_mm is None:
        return "–"
    return f"{value_mm:.2f}" if u_mm is None else f"{value_mm:.2f} ± {COVERAGE_FACTOR * u_mm:.2f}"


def _scatter(value_mm: float | None) -> str:
    return "–" if value_mm is None else f"{value_mm:.2f}"


def _class_name(size_class: str | None) -> str:
    return size_class or "odd size"


def _class_words(match: SizeMatch | None) -> str:
    """The answer of a card in words; one that is not clear says so."""
    if match is None:
        return "–"
    nearest = match.nearest
    near = f", nearest {nearest.size_class} ({nearest.dw_mm:+.2f}, {nearest.dh_mm:+.2f} mm)"
    answer = _class_name(match.size_class)
    if match.probability < CLEAR:
        return f"unclear: {answer} {_percent(match.probability)}, or {_class_name(match.runner_up)}"
    return f"{answer} {_percent(match.probability)}" + (near if match.size_class is None else "")


def _card_words(card: Card) -> str:
    """What a piece is: its size class, or its shape; and whether it conforms, where that was asked."""
    words = shape_words(card) if card.is_sized else ""
    words = words or _class_words(card.match)
    return words if card.conformity is None else f"{words}; {conformity_words(card.conformity)}"


def _percent(probability: float) -> str:
    return "> 99.9 %" if probability > 0.999 else f"{100 * probability:.1f} %"


def _count_words(deck: DeckSummary) -> str:
    count = deck.count
    u = f" ± {COVERAGE_FACTOR * count.u_cards:.0f}" if count.u_cards else ""
    return f"{count.cards}{u} {'card' if count.cards == 1 else 'cards'}, {_SOURCES[count.source]}"


def _outline(card_or_corners: Card | tuple[tuple[float, float], ...]) -> str:
    """Corners as the points of an SVG polygon."""
    if isinstance(card_or_corners, Card):
        corners = card_or_corners.outline_px or card_or_corners.corners_px
    else:
        corners = card_or_corners
    return " ".join(f"{x:.0f},{y:.0f}" for x, y in corners)


def _middle(card: Card) -> tuple[float, float]:
    n = max(1, len(card.corners_px))
    return sum(x for x, _ in card.corners_px) / n, sum(y for _, y in card.corners_px) / n


def _picture_words(shot: ShotResult) -> str:
    """What a shot's picture shows, for those who do not see it."""
    sized = sum(card.is_sized for card in shot.cards)
    words = f"Photo {printable(shot.file)} with {sized} measured {'card' if sized == 1 else 'cards'} outlined"
    rest = len(shot.cards) - sized
    return f"{words}, and {rest} not measured" if rest else words


def _data_uri(jpeg: bytes | None) -> str | None:
    return None if jpeg is None else f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"


def _close_ups(
    shots: Sequence[ShotResult], decks: Sequence[DeckSummary], classes: Sequence[SizeClass]
) -> list[CloseUp]:
    """Maps of the groups with most cards, in the order of the decks."""
    cards = {CardName(file=shot.file, number=card.number): card for shot in shots for card in shot.cards}
    groups = [(deck, group) for deck in decks for group in deck.classes if group.count > 1]
    largest = sorted(groups, key=lambda item: -item[1].count)[:MAX_CLOSE_UPS]
    shown = [item for item in groups if item in largest]
    return [_close_up(i, deck, group, cards, classes) for i, (deck, group) in enumerate(shown, start=1)]


def _close_up(
    number: int, deck: DeckSummary, group: ClassSummary, cards: dict[CardName, Card], classes: Sequence[SizeClass]
) -> CloseUp:
    heading = f"{printable(deck.name)}: {_class_name(group.size_class)}"
    members = [cards[name] for name in group.cards]
    return CloseUp(heading=heading, map=close_up(members, classes=classes, name=heading, prefix=f"near-{number}"))


def _flags(shots: Sequence[ShotResult]) -> list[tuple[str, int, str]]:
    """Every flag met, how often, and what it means."""
    counts = Counter(flag for shot in shots for flag in shot.flags)
    counts.update(flag for shot in shots for card in shot.cards for flag in card.flags)
    return [(code, n, FLAGS[code].meaning if code in FLAGS else "") for code, n in sorted(counts.items())]
