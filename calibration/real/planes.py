"""The planes and lenses of a folder's photos: of each a fit to all its cards, and fits to part of them to paint by."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calibration.real.corpus import LabelledPhoto
from calibration.real.lens import LensFit, ScatteredPoints, SharedLens, fit_lens, shared_lens, sizes_by
from calibration.real.side_points import side_points

Floats = NDArray[np.floating[Any]]

MODEL, EXIF, FOCAL = 0x0110, 0x8769, 0x920A
MANY_CARDS, FEW_CARDS = 10, 5
"""From so many equal cards on two halves are left out in turn; from so few on, thirds; with fewer none can be."""
FIRM_SHARE = 0.007
"""Of the long side: cards that a camera sees more unequal than that, though they had no part in it, show that it is
none to paint by. The same limit as that of a firm plane in the truth files, so no new one."""
FEWEST_SCATTERED = 20
"""Points of a grid that tell a lens; fewer are taken for a homography."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SeenPhoto:
    """A photo as read: its equal cards' side points (c, 4, n, 2), those of all flat things, its camera."""

    photo: LabelledPhoto
    picture_px: tuple[int, int]
    equal_sides: Floats
    flat_sides: tuple[Floats, ...]
    camera: tuple[str, float, tuple[int, int]] | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Fold:
    """What one painting rests on: the camera, and which of the photo's equal cards it was fitted to without."""

    fit: LensFit
    held_out: tuple[int, ...]
    circular: bool
    plane_sd_mm: tuple[float, float] | None
    """Scatter of the long and the short sides of the cards held out, by the camera fitted without them."""


def read_pixels(photo: LabelledPhoto) -> NDArray[np.uint8]:
    """The upright picture (h, w, 3), blue first; raises FileNotFoundError where there is none."""
    pixels = cv2.imread(str(photo.path), cv2.IMREAD_COLOR)
    if pixels is None:
        raise FileNotFoundError(f"{photo.path} is no picture that can be read.")
    return np.asarray(pixels, np.uint8)


def grey_of(pixels: NDArray[np.uint8]) -> Floats:
    """Code values (h, w) of brightness, float32."""
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), np.float32)


def seen_photo(photo: LabelledPhoto) -> SeenPhoto:
    """The photo with the points along the sides of its things."""
    pixels = read_pixels(photo)
    grey = grey_of(pixels)
    sides = [side_points(grey, thing.corners_px, sigma_px=photo.sigma_px) for thing in photo.things]
    equal = [one for one, thing in zip(sides, photo.things, strict=True) if thing.equal]
    flat = [one for one, thing in zip(sides, photo.things, strict=True) if thing.flat]
    return SeenPhoto(
        photo=photo, picture_px=(pixels.shape[1], pixels.shape[0]), equal_sides=_stacked(equal),
        flat_sides=tuple(flat), camera=_camera_of(photo, pixels.shape),
    )  # fmt: skip


def _stacked(sides: Sequence[Floats]) -> Floats:
    return np.array(sides) if sides else np.zeros((0, 4, 1, 2))


def _camera_of(photo: LabelledPhoto, shape: tuple[int, ...]) -> tuple[str, float, tuple[int, int]] | None:
    """Model, focal length and picture size; None where the file does not say."""
    with Image.open(photo.path) as image:
        exif = image.getexif()
        model, focal = exif.get(MODEL), exif.get_ifd(EXIF).get(FOCAL)
    if not model or not focal:
        return None
    return str(model), round(float(focal), 2), (min(shape[:2]), max(shape[:2]))


def whole_fits(photos: Sequence[SeenPhoto]) -> dict[str, LensFit]:
    """Of each photo the fit to all that it shows, by name; none of photos without a plane."""
    fits = {}
    for seen in photos:
        try:
            fit = _fit(seen, range(len(seen.equal_sides)), shared=None)
        except np.linalg.LinAlgError:
            fit = None  # points on one line, or on one another: no plane
        if fit is not None:
            fits[seen.photo.name] = fit
    return fits


def shared_with(seen: SeenPhoto, photos: Sequence[SeenPhoto], fits: Mapping[str, LensFit]) -> SharedLens | None:
    """What the other photos of the same camera say of its lens; nothing where there are none."""
    others = [
        fits[other.photo.name]
        for other in photos
        if other is not seen and other.camera is not None and other.camera == seen.camera
        and other.photo.name in fits and fits[other.photo.name].has_lens
    ]  # fmt: skip
    return shared_lens(others)


def folds(seen: SeenPhoto, *, shared: SharedLens | None) -> tuple[Fold, ...]:
    """The paintings that a photo deserves: with enough equal cards each rests on part of them, and scores the rest.

    Where a part of the cards tells the plane too badly to paint by, one painting rests on all of them, and says so.
    """
    n = len(seen.equal_sides)
    parts = 2 if n >= MANY_CARDS else 3 if n >= FEW_CARDS else 1
    found = tuple(_folds(seen, shared=shared, parts=parts))
    firm = all(_is_firm(seen, fold) for fold in found)
    return found if firm or parts == 1 else tuple(_folds(seen, shared=shared, parts=1))


def _is_firm(seen: SeenPhoto, fold: Fold) -> bool:
    equal_mm = seen.photo.equal_mm
    if fold.plane_sd_mm is None or equal_mm is None:
        return True
    return max(fold.plane_sd_mm) < FIRM_SHARE * max(equal_mm)


def _folds(seen: SeenPhoto, *, shared: SharedLens | None, parts: int) -> Iterator[Fold]:
    n = len(seen.equal_sides)
    for part in range(parts):
        held = tuple(range(part, n, parts)) if parts > 1 else tuple(range(n))
        kept = [k for k in range(n) if k not in held] if parts > 1 else list(range(n))
        fit = _fit(seen, kept, shared=shared)
        if fit is None:
            return
        circular = parts == 1 and seen.photo.circular
        yield Fold(fit=fit, held_out=held, circular=circular, plane_sd_mm=_plane_sd(seen, fit, held))


def _plane_sd(seen: SeenPhoto, fit: LensFit, held: Sequence[int]) -> tuple[float, float] | None:
    sizes = [size for k in held if (size := sizes_by(fit.camera, seen.equal_sides[k])) is not None]
    if len(sizes) < 2:
        return None
    long_sd, short_sd = np.std(np.array(sizes), axis=0, ddof=1).tolist()
    return long_sd, short_sd


def _fit(seen: SeenPhoto, cards: Sequence[int], *, shared: SharedLens | None) -> LensFit | None:
    """The fit to some of the equal cards; without any, to the points of a grid, or to the things of known size."""
    photo = seen.photo
    common: dict[str, Any] = {
        "plane_mm": photo.plane_mm, "plane_px": photo.plane_px, "picture_px": seen.picture_px,
        "focal_35mm": photo.focal_35mm,
    }  # fmt: skip
    if len(photo.plane_px) < 4:
        return None
    equal = [thing for thing in photo.things if thing.equal]
    if equal and photo.equal_mm is not None:
        corners = [equal[k].corners_px for k in cards]
        sides = [seen.equal_sides[k] for k in cards]
        return fit_lens(sides_px=sides, corners_px=corners, size_mm=photo.equal_mm, shared=shared, **common)
    scattered = ScatteredPoints(mm=photo.plane_mm, px=photo.plane_px)
    with_lens = not photo.circular and len(photo.plane_px) >= FEWEST_SCATTERED
    return fit_lens(sides_px=[], corners_px=[], size_mm=None, scattered=scattered, with_lens=with_lens, **common)
