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

from cardmeasure.classes import SizeClass, enabled
from cardmeasure.results import Card

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COVERAGE_FACTOR_2D = 2.4477
"""Semi-axes of the ellipse that holds 95 % of a two-dimensional normal distribution, in standard deviations."""
INK = "#010203"
"""Stands for `currentColor` while the map is drawn; black to anyone who sees it unreplaced."""
MARGIN_MM = 4.0
ZOOM_MM = 0.8
"""At least so much is seen around the middle of a group on each side."""
MAX_ELLIPSES = 5000
_SIDE_IN, _ZOOM_IN = 6.4, 3.0


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
    svg = _drawn(cards, classes, low=low, high=high, side_in=_SIDE_IN, names_classes=True)
    words = (
        f"Width against height of {len(sizes)} cards: widths from {sizes[:, 0].min():.1f} to "
        f"{sizes[:, 0].max():.1f} mm, heights from {sizes[:, 1].min():.1f} to {sizes[:, 1].max():.1f} mm."
    )
    return SizeMap(svg=svg, words=words)


def close_up(cards: Sequence[Card], *, classes: Sequence[SizeClass], name: str) -> SizeMap:
    """The cards of one group, near enough to see the ellipses; at least one of them has a size."""
    sizes = _sizes(cards)
    middle = (sizes.min(axis=0) + sizes.max(axis=0)) / 2
    u = max(max(card.u_width_mm or 0.0, card.u_height_mm or 0.0) for card in cards)
    reach = max(ZOOM_MM, float(np.ptp(sizes, axis=0).max()) / 2 + 1.3 * COVERAGE_FACTOR_2D * u)
    svg = _drawn(cards, classes, low=middle - reach, high=middle + reach, side_in=_ZOOM_IN, names_classes=False)
    words = (
        f"{name}: {len(sizes)} {'card' if len(sizes) == 1 else 'cards'} around {middle[0]:.2f} x {middle[1]:.2f} mm."
    )
    return SizeMap(svg=svg, words=words)


def _sizes(cards: Sequence[Card]) -> np.ndarray:
    """Sizes (n, 2) of the cards that have one."""
    return np.array([(card.width_mm, card.height_mm) for card in cards if card.is_sized], np.float64).reshape(-1, 2)


def _drawn(
    cards: Sequence[Card],
    classes: Sequence[SizeClass],
    *,
    low: np.ndarray,
    high: np.ndarray,
    side_in: float,
    names_classes: bool,
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
    return _element(data.getvalue())


def _draw_classes(axes: Axes, classes: Sequence[SizeClass], *, low: np.ndarray, high: np.ndarray, names: bool) -> None:
    """A cross for each cut within the map, and the class beside its largest one."""
    for size_class in enabled(classes):
        cuts = [cut for cut in size_class.cuts_mm if np.all(low < cut) and np.all(cut < high)]
        if not cuts:
            continue
        xs, ys = zip(*cuts, strict=True)
        axes.plot(xs, ys, linestyle="none", marker="+", markersize=9, color=INK, alpha=0.8, markeredgewidth=1.2)
        x, y = max(cuts)
        if names:
            axes.annotate(size_class.id, (x, y), xytext=(6, 3), textcoords="offset points", fontsize=8, clip_on=True)
            continue
        for x, y in cuts:
            axes.annotate(f"{x:g} x {y:g}", (x, y), xytext=(5, 4), textcoords="offset points", fontsize=7, clip_on=True)


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


def _element(document: str) -> str:
    """The SVG element alone, its ink that of the page; ids are unique to it, sizes are left to the page."""
    svg = document[document.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(
        r'(<svg[^>]*?) width="[^"]*"', r"\1", re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1), count=1
    )
    return svg.replace(INK, "currentColor").replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1)
