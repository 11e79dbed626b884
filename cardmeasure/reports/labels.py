"""Labels of a picture: what they say, how large they are, and where they get in each other's way least."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

from cardmeasure.flags import FLAGS, Level
from cardmeasure.results import Card, ReferenceFacts

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont, ImageFont

TEXT_SHARE = 0.032
"""Text size over picture width: 12 px on a phone 375 px wide."""
_LINE = 1.08
_PAD = 0.2
_REASON_LETTERS = 9

Box = tuple[float, float, float, float]
"""Left, top, right, bottom, px."""


@dataclass(frozen=True, kw_only=True)
class Label:
    """A heading and lines of text in a box of `box_px`; `size_px` is the size of the text."""

    heading: str
    lines: tuple[str, ...]
    size_px: float
    box_px: Box

    @property
    def line_px(self) -> float:
        """Distance from line to line."""
        return self.size_px * _LINE

    @property
    def pad_px(self) -> float:
        """Space around the text."""
        return self.size_px * _PAD


def font(size_px: float) -> FreeTypeFont | ImageFont:
    """The scalable font that Pillow ships."""
    from PIL import ImageFont

    return ImageFont.load_default(size_px)


def card_label(card: Card, *, outline: Box, size_px: float) -> Label:
    """The label of a piece in the middle of its outline: number, size, and in short words what is doubtful."""
    reasons = tuple(line for code in card.flags if is_drawn(code) for line in reason_words(code))
    if card.width_mm is None or card.height_mm is None:
        forms: tuple[tuple[str, ...], ...] = (reasons or ("not measured",),)
    else:
        width, height = f"{card.width_mm:.2f}", f"{card.height_mm:.2f}"
        forms = ((f"{width} x {height}", *reasons), (width, f"x {height}", *reasons))
        if card.diameter_mm is not None:
            forms = ((f"d = {card.diameter_mm:.2f}", *reasons),)
    middle = ((outline[0] + outline[2]) / 2, (outline[1] + outline[3]) / 2)
    labels = [_label(str(card.number), lines, middle=middle, size_px=size_px) for lines in forms]
    room = 0.85 * (outline[2] - outline[0])
    return next((label for label in labels if label.box_px[2] - label.box_px[0] <= room), labels[-1])


def reference_label(reference: ReferenceFacts, *, outline: Box, size_px: float) -> Label:
    """The label of a reference square: how fine the photo is there, and where its scale comes from."""
    lines = (f"{reference.px_per_mm:.1f} px/mm", f"scale {reference.scale_source.replace('-', ' ')}")
    middle = ((outline[0] + outline[2]) / 2, (outline[1] + outline[3]) / 2)
    return _label(reference.design, lines, middle=middle, size_px=size_px)


def is_drawn(code: str) -> bool:
    """Whether a flag is worth a word in the picture: doubts and what has no size, not mere notes."""
    return code not in FLAGS or FLAGS[code].level is not Level.NOTE


def reason_words(code: str) -> list[str]:
    """A flag in short words, on short lines."""
    return textwrap.wrap(code.replace("-", " "), _REASON_LETTERS, break_long_words=False)


def place(label: Label, *, around: Box, obstacles: Sequence[Box], frame: tuple[int, int]) -> Label:
    """The label moved within the frame (width, height, px) to where it covers least of the obstacles.

    Tried are its own place and places one label's breadth or height, and half of it, outside and inside `around`; of
    equal ones the nearest to its own place wins.
    """
    left, top, right, bottom = label.box_px
    width, height = right - left, bottom - top
    xs = [left, left - width / 2, left + width / 2, around[0] - width, around[2]]
    ys = [top, top - height / 2, top + height / 2, around[1] - height, around[3]]
    boxes = [_inside((x, y, x + width, y + height), frame=frame) for x, y in product(xs, ys)]
    best = min(boxes, key=lambda b: (sum(overlap(b, o) for o in obstacles), abs(b[0] - left) + abs(b[1] - top)))
    return Label(heading=label.heading, lines=label.lines, size_px=label.size_px, box_px=best)


def overlap(a: Box, b: Box) -> float:
    """Area common to two boxes, px²."""
    return max(0.0, min(a[2], b[2]) - max(a[0], b[0])) * max(0.0, min(a[3], b[3]) - max(a[1], b[1]))


def _label(heading: str, lines: tuple[str, ...], *, middle: tuple[float, float], size_px: float) -> Label:
    letters = font(size_px)
    width = max(letters.getlength(text) for text in (heading, *lines)) + 2 * _PAD * size_px
    height = (1 + len(lines)) * _LINE * size_px + 2 * _PAD * size_px
    x, y = middle[0] - width / 2, middle[1] - height / 2
    return Label(heading=heading, lines=lines, size_px=size_px, box_px=(x, y, x + width, y + height))


def _inside(box: Box, *, frame: tuple[int, int]) -> Box:
    dx = max(0.0, -box[0]) or min(0.0, frame[0] - box[2])
    dy = max(0.0, -box[1]) or min(0.0, frame[1] - box[3])
    return (box[0] + dx, box[1] + dy, box[2] + dx, box[3] + dy)
