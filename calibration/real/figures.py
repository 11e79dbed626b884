"""The figures of one photo or of many, for tables and for machines."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from calibration.real.measuring import PaintingScore, PhotoScore, distinct_wrong
from calibration.real.scoring import Deviation, Seen, ThingScore, Wrong

KEYS = ("photos", "pieces", "sized", "listed", "unseen", "false", "wrongly_refused", "repeatability",
        "bent_edge_share", "ratio_to_decode")  # fmt: skip
"""What the figures hold at least."""
Figures = dict[str, Any]


def figures_of(scores: Sequence[PhotoScore]) -> Figures:
    """Counts and shares over some photos; None for what nothing tells."""
    paintings = [painting for score in scores for painting in score.paintings]
    things = [thing for painting in paintings for thing in painting.scores]
    wrong = [one for score in scores for one in distinct_wrong(score.paintings)]
    sized = [thing for thing in things if thing.seen is Seen.SIZED]
    return {
        "photos": len(scores),
        "paintings": len(paintings),
        "pieces": len(things),
        "sized": len(sized),
        "listed": sum(thing.seen is Seen.LISTED for thing in things),
        "unseen": sum(thing.seen is Seen.UNSEEN for thing in things),
        "false": sum(one.kind is Wrong.FALSE for one in wrong),
        "unlabelled": sum(one.kind is Wrong.UNLABELLED for one in wrong),
        "wrongly_refused": sum(any(painting.trouble for painting in score.paintings) for score in scores),
        "unpainted_not_refused": sum(score.unpainted_trouble is None for score in scores),
        **_repeatability(paintings),
        "bent_edge_share": _share(["bent-edge" in flags_of(thing) for thing in sized]),
        "doubted_share": _share([bool(flags_of(thing)) for thing in sized]),
        "silent_gross": sum(len(painting.silent) for painting in paintings) + _silent_outlines(things),
        "known": [one for score in scores for painting in score.paintings for one in _known(score, painting)],
        "flags": dict(Counter(flag for thing in things for flag in flags_of(thing)).most_common()),
        "shot_flags": dict(Counter(flag for painting in paintings for flag in painting.flags).most_common()),
        "refused": dict(Counter(painting.trouble for painting in paintings if painting.trouble).most_common()),
        "ratio_to_decode": _median([_ratio(score) for score in scores if score.paintings]),
    }


def for_machines(scores: Sequence[PhotoScore], *, work: str, acceptance: str) -> dict[str, Any]:
    """The JSON: all measured photos, both sets (None where no photo of it was measured), and each photo."""
    sets = {name: [score for score in scores if score.photo.group == name] for name in (work, acceptance)}
    return {
        "all": figures_of(scores),
        **{name: figures_of(some) if some else None for name, some in sets.items()},
        "photos": {score.photo.name: figures_of([score]) | {"plane": plane_of(score)} for score in scores},
    }


def plane_of(score: PhotoScore) -> dict[str, Any] | None:
    """What is known of a photo's plane and lens; None where it has none."""
    fit = score.fit
    if fit is None:
        return None
    sd = [painting.fold.plane_sd_mm for painting in score.paintings if painting.fold.plane_sd_mm is not None]
    halo = score.paintings[0].halo if score.paintings else None
    return {
        "cards": fit.cards,
        "lens": fit.has_lens,
        "k1_k2_k3": [round(float(k), 4) for k in fit.camera.distortion[:3]],
        "u_k1_k2_k3": [round(float(u), 4) for u in fit.u_radial],
        "focal_px": round(fit.camera.focal_px, 1),
        "principal_px": [round(float(p), 1) for p in fit.camera.principal_px],
        "tilt_deg": round(fit.camera.tilt_deg, 1),
        "residual_px": round(fit.rms_px, 3),
        "residual_mm": round(fit.rms_mm, 3),
        "held_out_sd_mm": [round(float(v), 3) for v in np.sqrt(np.mean(np.square(sd), axis=0))] if sd else None,
        "circular": any(painting.fold.circular for painting in score.paintings),
        "halo": None if halo is None or not halo.found else
        {"sigma_px": round(halo.sigma_px, 2), "amount": round(halo.amount, 2), "radius_px": round(halo.radius_px, 2)},
    }  # fmt: skip


def flags_of(thing: ThingScore) -> tuple[str, ...]:
    """The flags of the piece that was found for a thing."""
    return thing.card.flags if thing.card is not None else ()


def _repeatability(paintings: Sequence[PaintingScore]) -> Figures:
    """Deviations of equal cards from their means, pooled; `with_plane` adds the plane's own scatter to their u."""
    found = [one for painting in paintings for one in painting.deviations]
    with_plane = [
        one.off_mm / float(np.hypot(one.u_mm, _plane_sd_mm(painting, one)))
        for painting in paintings
        for one in painting.deviations
    ]
    return {
        "repeatability": _rms([one.off_mm / one.u_mm for one in found]),
        "repeatability_with_plane": _rms(with_plane),
        "deviation_rms_mm": _rms([one.off_mm for one in found]),
        "median_u_mm": _median([one.u_size_mm for one in found]),
        "median_u_of_deviation_mm": _median([one.u_mm for one in found]),
        "sides": len(found),
    }


def _plane_sd_mm(painting: PaintingScore, one: Deviation) -> float:
    sd = painting.fold.plane_sd_mm
    return 0.0 if sd is None else sd[0 if one.side == "height" else 1]


def _silent_outlines(things: Sequence[ThingScore]) -> int:
    """Sizes by an outline that is not the thing's, without a flag."""
    return sum(thing.gross and not flags_of(thing) for thing in things)


def _known(score: PhotoScore, painting: PaintingScore) -> list[Figures]:
    return [
        {
            "photo": score.photo.name, "thing": one.thing, "side": one.side, "error_mm": round(one.error_mm, 3),
            "u_mm": round(one.u_mm, 3), "u_truth_mm": round(one.u_truth_mm, 3), "ratio": round(one.ratio, 2),
        }
        for one in painting.known
    ]  # fmt: skip


def _ratio(score: PhotoScore) -> float:
    return statistics.median(painting.ratio for painting in score.paintings)


def _share(values: Sequence[bool]) -> float | None:
    return sum(values) / len(values) if values else None


def _rms(values: Sequence[float]) -> float | None:
    return float(np.sqrt(np.mean(np.square(values)))) if values else None


def _median(values: Sequence[float]) -> float | None:
    return statistics.median(values) if values else None
