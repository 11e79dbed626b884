"""Size maps: width against height, every card with its ellipse of uncertainty, and the nominal classes; as SVG.

All ink is `currentColor`, so a page's light and dark colours hold in the map too. No class has a colour of its own.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from cardmeasure.classes import SizeClass, enabled
from cardmeasure.results import Card

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COVERAGE_FACTOR_2D = 2.4477
"""Semi-axes of the ellipse that holds 95 % of a two-dimensional normal distribution, in standard deviations."""
INK = "#010203"
"""Stands for `currentColor` while the map is drawn; black to anyone who sees it unreplaced."""
MARGIN_MM = 4.0
LABEL_SHARE = 0.12
_LETTER_SHARE, _LINE_SHARE = 0.0017, 0.0045
"""About the width of a letter and the height of a line, for each point of their size, in parts of the map."""
ZOOM_MM = 0.8
"""At least so much is seen around the middle of a group on each side."""
MAX_ELLIPSES = 5000
_SIDE_IN, _ZOOM_IN = 6.4, 3.0


Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class SizeMap:
    """A map as an SVG element, and what it shows in words."""

    svg: str
    words: str


def overview(cards: Sequence[Card], *, classes: Sequence[SizeClass]) -> SizeMap | None:
    """All cards with a size, and the nominal classes within what they span; None without such cards."""
    sizes = _sizes(cards)
    if not len(sizes):
        return None
    low, high = sizes.min(axis=0) - MARGIN_MM, sizes.max(axis=0) + MARGIN_MM
    high[0] += LABEL_SHARE * (high[0] - low[0])  # room for the names on the right
    svg = _drawn(cards, classes, low=low, high=high, side_in=_SIDE_IN, names_classes=True, prefix="all")
    words = (
        f"Width against height of {len(sizes)} cards: widths from {sizes[:, 0].min():.1f} to "
        f"{sizes[:, 0].max():.1f} mm, heights from {sizes[:, 1].min():.1f} to {sizes[:, 1].max():.1f} mm."
    )
    return SizeMap(svg=svg, words=words)


def close_up(cards: Sequence[Card], *, classes: Sequence[SizeClass], name: str, prefix: str) -> SizeMap:
    """The cards of one group, near enough to see the ellipses; at least one of them has a size.

    `prefix` begins the ids within the map: no two maps of a page may share it.
    """
    sizes = _sizes(cards)
    middle = (sizes.min(axis=0) + sizes.max(axis=0)) / 2
    u = max(max(card.u_width_mm or 0.0, card.u_height_mm or 0.0) for card in cards)
    reach = max(ZOOM_MM, float(np.ptp(sizes, axis=0).max()) / 2 + 1.3 * COVERAGE_FACTOR_2D * u)
    svg = _drawn(
        cards, classes, low=middle - reach, high=middle + reach, side_in=_ZOOM_IN, names_classes=False, prefix=prefix
    )
    words = (
        f"{name}: {len(sizes)} {'card' if len(sizes) == 1 else 'cards'} around {middle[0]:.2f} x {middle[1]:.2f} mm."
    )
    return SizeMap(svg=svg, words=words)


def _sizes(cards: Sequence[Card]) -> Floats:
    """Sizes (n, 2) of the cards that have one."""
    return np.array([(card.width_mm, card.height_mm) for card in cards if card.is_sized], np.float64).reshape(-1, 2)


def _drawn(
    cards: Sequence[Card],
    classes: Sequence[SizeClass],
    *,
    low: Floats,
    high: Floats,
    side_in: float,
    names_classes: bool,
    prefix: str,
) -> str:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    settings: dict[Any, Any] = {
        "svg.fonttype": "none", "svg.hashsalt": "cardmeasure", "font.size": 9, "font.family": "sans-serif",
        "text.color": INK, "axes.edgecolor": INK, "axes.labelcolor": INK, "xtick.color": INK, "ytick.color": INK,
    }  # fmt: skip
    with mpl.rc_context(settings):
        figure = Figure(figsize=(side_in, side_in * (0.8 if names_classes else 1.0)), layout="constrained")
        axes = figure.add_subplot()
        axes.set_xlim(low[0], high[0])
        axes.set_ylim(low[1], high[1])
        if not names_classes:
            axes.set_aspect("equal")
        axes.set_xlabel("width, mm")
        axes.set_ylabel("height, mm")
        axes.grid(color=INK, alpha=0.12, linewidth=0.6)
        axes.patch.set_alpha(0.0)
        figure.patch.set_alpha(0.0)
        _draw_classes(axes, classes, low=low, high=high, names=names_classes)
        _draw_cards(axes, cards)
        data = io.StringIO()
        figure.savefig(data, format="svg", metadata={"Date": None, "Creator": None})
    return _element(data.getvalue(), prefix=prefix)


def _draw_classes(axes: Axes, classes: Sequence[SizeClass], *, low: Floats, high: Floats, names: bool) -> None:
    """A cross for each cut within the map, with its size or, once for all cuts of a class, the class beside it."""
    shown = {c.id: [cut for cut in c.cuts_mm if np.all(low < cut) and np.all(cut < high)] for c in enabled(classes)}
    crosses = [cut for cuts in shown.values() for cut in cuts]
    if crosses:
        xs, ys = zip(*crosses, strict=True)
        axes.plot(xs, ys, linestyle="none", marker="+", markersize=9, color=INK, alpha=0.8, markeredgewidth=1.2)
    texts = [(id_, max(cuts)) for id_, cuts in shown.items() if cuts]
    if not names:
        texts = [(f"{x:g} x {y:g}", (x, y)) for x, y in crosses]
    taken: list[tuple[float, float, float, float]] = []
    for text, cut in texts:
        at, box = _free_place(text, cut, span=high - low, crosses=crosses, taken=taken, points=8 if names else 7)
        taken.append(box)
        axes.annotate(
            text, cut, xytext=at, textcoords="offset points", fontsize=8 if names else 7, clip_on=True,
            ha="left" if at[0] > 0 else "right", va="bottom" if at[1] > 0 else "top",
        )  # fmt: skip


def _free_place(
    text: str,
    cut: tuple[float, float],
    *,
    span: Floats,
    crosses: Sequence[tuple[float, float]],
    taken: Sequence[tuple[float, float, float, float]],
    points: int,
) -> tuple[tuple[int, int], tuple[float, float, float, float]]:
    """Where of four corners beside a cut a text hits least: its offset in points, and the box it takes there in mm."""
    width, height = span[0] * _LETTER_SHARE * points * len(text), span[1] * _LINE_SHARE * points
    best: list[tuple[int, tuple[int, int], tuple[float, float, float, float]]] = []
    for dx, dy in ((5, 2), (5, -2), (-5, 2), (-5, -2)):
        left = cut[0] if dx > 0 else cut[0] - width
        bottom = cut[1] if dy > 0 else cut[1] - height
        box = (left, bottom, left + width, bottom + height)
        hits = sum(box[0] < x < box[2] and box[1] < y < box[3] for x, y in crosses)
        hits += sum(box[0] < b[2] and b[0] < box[2] and box[1] < b[3] and b[1] < box[3] for b in taken)
        best.append((hits, (dx, dy), box))
    _, at, box = min(best, key=lambda place: place[0])
    return at, box


def _draw_cards(axes: Axes, cards: Sequence[Card]) -> None:
    from matplotlib.patches import Ellipse

    sizes = _sizes(cards)
    axes.plot(sizes[:, 0], sizes[:, 1], linestyle="none", marker="o", markersize=2.2, color=INK, alpha=0.7)
    for card in [card for card in cards if card.is_sized][:MAX_ELLIPSES]:
        u_w, u_h = card.u_width_mm or 0.0, card.u_height_mm or 0.0
        shared = (card.correlation or 0.0) * u_w * u_h
        values, vectors = np.linalg.eigh(np.array([[u_w**2, shared], [shared, u_h**2]]))
        small, large = 2 * COVERAGE_FACTOR_2D * np.sqrt(np.maximum(values, 0.0))
        axes.add_patch(
            Ellipse(
                (card.width_mm or 0.0, card.height_mm or 0.0), large, small,
                angle=float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))), fill=False, edgecolor=INK, alpha=0.6,
                linewidth=0.8,
            )
        )  # fmt: skip


def _element(document: str, *, prefix: str) -> str:
    """The SVG element alone, in the ink of the page and of the size the page gives it.

    Ids that nothing refers to go, the others begin with `prefix`, so that several maps can stand in one page.
    """
    svg = document[document.index("<svg") :].replace(INK, "currentColor")
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    for name in ("width", "height"):
        svg = re.sub(rf'(<svg[^>]*?) {name}="[^"]*"', r"\1", svg, count=1)
    used = set(re.findall(r"#([\w-]+)[\")]", svg))
    svg = re.sub(r' id="([^"]*)"', lambda m: f' id="{prefix}-{m[1]}"' if m[1] in used else "", svg)
    svg = re.sub(r"#([\w-]+)([\")])", rf"#{prefix}-\1\2", svg)
    return svg.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1)
