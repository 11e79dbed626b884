"""Truth, findings and scores made by hand, for the tests of the study."""

from __future__ import annotations

from typing import Any

from calibration.study.records import CardScore, Piece, ShotScore, SideScore

WIDTH_PX, HEIGHT_PX = 1000, 800


def box(x: float, y: float, *, w: float = 126.0, h: float = 176.0) -> list[list[float]]:
    """Corners of an upright box, clockwise from the top left."""
    return [[x, y], [x + w, y], [x + w, y + h], [x, y + h]]


def true_card(x: float, y: float, **changes: Any) -> dict[str, Any]:
    """A poker card at 2 px/mm as the truth has it."""
    card = {
        "corners_px": box(x, y), "width_mm": 63.0, "height_mm": 88.0, "thickness_mm": 0.32, "size_class": "poker",
        "expect": "measured", "face": "white-border", "border": [0.7, 0.7, 0.7, 0.7], "core": 0.7, "rise_mm": 0.0,
    }  # fmt: skip
    return card | changes


def truth_of(*cards: dict[str, Any]) -> dict[str, Any]:
    """The truth of a photo seen from straight above, its square in the top left corner."""
    down = [[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]]
    return {
        "px_per_mm": 2.0,
        "reference": {"scale_x": 1.001, "scale_y": 0.998, "squares": [{"corners_px": box(20, 20, w=160, h=160)}]},
        "camera": {
            "width_px": WIDTH_PX, "height_px": HEIGHT_PX, "focal_px": 700.0, "principal_px": [499.5, 399.5],
            "rotation": down, "tilt_deg": 0.0, "height_mm": 350.0,
        },
        "mat": "dark-felt",
        "lamps": [{"towards_px": [1.0, 0.0], "elevation_deg": 45.0}],
        "cards": list(cards),
    }  # fmt: skip


def piece(x: float, y: float, **changes: Any) -> Piece:
    """A sized poker card as a method finds it."""
    values: dict[str, Any] = {
        "corners_px": tuple((a, b) for a, b in box(x, y)), "width_mm": 63.02, "height_mm": 87.95, "u_width_mm": 0.04,
        "u_height_mm": 0.05, "size_class": "poker", "probability": 0.99,
    }  # fmt: skip
    return Piece(**(values | changes))


def card_score(*errors_mm: float, u_mm: float = 0.05, **changes: Any) -> CardScore:
    """The score of a card with these errors; without any it was missed."""
    values: dict[str, Any] = {
        "number": 0, "face": "white-border", "missed": None if errors_mm else "no outline",
        "sides": tuple(SideScore(error_mm=error, u_mm=u_mm) for error in errors_mm), "class_right": bool(errors_mm),
        "class_wrong_sure": False, "flags": (), "place": 0.3, "outer": False, "from_square_mm": 90.0, "border": 0.7,
        "thickness_error_mm": 0.01,
    }  # fmt: skip
    return CardScore(**(values | changes))


def shot_score(*cards: CardScore, group: str = "kind", shot: str = "kind-1", **changes: Any) -> ShotScore:
    """The score of a shot with these cards."""
    values: dict[str, Any] = {"false": (), "warned": False, "tilt_deg": 5.0, "height_mm": 300.0, "mat": "dark-felt"}
    return ShotScore(group=group, shot=shot, cards=cards, **(values | changes))
