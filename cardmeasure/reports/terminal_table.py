"""Results as plain text for a terminal or a pipe: no colour, no frames, nothing wider than asked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from cardmeasure.conformity.assessing import conformity_words
from cardmeasure.flags import FLAGS
from cardmeasure.reports.print_words import suspicion_words
from cardmeasure.reports.shape_words import shape_words
from cardmeasure.results import Card, ReferenceFacts, ShotResult, SizeMatch
from cardmeasure.text import display_width, printable, shorten_middle, wrapped

COVERAGE_FACTOR = 2
"""k of the expanded uncertainty shown (JCGM 100, 6.2.1); for a normal distribution about 95 %."""
CLEAR = 0.95
"""A nominal size class that is less probable than this is called unclear, and the runner-up is named."""
WIDTH = 80

_HEADING = f"  {'No':>2}  {'Width, mm':<13}  {'Height, mm':<13}  Size class"
_CLASS_INDENT = " " * 36
_FLAG_INDENT = " " * 6
_SCALE_WORDS = {
    "entered": "print scale entered",
    "bank-card": "print scale from a bank card",
    "assumed": "print scale assumed",
}
_NAME_COLUMNS = 30


def shot_text(shot: ShotResult, *, width: int = WIDTH) -> str:
    """One measured shot: its name, the reference as found, a line a card; empty for a refused shot."""
    if shot.trouble is not None:
        return ""
    lines = [shorten_middle(printable(shot.file), width)]
    if shot.reference is not None:
        lines.append(shorten_middle(f"  {_reference_words(shot.reference)}", width))
    if shot.photo is not None and shot.photo.lens_profile is not None:
        lines += wrapped(f"lens profile {printable(shot.photo.lens_profile)}", first="  ", then="    ", width=width)
    if (suspicion := suspicion_words(shot.reference)) is not None:
        lines += wrapped(suspicion, first="  ", then="  ", width=width)
    lines.append(_HEADING)
    for card in shot.cards:
        lines += _card_lines(card, width=width)
    return "\n".join(lines) + "\n"


def summary_text(shots: Sequence[ShotResult], *, width: int = WIDTH, wraps_refusals: bool = False) -> str:
    """The end of a run: what was counted, which photos were refused and what to do, what the flags mean.

    A refused photo is one line, however wide, as programs that read a pipe like it, unless `wraps_refusals`.
    """
    refused = _refused(shots, width=width, wraps=wraps_refusals)
    parts = (_counts(shots), refused, _notes(shots, width=width))
    return "\n".join(part for part in parts if part)


def _reference_words(reference: ReferenceFacts) -> str:
    squares = "" if reference.squares == 1 else f"{reference.squares} squares, "
    return (
        f"{printable(reference.design)}, {squares}{reference.px_per_mm:.1f} px/mm, "
        f"tilt {reference.tilt_deg:.0f} degrees, {_SCALE_WORDS.get(reference.scale_source, reference.scale_source)}"
    )


def _card_lines(card: Card, *, width: int) -> list[str]:
    flags = ", ".join(card.flags)
    if card.width_mm is None or card.height_mm is None:
        return wrapped(f"not measured: {flags}", first=f"  {card.number:>2}  ", then=_FLAG_INDENT, width=width)
    sizes = f"{_with_u(card.width_mm, card.u_width_mm):<13}  {_with_u(card.height_mm, card.u_height_mm):<13}"
    words = shape_words(card) or (_class_words(card.match) if card.match is not None else "")
    lines = wrapped(words, first=f"  {card.number:>2}  {sizes}  ", then=_CLASS_INDENT, width=width)
    notes = [conformity_words(card.conformity)] if card.conformity is not None else []
    notes += [f"flags: {flags}"] if flags else []
    for note in notes:
        lines += wrapped(note, first=_FLAG_INDENT, then=_FLAG_INDENT, width=width)
    return lines


def _with_u(size_mm: float, u_mm: float | None) -> str:
    size = f"{size_mm:>6.2f}"
    return size if u_mm is None else f"{size} ± {COVERAGE_FACTOR * u_mm:.2f}"


def _class_words(match: SizeMatch) -> str:
    """The answer in words; one that is not clear says so and names the second best."""
    nearest = match.nearest
    answer = match.size_class or "odd size"
    distance = f", nearest {nearest.size_class} ({nearest.dw_mm:+.2f}, {nearest.dh_mm:+.2f} mm)"
    if match.probability < CLEAR:
        second = match.runner_up or "odd size"
        return f"unclear: {answer} {_percent(match.probability)}, or {second}{distance if not match.size_class else ''}"
    if match.size_class is None:
        return answer + distance
    return f"{answer} {_percent(match.probability)}, margin {match.margin_mm:.2f} mm"


def _percent(probability: float) -> str:
    """A probability in per cent, never rounded up to certainty."""
    return ">99.9 %" if probability > 0.999 else f"{100 * probability:.1f} %"


def _counts(shots: Sequence[ShotResult]) -> str:
    """How many photos and pieces, and the pieces by size class, most frequent first; duplicates count once."""
    refused = sum(shot.trouble is not None for shot in shots)
    cards = [card for shot in shots if shot.duplicate_of is None for card in shot.cards]
    counts = Counter(_kind(card) for card in cards)
    head = f"{_number(len(shots), 'photo')}: {len(shots) - refused} measured, {refused} refused"
    repeated = sum(shot.duplicate_of is not None for shot in shots)
    head += f", {repeated} of the same as others" if repeated else ""
    lines = [f"{head}; {_number(len(cards), 'piece')}."]
    lines += [f"  {count:>5}  {kind}" for kind, count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))]
    return "\n".join(lines) + "\n"


def _kind(card: Card) -> str:
    if not card.is_sized:
        return "(not measured)"
    if card.shape != "rectangle":
        return f"({card.shape})"
    if card.match is None or card.match.probability < CLEAR:
        return "(unclear)"
    return card.match.size_class or "(odd size)"


def _refused(shots: Sequence[ShotResult], *, width: int, wraps: bool) -> str:
    """A line a refused photo, and what to do said once for each kind of trouble."""
    refused = [(printable(shot.file), shot.trouble) for shot in shots if shot.trouble is not None]
    if not refused:
        return ""
    columns = min(_NAME_COLUMNS, max(display_width(name) for name, _ in refused))
    lines = ["Refused:"]
    for name, trouble in refused:
        shown = shorten_middle(name, columns)
        padding = " " * (columns - display_width(shown))
        first, message = f"  {shown}{padding}  ", printable(f"{trouble.code}: {trouble.message}")
        lines += wrapped(message, first=first, then=" " * (columns + 6), width=width) if wraps else [first + message]
    advice = {trouble.code: trouble.advice for _, trouble in refused}
    return "\n".join([*lines, "What to do:", *_explained(advice, width=width)]) + "\n"


def _notes(shots: Sequence[ShotResult], *, width: int) -> str:
    """What the figures and the flags met mean, each said once."""
    of_shots = Counter(flag for shot in shots for flag in shot.flags)
    of_cards = Counter(flag for shot in shots for card in shot.cards for flag in card.flags)
    sized = any(card.is_sized for shot in shots for card in shot.cards)
    meanings = {
        **{f"{code} ({_number(n, 'photo')})": _meaning(code) for code, n in of_shots.items()},
        **{f"{code} ({_number(n, 'piece')})": _meaning(code) for code, n in of_cards.items()},
    }
    lines = _explained(meanings, width=width)
    if sized:
        words = f"± is the expanded uncertainty {COVERAGE_FACTOR} u: the true size lies within it about 19 times in 20."
        lines = [*wrapped(words, first="  ", then="    ", width=width), *lines]
    return "\n".join(["Notes:", *lines]) + "\n" if lines else ""


def _meaning(code: str) -> str:
    return FLAGS[code].meaning if code in FLAGS else ""


def _explained(meanings: dict[str, str], *, width: int) -> list[str]:
    return [
        line
        for code, meaning in meanings.items()
        for line in wrapped(printable(f"{code}: {meaning}"), first="  ", then="    ", width=width)
    ]


def _number(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
