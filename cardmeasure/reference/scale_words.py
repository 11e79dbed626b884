"""What readings of a print come to, in plain words."""

from __future__ import annotations

from cardmeasure.reference.print_profile import ASSUMED, PrintProfile
from cardmeasure.reference.readings import FITTED, Reading

SIDE_MM = 89.0
"""The long side of a poker card: what a user holds in hand."""
COVERAGE_FACTOR = 2
SOURCES = {
    "steel-rule": "steel rule: limits of 0.15 mm (JIS B 7516, class 1), each end placed within 0.2 mm (common "
    "practice, no source)",
    "calliper": "calliper: limits of 0.02 mm (DIN 862), each tip placed within 0.1 mm (common practice, no source)",
    "ruler": "ruler of wood or plastic: limits of 0.5 mm, each end placed within 0.2 mm (common practice, no source)",
}
"""Where the uncertainty that goes with each instrument comes from."""


def scale_text(profile: PrintProfile, readings: tuple[Reading, ...]) -> list[str]:
    """Paragraphs: the scale along both axes, what it means on a card, where its uncertainty comes from."""
    across, down = (_off(scale) for scale in (profile.scale_x, profile.scale_y))
    most = max(profile.u_scale_x, profile.u_scale_y) * SIDE_MM
    unread = max(ASSUMED.u_scale_x, ASSUMED.u_scale_y) * SIDE_MM
    words = [
        f"Across the page (x): {100 * profile.scale_x:.2f} % of the design, u {100 * profile.u_scale_x:.2f} %.",
        f"Down the page (y): {100 * profile.scale_y:.2f} % of the design, u {100 * profile.u_scale_y:.2f} %.",
        f"On a side of {SIDE_MM:g} mm the print is off by {across} mm across and {down} mm down; that is taken out. "
        f"What the readings leave is u = {most:.2f} mm at most, ± {COVERAGE_FACTOR * most:.2f} mm; "
        + (
            f"without them it would be {unread:.2f} and ± {COVERAGE_FACTOR * unread:.2f} mm."
            if most < unread
            else "read along the other axis, too, for a better answer."
        ),
    ]
    words += [f"Uncertainty of a {SOURCES[name]}." for name in SOURCES if name in {r.instrument for r in readings}]
    if abs((profile.scale_x + profile.scale_y) / 2 - 1) > FITTED:
        words.append(
            "The page seems to have been fitted to the paper. Measuring goes well with these readings, but a page "
            "printed anew at actual size (100 %) is what its text says it is."
        )
    return words


def _off(scale: float) -> str:
    return f"{(scale - 1) * SIDE_MM:+.2f}"
