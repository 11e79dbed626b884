"""The study's report: tables in Markdown, which a terminal can show as they are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from calibration.study.bootstrap import Interval
from calibration.study.figures import GroupFigures, by_group, figures_of, reasons
from calibration.study.profiles import UNKNOWN
from calibration.study.records import CardScore, ShotScore
from calibration.study.targets import targets_of

HEAD = ("group", "shots", "cards", "bias", "RMS", "worst", "u", "within 95 %", "error/u", "missed", "false",
        "class right", "wrong, sure")  # fmt: skip
WORST_LISTED = 12
INTRODUCTION = """\
Rendered photos with known truth, by group, measured with what each group's user knows of the print: its exact scale
(stated u 0.01 %), in `print-entered` readings with a rule or a calliper, in `print-assumed` and `misprint` nothing.
Errors are measured less true width and height, all cards, flagged or not; lengths in mm. *u*: median reported standard
uncertainty; *within 95 %*: share of sizes within 1.96 u; *error/u*: RMS of error over u, 1 where u is true; in brackets
the 99.7 % interval, bootstrapped by shot. *class right*: of the cards with a size; *wrong, sure*: named wrongly
with a probability above 0.95. In `misprint` the print is 1.5 to 6 % too small, so sizes are not scored; there a wrong
class counts as sure only where the user was not warned.
"""


def report_of(ours: Sequence[ShotScore], textbook: Sequence[ShotScore], *, command: str, picture: str | None) -> str:
    """The whole report; `picture` is the name of the plots' file beside it."""
    parts = [
        head_of(command),
        INTRODUCTION,
        "## By group",
        group_table(ours),
        "## The outer third of the frame",
        "Cards whose middle lies outside the middle two thirds of the frame, in width or height.",
        group_table(ours, counts=lambda card: card.outer),
        "## Missed and false, per 1000 cards",
        detection_text(ours),
        "## Side by side with the textbook",
        "The same shots by the textbook: corners of the fiducial, one homography, Otsu's threshold, boxes around the "
        "contours in mm. RMS and worst are over the cards each way found.",
        comparison_table(ours, textbook),
        "## Targets",
        target_table(ours),
        "## The worst",
        worst_table(ours),
    ]
    if picture:
        parts += [
            "## Errors and what may cause them",
            f"![Errors against causes]({picture})",
            "Each dot is a width or a height, of the groups whose users know the print's scale; red: RMS.",
        ]
    return "\n\n".join(part.rstrip("\n") for part in parts) + "\n"


def head_of(command: str) -> str:
    """Title, and the command that makes the report."""
    return f"# Accuracy\n\nMade by `{command}`."


def group_table(shots: Sequence[ShotScore], *, counts: Callable[[CardScore], bool] = lambda card: True) -> str:
    """One row a group, and one for all groups whose sizes count."""
    rows = [_row(group, figures_of(some, counts=counts)) for group, some in by_group(shots).items()]
    known = [shot for shot in shots if shot.group not in UNKNOWN]
    if len({shot.group for shot in known}) > 1:
        rows.append(_row("all with a known print", figures_of(known, counts=counts)))
        rows.append(_row("all", figures_of(shots, counts=counts)))
    return table(HEAD, rows)


def _row(name: str, f: GroupFigures) -> tuple[str, ...]:
    return (
        name, str(f.shots), str(f.cards), number(f.bias_mm, "+.3f"), number(f.rms_mm, ".3f"), number(f.worst_mm, ".3f"),
        number(f.median_u_mm, ".3f"), with_interval(f.coverage95, f.coverage95_interval, ".3f"),
        with_interval(f.error_over_u, f.error_over_u_interval, ".2f"), str(f.missed), str(f.false),
        number(f.class_right, ".3f"), number(f.class_wrong_sure, ".3f"),
    )  # fmt: skip


def detection_text(shots: Sequence[ShotScore]) -> str:
    """Missed and false per 1000 cards in all, and a table of the reasons, by group."""
    cards = sum(len(shot.cards) for shot in shots)
    missed, false = reasons(shots)
    per = 1000 / max(cards, 1)
    lead = f"{cards} cards: {per * missed.total():.1f} missed and {per * false.total():.1f} false per 1000."
    rows = []
    for group, some in by_group(shots).items():
        for what, why in zip(("missed", "false"), reasons(some), strict=True):
            rows += [(group, what, str(count), reason) for reason, count in Counter(why).most_common()]
    return lead + ("\n\n" + table(("group", "", "pieces", "why"), rows) if rows else "")


def comparison_table(ours: Sequence[ShotScore], textbook: Sequence[ShotScore]) -> str:
    """RMS, worst, missed and false of both ways, by group."""
    theirs = by_group(textbook)
    rows = []
    for group, some in by_group(ours).items():
        a, b = figures_of(some), figures_of(theirs[group])
        rows.append(
            (group, number(a.rms_mm, ".3f"), number(b.rms_mm, ".3f"), number(a.worst_mm, ".2f"),
             number(b.worst_mm, ".2f"), str(a.missed), str(b.missed), str(a.false), str(b.false))
        )  # fmt: skip
    names = ("RMS", "textbook", "worst", "textbook", "missed", "textbook", "false", "textbook")
    return table(("group", *names), rows)


def target_table(shots: Sequence[ShotScore]) -> str:
    """Every target, what was found, and whether it is met."""
    rows = [
        (target.name, target.asked, target.found, "yes" if target.met else "**no**") for target in targets_of(shots)
    ]
    return table(("target", "asked", "found", "met"), rows)


def worst_table(shots: Sequence[ShotScore]) -> str:
    """The cards with the largest errors among those whose print is known."""
    known = [shot for shot in shots if shot.group not in UNKNOWN]
    cards = [(shot, card) for shot in known for card in shot.cards if card.sides]
    cards.sort(key=lambda pair: -max(abs(side.error_mm) for side in pair[1].sides))
    rows = []
    for shot, card in cards[:WORST_LISTED]:
        errors = " × ".join(f"{side.error_mm:+.3f}" for side in card.sides)
        us = " × ".join(number(side.u_mm, ".3f") for side in card.sides)
        flags = ", ".join(card.flags)
        rows.append((shot.shot, str(card.number), shot.mat, card.face, errors, us, flags))
    return table(("shot", "card", "mat", "face", "error, mm", "u, mm", "flags"), rows)


def number(value: float | None, form: str) -> str:
    """The value, or a dash for none."""
    return "–" if value is None else format(value, form)


def with_interval(value: float | None, interval: Interval | None, form: str) -> str:
    """The value and its interval in brackets."""
    if value is None or interval is None:
        return number(value, form)
    return f"{value:{form}} ({interval.low:{form}}–{interval.high:{form}})"


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table in Markdown, its columns aligned."""
    widths = [max(len(line[i]) for line in (head, *rows)) for i in range(len(head))]
    lines = [[cell.ljust(width) for cell, width in zip(line, widths, strict=True)] for line in (head, *rows)]
    lines.insert(1, ["-" * width for width in widths])
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
