"""The real photographs' tables in Markdown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from calibration.real.figures import Figures, figures_of, flags_of, plane_of
from calibration.real.measuring import PhotoScore, distinct_wrong
from calibration.real.scoring import Seen
from calibration.study.report import number, table

HEAD = ("photo", "pieces", "sized", "listed", "unseen", "false", "repeatability", "with plane", "deviation, mm",
        "u, mm", "bent", "silent", "refused", "time")  # fmt: skip
PLANE_HEAD = ("photo", "cards", "k1", "k2", "k3", "focal, px", "principal, px", "tilt", "residual, px", "mm",
              "unequal by, mm", "halo")  # fmt: skip
WORDS = """\
A square is painted through each photo's own lens and measured. *pieces*: labelled, wholly visible flat ones; *listed*:
without a size; *false*: sizes of anything else. *repeatability*: RMS of equal cards' deviations from their mean over
the u of these, by the photo's joint covariance and 0.03 mm for how cards are cut (common practice, no source); *with
plane*: the same with the scatter that the painter's own plane leaves in these cards in u. *u*: median as stated.
*bent*: share of sized pieces flagged `bent-edge`. *silent*: sizes grossly off without a doubt. *time*: processor time
over that of `cv2.imread`. The absolute size of equal cards is unknown, so nothing here is an accuracy but what is
listed as a known size.
"""


def tables(scores: Sequence[PhotoScore]) -> str:
    """All tables of some photos."""
    parts = [photo_table(scores), plane_table(scores), known_text(scores), wrong_text(scores), flags_text(scores)]
    return "\n\n".join(part for part in parts if part)


def photo_table(scores: Sequence[PhotoScore]) -> str:
    """One row a photo, and one for all."""
    rows = [_row(score.photo.name, figures_of([score])) for score in scores]
    return table(HEAD, [*rows, _row("all", figures_of(scores))])


def set_row(name: str, figures: Figures) -> tuple[str, ...]:
    """The row of a set in the record."""
    return _row(name, figures)


def _row(name: str, f: Figures) -> tuple[str, ...]:
    refused = ", ".join(f["refused"]) or "–"
    return (
        name, str(f["pieces"]), str(f["sized"]), str(f["listed"]), str(f["unseen"]),
        str(f["false"]) + (f" + {f['unlabelled']}" if f["unlabelled"] else ""), number(f["repeatability"], ".2f"),
        number(f["repeatability_with_plane"], ".2f"), number(f["deviation_rms_mm"], ".3f"),
        number(f["median_u_mm"], ".3f"), number(f["bent_edge_share"], ".2f"), str(f["silent_gross"]), refused,
        number(f["ratio_to_decode"], ".1f"),
    )  # fmt: skip


def plane_table(scores: Sequence[PhotoScore]) -> str:
    """Plane and lens of each photo, as the painter found them in all its cards.

    Also how unequal the cards are by the cameras that painted, fitted without them where nothing else is said.
    """
    rows = []
    for score in scores:
        plane = plane_of(score)
        if plane is not None:
            rows.append(_plane_row(score.photo.name, plane))
    return table(PLANE_HEAD, rows) if rows else ""


def _plane_row(name: str, plane: dict[str, Any]) -> tuple[str, ...]:
    terms = [f"{k:+.3f} ± {u:.3f}" for k, u in zip(plane["k1_k2_k3"], plane["u_k1_k2_k3"], strict=True)]
    held = plane["held_out_sd_mm"]
    halo = plane["halo"]
    return (
        name, str(plane["cards"]) if plane["cards"] else "grid or thing", *(terms if plane["lens"] else ["none"] * 3),
        f"{plane['focal_px']:.0f}", f"{plane['principal_px'][0]:.0f}, {plane['principal_px'][1]:.0f}",
        f"{plane['tilt_deg']:.0f}", f"{plane['residual_px']:.2f}", f"{plane['residual_mm']:.3f}",
        (f"{held[0]:.2f} × {held[1]:.2f}" if held else "–") + (", own cards" if plane["circular"] else ""),
        f"{halo['amount']:.2f} at {halo['radius_px']:.1f} px" if halo else "–",
    )  # fmt: skip


def known_text(scores: Sequence[PhotoScore]) -> str:
    """Known sizes singly, of photos whose plane does not come from them."""
    known = figures_of(scores)["known"]
    if not known:
        return "No known size was measured."
    head = ("photo", "thing", "side", "error, mm", "u, mm", "u of truth, mm", "error over both")
    rows = [
        (k["photo"], k["thing"], k["side"], f"{k['error_mm']:+.3f}", f"{k['u_mm']:.3f}", f"{k['u_truth_mm']:.3f}",
         f"{k['ratio']:+.2f}") for k in known
    ]  # fmt: skip
    return table(head, rows)


def wrong_text(scores: Sequence[PhotoScore]) -> str:
    """Sizes of what is no labelled piece, pieces wrong in silence, and unpainted photos that were not refused."""
    lines = []
    for score in scores:
        name = score.photo.name
        for one in distinct_wrong(score.paintings):
            size = f"{one.card.width_mm:.2f} x {one.card.height_mm:.2f} mm"
            flags = ", ".join(one.card.flags) or "no flag"
            lines.append(f"- {name}: {size} ({one.kind.value}): {one.why}; {flags}")
        for painting in score.paintings:
            gross = [thing.thing.name for thing in painting.scores if thing.gross and not flags_of(thing)]
            lines += [f"- {name}: {what}, sized by a wrong outline without a flag" for what in gross]
            if painting.silent:
                lines.append(f"- {name}: pieces {painting.silent} differ grossly from their equals without a doubt")
        if score.unpainted_trouble is None:
            lines.append(f"- {name}: not refused although it shows no square")
    return "\n".join(lines)


def flags_text(scores: Sequence[PhotoScore]) -> str:
    """How often each flag was set on labelled pieces, by what became of them."""
    things = [thing for score in scores for painting in score.paintings for thing in painting.scores]
    kinds = sorted({flag for thing in things for flag in flags_of(thing)})
    rows = [
        (kind, *(str(sum(kind in flags_of(thing) for thing in things if thing.seen is seen)) for seen in
                 (Seen.SIZED, Seen.LISTED)))
        for kind in kinds
    ]  # fmt: skip
    return table(("flag", "sized", "listed"), rows) if rows else ""
