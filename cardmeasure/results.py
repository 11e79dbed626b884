"""The public results: what `measure_photo` returns and what the reports write (`schema: cardmeasure/1`).

Lengths are millimetres, angles degrees; u is a standard uncertainty (JCGM 100), u_scale is relative. Pixels are those
of the upright photo, the centre of the first one is (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass

SCHEMA = "cardmeasure/1"
Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Trouble:
    """Why a photo was refused, what was seen and what to do."""

    code: str
    message: str
    advice: str


@dataclass(frozen=True, kw_only=True, slots=True)
class PhotoFacts:
    """What the file says about itself. `focal_35mm` is null where the tag is missing, zero or absurd.

    `lens_profile`: which lens profile was used, or why the one at hand was not; null where there is none.
    """

    width_px: int
    height_px: int
    camera: str | None
    focal_35mm: float | None
    lens_profile: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ReferenceFacts:
    """The printed reference as found. `scale_x`, `scale_y`: printed length over design length, along the design's axes.

    `scale_source`: `entered`, `bank-card` or `assumed`. `corners_px`: the design's cut lines, clockwise as printed,
    one quadrilateral a square. `suspected_scale`: printed over design length as the pieces suggest it, where that
    contradicts the scale used; it is told, never used.
    """

    design: str
    squares: int
    px_per_mm: float
    tilt_deg: float
    camera_height_mm: float
    residual_px: float
    scale_x: float
    scale_y: float
    u_scale: float
    scale_source: str
    corners_px: tuple[Corners, ...]
    suspected_scale: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Contribution:
    """One named line of an uncertainty budget (JCGM 100, 5.1): its standard uncertainty in each size."""

    name: str
    u_width_mm: float
    u_height_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class NearestClass:
    """The nominal size class nearest to the measured size, and how far the size lies from its nearest cut."""

    size_class: str
    dw_mm: float
    dh_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SizeMatch:
    """The nominal size class of one measured size.

    `size_class` is None for an odd size; `probability` is that of the answer given; `margin_mm` is the Euclidean
    distance in (width, height) that the measurement would have to move before the answer changed; `runner_up` is the
    second most probable answer, None where that is "odd size".
    """

    size_class: str | None
    probability: float
    margin_mm: float
    runner_up: str | None
    nearest: NearestClass


@dataclass(frozen=True, kw_only=True, slots=True)
class Conformity:
    """Whether a piece is what was expected, in the words of JCGM 106:2012.

    `expected`: as asked for. `verdict`: `conforms`, `does not conform` or `undecided`. `probability`: the conformance
    probability. `consumer_risk`, `producer_risk`: that of accepting, of rejecting this piece wrongly.
    """

    expected: str
    verdict: str
    probability: float
    consumer_risk: float
    producer_risk: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Card:
    """One piece on the table. Sizes are None where it was seen but could not be measured; `flags` says why.

    width <= height always. `corners_px`: where the straight sides of the top face, extended, meet, clockwise from the
    corner nearest the photo's top left; of a circle or a polygon the corners of its smallest enclosing rectangle, whose
    sides are width and height, and `outline_px` is its edge. `across_flats_mm`: of a regular polygon with an even
    number of sides. `conformity`: where a size was expected.
    """

    number: int
    shape: str
    corners_px: Corners
    width_mm: float | None
    height_mm: float | None
    u_width_mm: float | None
    u_height_mm: float | None
    correlation: float | None
    corner_radius_mm: float | None
    squareness_deg: float | None
    thickness_mm: float | None
    match: SizeMatch | None
    budget: tuple[Contribution, ...]
    flags: tuple[str, ...]
    outline_px: Corners = ()
    diameter_mm: float | None = None
    u_diameter_mm: float | None = None
    across_flats_mm: float | None = None
    u_across_flats_mm: float | None = None
    conformity: Conformity | None = None

    @property
    def is_sized(self) -> bool:
        """Whether the piece has a size."""
        return self.width_mm is not None


@dataclass(frozen=True, kw_only=True, slots=True)
class ShotResult:
    """One photo: measured (perhaps with pieces that have no size) or refused.

    `duplicate_of`: the `file` of another shot that shows the same cards; what it shows is not counted again.
    """

    file: str
    sha256: str | None
    trouble: Trouble | None
    flags: tuple[str, ...]
    photo: PhotoFacts | None
    reference: ReferenceFacts | None
    cards: tuple[Card, ...]
    duplicate_of: str | None = None

    @property
    def status(self) -> str:
        """`measured` or `refused`."""
        return "measured" if self.trouble is None else "refused"
