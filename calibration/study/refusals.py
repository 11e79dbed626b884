"""Shots that cannot be measured: whether each is refused, or flagged, for the reason that it was made with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from calibration.study.measuring import Measured
from calibration.study.report import table
from calibration.study.targets import Target


@dataclass(frozen=True, kw_only=True)
class RefusalScore:
    """One spoiled shot: its kind of flaw, the codes that name it rightly, what was said of it, how many were sized.

    `found`: the code of the refusal; of a measured shot its flags.
    """

    shot: str
    kind: str
    expected: tuple[str, ...]
    found: tuple[str, ...]
    sized: int

    @property
    def is_right(self) -> bool:
        """Whether one of the right codes was said."""
        return bool(set(self.expected) & set(self.found))


def refusal_scores(measured: Sequence[Measured]) -> list[RefusalScore]:
    """The scores of all spoiled shots among those measured."""
    return [_score(one) for one in measured if "flaw" in one.truth]


def _score(one: Measured) -> RefusalScore:
    flaw, ours = one.truth["flaw"], one.ours
    return RefusalScore(
        shot=one.shot.name,
        kind=flaw["kind"],
        expected=tuple(flaw["codes"]),
        found=ours.flags if ours.trouble is None else (ours.trouble,),
        sized=sum(piece.width_mm is not None for piece in ours.pieces),
    )


def refusal_text(scores: Sequence[RefusalScore], *, heading: str = "Spoiled shots") -> list[str]:
    """Heading and table, a row a kind; nothing where there are no such shots."""
    if not scores:
        return []
    rows = []
    for kind in dict.fromkeys(score.kind for score in scores):
        mine = [score for score in scores if score.kind == kind]
        others = sorted({code for score in mine if not score.is_right for code in score.found or ("measured",)})
        right, sized = sum(score.is_right for score in mine), sum(score.sized for score in mine)
        rows.append((kind, str(len(mine)), str(right), str(sized), ", ".join(others) or "–"))
    return [heading, table(("flaw", "shots", "named rightly", "pieces sized", "named otherwise"), rows)]


def refusal_targets(scores: Sequence[RefusalScore]) -> list[Target]:
    """That every spoiled shot is named rightly, and no piece in one is given a size without the right doubt."""
    if not scores:
        return []
    right, sized = sum(score.is_right for score in scores), sum(score.sized for score in scores if not score.is_right)
    return [
        Target(name="refuse: named rightly", asked="all", found=f"{right} of {len(scores)}", met=right == len(scores)),
        Target(name="refuse: pieces sized without that doubt", asked="none", found=str(sized), met=sized == 0),
    ]


def with_refusals(figures: dict[str, Any], scores: Sequence[RefusalScore]) -> dict[str, Any]:
    """The figures for machines, those of the group `refuse` with what was named rightly."""
    if scores and "refuse" in figures["groups"]:
        figures["groups"]["refuse"] |= {
            "named_rightly": sum(score.is_right for score in scores) / len(scores),
            "sized": sum(score.sized for score in scores),
        }
    return figures
