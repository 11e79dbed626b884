"""Where a size's uncertainty comes from, in plain words, largest first, and what would make it smaller."""

from __future__ import annotations

import math

from cardmeasure.results import Card, Contribution, ShotResult
from cardmeasure.text import wrapped

COVERAGE_FACTOR = 2
NEGLIGIBLE = 0.10
"""A contribution below this share of the largest is not worth a line: it adds half a per cent to the whole."""
WIDTH = 80

WORDS: dict[str, tuple[str, str]] = {
    "print scale": (
        "how large the square was really printed",
        "read the printed bars with a steel rule or the fine lines with a calliper, and pass them with --print",
    ),
    "bank card": (
        "how large the bank card is, whose limits ISO/IEC 7810 sets",
        "read the printed bars with a steel rule as well, and pass them with --print",
    ),
    "edge model": (
        "where exactly border, side wall and shadow part at each side",
        "use softer light from all round, and a mat that differs from the borders in colour",
    ),
    "edge noise": ("noise along the sides", "use more light, hold the phone still, go nearer"),
    "tone curve": ("how the phone brightens and darkens its pictures", "avoid filters and high-contrast modes"),
    "printed points": ("where the printed points lie in the photo", "hold the phone still and focus on the square"),
    "card thickness": (
        "how thick the card is",
        "measure a pile with a calliper, and pass --thickness and --u-thickness",
    ),
    "card curl": (
        "how far the card curls, twists or lies askew",
        "press the card flat, or lay it down with its other face up",
    ),
    "straightness": ("how straight the card's sides are cut", "lay the card nearer to the square"),
    "halos": ("how the phone's sharpening moves edges", "use more light, and a mat that differs less from the borders"),
    "squareness": ("whether the card is cut square", "lay the card nearer to the square"),
    "focal length": (
        "the phone's focal length",
        "hold the phone straight above the cards, and send the photo as it was taken, with its data",
    ),
    "principal point": ("where the lens looks", "hold the phone straight above, the cards around the picture's middle"),
    "lens profile": (
        "the phone's lens, which moves a little from shot to shot",
        "keep cards out of the picture's corners, and lay more of them",
    ),
    "square's bend": ("whether the square's paper lies flat", "press it flat, or glue it to card"),
    "lens distortion": ("how the lens bends lines", "keep cards out of the picture's corners, and lay more of them"),
}
"""What each line of a budget means, and what makes it smaller."""


def explanation_text(shot: ShotResult, *, width: int = WIDTH) -> str:
    """The budgets of all sized cards of a shot; empty where there is none."""
    return "\n".join(_card_text(card, width) for card in shot.cards if card.budget)


def _card_text(card: Card, width: int) -> str:
    u_width, u_height = card.u_width_mm or 0.0, card.u_height_mm or 0.0
    head = (
        f"Card {card.number}: ± {COVERAGE_FACTOR * u_width:.2f} mm in width, ± {COVERAGE_FACTOR * u_height:.2f} mm in "
        f"height, from (u in mm, width and height):"
    )
    lines = wrapped(head, first="", then="  ", width=width)
    largest = _size(card.budget[0])
    told = [line for line in card.budget if _size(line) >= NEGLIGIBLE * largest]
    for line in told:
        figures = f"  {line.u_width_mm:.3f} {line.u_height_mm:.3f}  "
        lines += wrapped(_meaning(line), first=figures, then=" " * len(figures), width=width)
    if told[0].name in WORDS:
        lines += wrapped(f"Smaller, if you {WORDS[told[0].name][1]}.", first="  ", then="  ", width=width)
    return "\n".join(lines) + "\n"


def _meaning(line: Contribution) -> str:
    return f"{line.name}: {WORDS[line.name][0]}" if line.name in WORDS else line.name


def _size(line: Contribution) -> float:
    return math.hypot(line.u_width_mm, line.u_height_mm)
