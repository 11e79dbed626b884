"""What a photo says about camera and lens (Exif, CIPA DC-008), with the traps of real files."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.Image import Exif, Image

_MAKE, _MODEL, _ORIENTATION, _EXIF_IFD = 0x010F, 0x0110, 0x0112, 0x8769
_FOCAL_LENGTH, _DIGITAL_ZOOM, _FOCAL_35MM, _LENS_MODEL = 0x920A, 0xA404, 0xA405, 0xA434
_FOCAL_35MM_RANGE = (8.0, 400.0)
"""From the widest fisheye to more than any phone's telephoto lens: common practice, no source."""
_FOCAL_RANGE_MM = (0.5, 1200.0)
_ZOOM_RANGE = (1.0, 200.0)
_SMALLEST_CROP = 0.5
"""Film of 35 mm has at least half the diagonal of any camera's sensor that takes such photos."""
_LONGEST_TEXT = 80


@dataclass(frozen=True, kw_only=True)
class CameraTags:
    """What the file says about its camera; None where it says nothing, or nothing that can be true.

    Parameters
    ----------
    focal_35mm : equivalent focal length on 35 mm film, mm (equal diagonal field of view). The tag is rounded to 1 mm,
        and makers differ in whether it takes in the digital zoom and which frame it refers to: a prior, not the truth.
    focal_mm : focal length of the lens, mm.
    digital_zoom : enlargement by cropping, 1 where none was used.
    """

    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    focal_35mm: float | None = None
    focal_mm: float | None = None
    digital_zoom: float | None = None

    @property
    def camera(self) -> str | None:
        """Make and model in one name, the make only once."""
        if self.make is None or self.model is None:
            return self.model or self.make
        if self.model.lower().startswith(self.make.lower()):
            return self.model
        return f"{self.make} {self.model}"


def exif_of(image: Image) -> Exif:
    """The tags of a picture opened by Pillow; none where they are damaged.

    A TIFF must not have been decoded yet, for Pillow then closes the file that it reads the tags from; a PNG must have
    been, for Pillow would decode it here to find tags behind the pixels, and an error in the pixels would go unseen.
    """
    from PIL.Image import Exif

    try:
        return image.getexif()
    except Exception:  # the parser may raise anything, and a photo is a photo without its tags
        return Exif()


def exif_from(data: bytes) -> Exif:
    """The tags in the bytes of an Exif directory; none where they are damaged."""
    from PIL.Image import Exif

    exif = Exif()
    try:
        exif.load(data)
    except Exception:  # as above
        return Exif()
    return exif


def camera_tags(exif: Exif) -> CameraTags:
    """The tags of a photo; never raises, whatever the file holds."""
    details = _details(exif)
    focal_mm = _within(_number(_value(details, _FOCAL_LENGTH)), _FOCAL_RANGE_MM)
    zoom = _number(_value(details, _DIGITAL_ZOOM))
    return CameraTags(
        make=_text(_value(exif, _MAKE)),
        model=_text(_value(exif, _MODEL)),
        lens_model=_text(_value(details, _LENS_MODEL)),
        focal_35mm=_focal_35mm(_number(_value(details, _FOCAL_35MM)), focal_mm=focal_mm),
        focal_mm=focal_mm,
        digital_zoom=1.0 if zoom == 0 else _within(zoom, _ZOOM_RANGE),  # 0: "not used" (CIPA DC-008)
    )


def orientation(exif: Exif) -> int:
    """The orientation tag, 1 to 8; 1 where it is missing or something else."""
    value = _number(_value(exif, _ORIENTATION))
    return int(value) if value is not None and value in range(1, 9) else 1


def _focal_35mm(focal_35mm: float | None, *, focal_mm: float | None) -> float | None:
    """The tag where it can be true: 0 means unknown; shorter than the sensor's own focal length allows is an error."""
    sane = _within(focal_35mm, _FOCAL_35MM_RANGE)
    if sane is not None and focal_mm is not None and sane < _SMALLEST_CROP * focal_mm:
        return None
    return sane


def _within(value: float | None, limits: tuple[float, float]) -> float | None:
    return value if value is not None and limits[0] <= value <= limits[1] else None


def _details(exif: Exif) -> Mapping[int, object]:
    try:
        return exif.get_ifd(_EXIF_IFD)
    except Exception:  # the parser may raise anything on a damaged directory
        return {}


def _value(directory: Mapping[int, object], tag: int) -> object:
    try:
        return directory.get(tag)
    except Exception:  # values are parsed when asked for
        return None


def _number(value: object) -> float | None:
    """A finite number from an integer, a rational or the first of several; None from anything else."""
    if isinstance(value, tuple | list) and value:
        value = value[0]
    if isinstance(value, str | bytes | bool):
        return None
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if math.isfinite(number) else None


def _text(value: object) -> str | None:
    """One short line of printable characters; None where nothing is left."""
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    line = " ".join("".join(c if c.isprintable() else " " for c in value.split("\0")[0]).split())
    return line[:_LONGEST_TEXT].rstrip() or None
