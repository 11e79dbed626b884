"""What a run is told: one frozen record from the command line or the caller to the pipeline."""

from __future__ import annotations

from dataclasses import dataclass, field

from cardmeasure.classes import SizeClass, standard_classes
from cardmeasure.errors import UsageError
from cardmeasure.lens.profile import LensProfile
from cardmeasure.reference.print_profile import ASSUMED, PrintProfile
from cardmeasure.thickness.rules import ThicknessRule
from cardmeasure.thickness.usual import CARD_MM, U_CARD_MM


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Settings of a measurement.

    Parameters
    ----------
    thickness_mm, u_thickness_mm : thickness of the cards and its standard uncertainty, mm.
    paper_mm, u_paper_mm : thickness of the paper the reference is printed on, mm.
    print_profile : what is known of the print's scale; `ASSUMED` where nothing is.
    classes : the nominal size classes that sizes are matched to.
    max_megapixels : photos larger than this are refused before they are decoded.
    lens_profiles : what is known of lenses; a photo is solved with the one that is for it, if there is one.
    bank_card : whether a card of size ID-1 in a photo counts as a bank card, whose size is known.
    thickness_rules : how thick some of the pieces are, where they differ (see `thickness.rules`).
    uses_thickness_beside : whether a `thickness.toml` beside a photo holds for it.
    """

    thickness_mm: float = CARD_MM
    u_thickness_mm: float = U_CARD_MM
    paper_mm: float = 0.10
    u_paper_mm: float = 0.01
    print_profile: PrintProfile = ASSUMED
    classes: tuple[SizeClass, ...] = field(default_factory=standard_classes)
    max_megapixels: float = 120.0
    bank_card: bool = True
    lens_profiles: tuple[LensProfile, ...] = ()
    thickness_rules: tuple[ThicknessRule, ...] = ()
    uses_thickness_beside: bool = False

    def __post_init__(self) -> None:
        """Raises UsageError for a value that no card or paper can have."""
        for name, low, high in (
            ("thickness_mm", 0.0, 20.0),
            ("u_thickness_mm", 0.0, 5.0),
            ("paper_mm", 0.0, 2.0),
            ("u_paper_mm", 0.0, 1.0),
            ("max_megapixels", 0.1, 1000.0),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise UsageError(f"{name} is {value:g}; it must lie between {low:g} and {high:g}.")
