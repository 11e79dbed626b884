"""One picture of small plots: errors against what may cause them."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from PIL import Image

from calibration.study.figures import FLAGS_ONLY
from calibration.study.profiles import UNKNOWN
from calibration.study.records import CardScore, ShotScore

Pair = tuple[ShotScore, CardScore]

CAUSES: tuple[tuple[str, Callable[[Pair], float]], ...] = (
    ("tilt, degrees", lambda pair: pair[0].tilt_deg),
    ("camera height, mm", lambda pair: pair[0].height_mm),
    ("distance from the square, mm", lambda pair: pair[1].from_square_mm),
    ("true less stated thickness, mm", lambda pair: pair[1].thickness_error_mm),
    ("place: 0 middle, 1 corner of the frame", lambda pair: pair[1].place),
    ("border's reflectance", lambda pair: pair[1].border),
)
LIMIT_MM = 0.4
"""Errors beyond are drawn at the plot's edge."""
BINS = 6
COLOURS = 48


def plots_png(shots: Sequence[ShotScore]) -> bytes:
    """The plots of all groups whose users know the print's scale, as a PNG."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    pairs = [(s, c) for s in shots if s.group not in (*UNKNOWN, *FLAGS_ONLY) for c in s.cards if c.sides]
    figure, axes = pyplot.subplots(2, 4, figsize=(13, 6), layout="constrained")
    for axis, (name, cause) in zip(axes.flat, CAUSES, strict=False):
        _scatter(axis, pairs, cause)
        axis.set(xlabel=name, ylim=(-LIMIT_MM, LIMIT_MM))
    for axis in axes[:, 0]:
        axis.set_ylabel("error, mm")
    sides = [side for _, card in pairs for side in card.sides if side.u_mm]
    _histogram(axes.flat[6], [side.error_mm / (side.u_mm or 1.0) for side in sides])
    _against_u(axes.flat[7], [abs(side.error_mm) for side in sides], [side.u_mm or 0.0 for side in sides])
    raw = io.BytesIO()
    figure.savefig(raw, dpi=80, format="png")
    pyplot.close(figure)
    return _small(raw)


def _scatter(axis: Any, pairs: Sequence[Pair], cause: Callable[[Pair], float]) -> None:
    """Every size as a dot, and the RMS in classes of equally many as a red line."""
    x = np.array([cause(pair) for pair in pairs for _ in pair[1].sides])
    y = np.array([side.error_mm for pair in pairs for side in pair[1].sides])
    axis.axhline(0, color="0.7", linewidth=0.8)
    axis.scatter(x, np.clip(y, -LIMIT_MM, LIMIT_MM), s=7, alpha=0.5, linewidths=0, color="tab:blue")
    for some in np.array_split(np.argsort(x), BINS):
        if len(some):
            rms = float(np.sqrt(np.mean(y[some] ** 2)))
            axis.plot([x[some].min(), x[some].max()], [rms, rms], color="tab:red", linewidth=1.5)


def _histogram(axis: Any, ratios: Sequence[float]) -> None:
    """Error over u against the normal distribution that it should follow."""
    x = np.linspace(-4, 4, 81)
    axis.hist(np.clip(ratios, -4, 4), bins=32, range=(-4, 4), density=True, color="tab:blue", alpha=0.6)
    axis.plot(x, np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi), color="tab:red")
    axis.set(xlabel="error / u (line: normal)")


def _against_u(axis: Any, errors: Sequence[float], us: Sequence[float]) -> None:
    axis.scatter(us, np.clip(errors, 0, LIMIT_MM), s=7, alpha=0.5, linewidths=0, color="tab:blue")
    axis.plot([0, LIMIT_MM / 2], [0, LIMIT_MM], color="tab:red", linewidth=1.5)
    axis.set(xlabel="reported u, mm (line: error = 2 u)", xlim=(0, LIMIT_MM / 2), ylim=(0, LIMIT_MM))
    axis.set_ylabel("absolute error, mm")


def _small(raw: io.BytesIO) -> bytes:
    """The picture with few colours: a third of the size."""
    out = io.BytesIO()
    Image.open(raw).convert("RGB").quantize(COLOURS).save(out, format="PNG", optimize=True)
    return out.getvalue()
