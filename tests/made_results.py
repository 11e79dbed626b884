"""Result records made by hand and by chance, for the tests of reports and of the command line."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import strategies as st

from cardmeasure.errors import TROUBLES
from cardmeasure.flags import FLAGS
from cardmeasure.results import (
    Card,
    Contribution,
    Corners,
    NearestClass,
    PhotoFacts,
    ReferenceFacts,
    ShotResult,
    SizeMatch,
    Trouble,
)

PHOTO = PhotoFacts(width_px=4032, height_px=3024, camera="Invented One", focal_35mm=26.0)
REFERENCE = ReferenceFacts(
    design="square-80",
    squares=1,
    px_per_mm=8.8123456,
    tilt_deg=8.2,
    camera_height_mm=341.04,
    residual_px=0.031234,
    scale_x=1.0021,
    scale_y=0.9987,
    u_scale=0.0005,
    scale_source="entered",
    corners_px=(((100.0, 100.0), (800.0, 100.0), (800.0, 800.0), (100.0, 800.0)),),
)


def outline(left: float, top: float, width: float, height: float) -> Corners:
    """An upright rectangle, px."""
    return ((left, top), (left + width, top), (left + width, top + height), (left, top + height))


def match(size_class: str | None = "poker", *, probability: float = 0.998) -> SizeMatch:
    """A size match whose nearest class is `size_class`, or tarot for an odd size."""
    return SizeMatch(
        size_class=size_class,
        probability=probability,
        margin_mm=0.7,
        runner_up="bridge",
        nearest=NearestClass(size_class=size_class or "tarot", dw_mm=-0.04321, dh_mm=0.07),
    )


def sized_card(number: int = 1, *, size_class: str | None = "poker", flags: tuple[str, ...] = ()) -> Card:
    """A card with a size."""
    return Card(
        number=number,
        shape="rectangle",
        corners_px=outline(1000.0, 500.0, 560.123456, 780.0),
        width_mm=63.041234,
        height_mm=88.07,
        u_width_mm=0.04,
        u_height_mm=0.05,
        correlation=0.6,
        corner_radius_mm=3.1,
        squareness_deg=0.05,
        thickness_mm=0.30,
        match=match(size_class),
        budget=(Contribution(name="print scale", u_width_mm=0.03, u_height_mm=0.04),),
        flags=flags,
    )


def unsized_card(number: int = 2, *, flags: tuple[str, ...] = ("cut-by-frame",)) -> Card:
    """A piece that was seen but not measured."""
    return replace(
        sized_card(number, flags=flags),
        width_mm=None,
        height_mm=None,
        u_width_mm=None,
        u_height_mm=None,
        correlation=None,
        corner_radius_mm=None,
        squareness_deg=None,
        thickness_mm=None,
        match=None,
        budget=(),
    )


def measured(file: str = "events/a.jpg", *, cards: tuple[Card, ...] | None = None) -> ShotResult:
    """A measured shot with two pieces, one of them without a size, unless told otherwise."""
    return ShotResult(
        file=file,
        sha256="0123456789abcdef" * 4,
        trouble=None,
        flags=(),
        photo=PHOTO,
        reference=REFERENCE,
        cards=(sized_card(1), unsized_card(2)) if cards is None else cards,
    )


def refused(file: str = "empty.jpg", *, code: str = "empty-file", message: str = "The file is empty.") -> ShotResult:
    """A refused shot."""
    trouble = Trouble(code=code, message=message, advice=TROUBLES[code].advice)
    return ShotResult(file=file, sha256=None, trouble=trouble, flags=(), photo=None, reference=None, cards=())


def any_names() -> st.SearchStrategy[str]:
    """File names as hostile as they come: control characters, lone surrogates, formulas, right-to-left overrides."""
    nasty = st.sampled_from(
        ["\x1b[31m", "\n", "\r\n", "\udc80", "\ud800", "=1+1", "@x", '"', ",", "\u202e", "[\n 1,\n 2\n]"]
    )
    return st.lists(st.one_of(nasty, st.characters(codec=None, exclude_characters="\0")), min_size=1).map("".join)


def any_shots() -> st.SearchStrategy[list[ShotResult]]:
    """Lists of measured and refused shots with any names, sizes and flags."""
    lengths = st.floats(1.0, 500.0)
    sized = st.builds(
        lambda number, width, height, u, flags, probability, known: replace(
            sized_card(number, flags=flags),
            width_mm=min(width, height),
            height_mm=max(width, height),
            u_width_mm=u,
            u_height_mm=u,
            match=match("poker" if known else None, probability=probability),
        ),
        number=st.integers(1, 99),
        width=lengths,
        height=lengths,
        u=st.floats(0.0, 9.0),
        flags=st.lists(st.sampled_from(sorted(FLAGS)), unique=True, max_size=4).map(tuple),
        probability=st.floats(0.0, 1.0),
        known=st.booleans(),
    )
    cards = st.lists(st.one_of(sized, st.builds(unsized_card, st.integers(1, 99))), max_size=4).map(tuple)
    shots = st.one_of(
        st.builds(lambda file, cards: measured(file, cards=cards), any_names(), cards),
        st.builds(
            lambda file, code, message: refused(file, code=code, message=message),
            any_names(),
            st.sampled_from(sorted(TROUBLES)),
            any_names(),
        ),
    )
    return st.lists(shots, max_size=4)
