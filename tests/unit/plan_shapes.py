"""Plans of simple pieces, for tests of shapes."""

from __future__ import annotations

import math

import numpy as np

from cardmeasure.shapes.plans import Plan, polygon


def regular(
    sides: int, across: float, *, turn: float = 0.0, radius: float = 0.0, centre: tuple[float, float] = (0, 0)
) -> Plan:
    """A regular polygon whose sides lie `across` / 2 from its middle."""
    angle = turn + 2 * np.pi * np.arange(sides) / sides
    r = across / 2 / math.cos(math.pi / sides)
    return polygon(r * np.column_stack([np.cos(angle), np.sin(angle)]), radius)


def rectangle(width: float, height: float, *, turn: float = 0.0, radius: float = 0.0) -> Plan:
    """A rectangle about the origin."""
    c, s = math.cos(turn), math.sin(turn)
    corners = np.array([[-width, -height], [width, -height], [width, height], [-width, height]]) / 2
    return polygon(corners @ np.array([[c, s], [-s, c]]), radius)
