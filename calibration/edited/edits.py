"""What people and apps do to photos before they are measured, each as a picture and a map of places in it.

Editors keep the EXIF data of the camera, scanner apps and screenshots do not (common practice, no source). What is done
to the scene, such as a square whose edges stand up, is done to the finished picture by moving its pixels as the true
camera would see it; only what hides behind raised paper, less than a pixel, is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calibration.edited.samples import Bytes, Floats, Sample
from calibration.rig.develop import shake_kernel
from calibration.rig.packing import design_named
from cardmeasure.reference.print_profile import PrintProfile, profile_from_readings
from cardmeasure.reference.readings import MARKS, Reading

Rng = np.random.Generator
Pixels = NDArray[np.floating[Any]]
Map = Callable[[Floats], Floats]

QUALITY = 93
SCREEN_PX = (2532, 1170)
"""A phone's screen, long and short side."""
SCANNED_WIDTH_PX = 2200
U_READING_MM = 0.08
"""Of a bar read with care, as in the samples."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Edited:
    """An edited photo: pixels (h, w, 3), whether it keeps the camera's EXIF data, where places (n, 2) of the sample's
    went, and what its user takes the print for."""

    pixels: Bytes
    keeps_exif: bool
    moved: Map
    print_profile: PrintProfile
    quality: int = QUALITY


Edit = Callable[[Sample, Rng], Edited | None]
"""None where the edit cannot be done to a sample."""


def untouched(sample: Sample, _: Rng, *, quality: int = QUALITY, keeps_exif: bool = True) -> Edited:
    """The photo, only saved again."""
    return replace(_as_taken(sample, sample.pixels, keeps_exif=keeps_exif), quality=quality)


def cropped(sample: Sample, rng: Rng, *, shift: float) -> Edited | None:
    """The crop whose middle is `shift` of its own diagonal from the photo's, with the most cards beside the square."""
    size = np.array(sample.size_px, float)
    best: tuple[int, float, Floats, Floats] | None = None
    square, cards = sample.square_px.reshape(-1, 2), sample.cards_px
    if sample.on_sheet:
        square = square.mean(axis=0, keepdims=True)
    for share in (0.9, 0.8, 0.7, 0.6, 0.5, 0.4):
        extent = np.rint(share * size)
        for way in rng.uniform(0, 2 * np.pi, 40):
            middle = (size - 1) / 2 + shift * float(np.hypot(*extent)) * np.array([np.cos(way), np.sin(way)])
            low = np.rint(middle - (extent - 1) / 2)
            if (low < 0).any() or (low + extent > size).any() or not _inside(square, low, extent):
                continue
            held = sum(_inside(card, low, extent) for card in cards)
            if held and (best is None or (held, share) > best[:2]):
                best = (held, share, low, extent)
    if best is None:
        return None
    return _cut(sample, best[2], best[3])


def cropped_evenly(sample: Sample, _: Rng, *, share: float = 0.8) -> Edited | None:
    """A crop about the middle of the photo."""
    size = np.array(sample.size_px, float)
    extent = np.rint(share * size)
    low = np.rint((size - extent) / 2)
    inside = _inside(sample.square_px.reshape(-1, 2), low, extent) or sample.on_sheet
    return _cut(sample, low, extent) if inside else None


def _inside(points: Floats, low: Floats, extent: Floats) -> bool:
    return bool(((points > low + 12) & (points < low + extent - 12)).all())


def _cut(sample: Sample, low: Floats, extent: Floats) -> Edited:
    (x, y), (width, height) = low.astype(int).tolist(), extent.astype(int).tolist()
    part = np.ascontiguousarray(sample.pixels[y : y + height, x : x + width])
    return replace(_as_taken(sample, part), moved=lambda px: px - low)


def _as_taken(sample: Sample, pixels: Bytes, *, keeps_exif: bool = True) -> Edited:
    return Edited(
        pixels=pixels, keeps_exif=keeps_exif, moved=lambda px: px, print_profile=sample.print_profile,
    )  # fmt: skip


def straightened(sample: Sample, rng: Rng, *, degrees: float) -> Edited:
    """The picture as if the phone had been held otherwise by some degrees, enlarged until it fills its frame."""
    way = rng.uniform(0, 2 * np.pi)
    rotation = cv2.Rodrigues(np.radians(degrees) * np.array([np.cos(way), np.sin(way), 0.0]))[0]
    k = sample.intrinsic
    return _filled(sample, k @ rotation @ np.linalg.inv(k))


def turned(sample: Sample, rng: Rng) -> Edited:
    """The picture turned by one to five degrees, as for a level horizon, enlarged until it fills its frame."""
    angle = float(rng.choice([-1, 1]) * rng.uniform(1, 5))
    width, height = sample.size_px
    about = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), angle, 1.0)
    return _filled(sample, np.vstack([about, [0, 0, 1]]))


def _filled(sample: Sample, h: Floats) -> Edited:
    """The picture through a homography, enlarged about its middle until no empty corner shows."""
    size = np.array(sample.size_px, float)
    middle = (size - 1) / 2
    corners = np.array([[0, 0], [size[0] - 1, 0], size - 1, [0, size[1] - 1]])
    low, high = 1.0, 3.0
    for _ in range(30):
        zoom = (low + high) / 2
        back = _through(np.linalg.inv(_zoom(middle, zoom) @ h), corners)
        low, high = (low, zoom) if ((back >= 0) & (back <= size - 1)).all() else (zoom, high)
    whole = _zoom(middle, high) @ h
    return replace(_as_taken(sample, _warped(sample.pixels, whole, sample.size_px)), moved=partial(_through, whole))


def _zoom(middle: Floats, factor: float) -> Floats:
    x, y = (1 - factor) * middle
    return np.array([[factor, 0, x], [0, factor, y], [0, 0, 1.0]])


def _through(h: Floats, px: Floats) -> Floats:
    return np.asarray(cv2.perspectiveTransform(px.reshape(-1, 1, 2).astype(np.float64), h).reshape(px.shape))


def _warped(pixels: Bytes, h: Floats, size: tuple[int, int]) -> Bytes:
    how = {"flags": cv2.INTER_CUBIC, "borderMode": cv2.BORDER_REPLICATE}
    return np.asarray(cv2.warpPerspective(pixels, h, size, **how), np.uint8)  # type: ignore[call-overload]


def scanned(sample: Sample, _: Rng, *, keeps_exif: bool) -> Edited:
    """The mat pulled straight from its four corners, as scanner apps do, and resized."""
    pieces = np.concatenate([sample.cards_px.reshape(-1, 2), sample.square_px.reshape(-1, 2)])
    x, y = np.clip(pieces, 0, np.array(sample.size_px) - 1).T
    on_mat = _through(np.linalg.inv(_table(sample)), np.column_stack([x, y]))
    (left, bottom), (right, top) = on_mat.min(axis=0) - 8.0, on_mat.max(axis=0) + 8.0
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    aspect = (top - bottom) / (right - left)
    width = SCANNED_WIDTH_PX if aspect < 1 else round(SCANNED_WIDTH_PX / aspect)
    size = (width, round(width * aspect))
    target = np.array([[0, 0], [size[0] - 1, 0], [size[0] - 1, size[1] - 1], [0, size[1] - 1]], np.float32)
    h = cv2.getPerspectiveTransform(_through(_table(sample), corners).astype(np.float32), target)
    pixels = _warped(sample.pixels, h, size)
    return replace(_as_taken(sample, pixels, keeps_exif=keeps_exif), moved=partial(_through, h))


def _table(sample: Sample) -> Floats:
    """Homography (3, 3) from the mat's x, y, mm, to the picture, without distortion."""
    camera = sample.truth["camera"]
    rotation = np.array(camera["rotation"], float)
    shift = -rotation @ np.array(camera["centre_mm"], float)
    return np.asarray(sample.intrinsic @ np.column_stack([rotation[:, 0], rotation[:, 1], shift]))


def stretched(sample: Sample, rng: Rng, *, share: float) -> Edited:
    """The picture made wider, or narrower, by a share."""
    width, height = sample.size_px
    wide = round(width * (1 + share * float(rng.choice([-1, 1]))))
    pixels = cv2.resize(
        sample.pixels, (wide, height), interpolation=cv2.INTER_AREA if wide < width else cv2.INTER_CUBIC
    )
    factor = np.array([wide / width, 1.0])
    return replace(_as_taken(sample, np.asarray(pixels, np.uint8)), moved=lambda px: (px + 0.5) * factor - 0.5)


def panorama(sample: Sample, _: Rng) -> Edited:
    """The picture on a cylinder, as stitched ones are."""
    k = sample.intrinsic
    focal, middle = k[0, 0], k[:2, 2]

    def moved(px: Floats) -> Floats:
        x, y = ((px - middle) / focal).reshape(-1, 2).T
        on = np.column_stack([np.arctan(x), y / np.hypot(1.0, x)])
        return np.asarray(on * focal + middle).reshape(px.shape)

    width, height = sample.size_px
    (left, _), (right, _) = moved(np.array([[0.0, middle[1]], [width - 1.0, middle[1]]]))
    side = moved(np.array([[0.0, 0.0], [0.0, height - 1.0]]))[:, 1]
    low, extent = np.ceil([left, side[0]]), np.floor([right - left, side[1] - side[0]])
    u, v = np.meshgrid(np.arange(extent[0]) + low[0], np.arange(extent[1]) + low[1])
    across = np.tan((u - middle[0]) / focal)
    down = (v - middle[1]) / focal * np.hypot(1.0, across)
    pixels = _resampled(sample.pixels, across * focal + middle[0], down * focal + middle[1])
    return replace(_as_taken(sample, pixels), moved=lambda px: moved(px) - low)


def _resampled(pixels: Bytes, x: Floats, y: Floats) -> Bytes:
    x, y = x.astype(np.float32), y.astype(np.float32)  # type: ignore[assignment]
    return np.asarray(cv2.remap(pixels, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.uint8)


def screenshot(sample: Sample, _: Rng) -> Edited:
    """The photo as large as it goes on a phone's screen, with black beside it, and no EXIF data."""
    width, height = sample.size_px
    screen = SCREEN_PX if width > height else SCREEN_PX[::-1]
    scale = min(screen[0] / width, screen[1] / height)
    size = (round(width * scale), round(height * scale))
    low = np.array([(screen[0] - size[0]) // 2, (screen[1] - size[1]) // 2])
    canvas = np.zeros((screen[1], screen[0], 3), np.uint8)
    small = cv2.resize(sample.pixels, size, interpolation=cv2.INTER_AREA)
    canvas[low[1] : low[1] + size[1], low[0] : low[0] + size[0]] = small
    factor = np.array(size) / (width, height)
    moved: Map = lambda px: (px + 0.5) * factor - 0.5 + low  # noqa: E731
    return replace(_as_taken(sample, canvas, keeps_exif=False), moved=moved)


def swapped(sample: Sample, _: Rng) -> Edited | None:
    """The readings of the two bars written down the wrong way round, in per cent; the diagonal was not read."""
    if sample.readings is None:
        return None
    at = sample.truth["reference"]
    return replace(untouched(sample, _), print_profile=_read(x=at["scale_y"], y=at["scale_x"]))


def misread(sample: Sample, rng: Rng, *, off_mm: float) -> Edited | None:
    """One bar of two misread."""
    if sample.readings is None:
        return None
    at, off = sample.truth["reference"], off_mm * float(rng.choice([-1, 1]))
    long = bool(rng.integers(2))
    x, y = at["scale_x"] + (0 if long else off / 180.0), at["scale_y"] + (off / 250.0 if long else 0)
    return replace(untouched(sample, rng), print_profile=_read(x=x, y=y))


def _read(*, x: float, y: float) -> PrintProfile:
    """What the readings of both bars make of a print that seems to have these scales."""
    of_bars = {"long_bar": y, "short_bar": x}
    return profile_from_readings(
        tuple(
            Reading(name=name, reading_mm=scale * MARKS[name].length_mm, u_mm=U_READING_MM)
            for name, scale in of_bars.items()
        )
    )


def raised(sample: Sample, rng: Rng, *, rise_mm: float, bent: bool) -> Edited | None:
    """The square above the mat, whole (on glass) or along two of its edges, by so much at most."""
    if sample.on_sheet:
        return None
    pixels = sample.pixels.copy()
    for one in sample.truth["reference"]["squares"]:
        half = design_named(one["design"]).side_mm / 2
        grid = np.stack(np.meshgrid(*[np.linspace(-1.05, 1.05, 61)] * 2), axis=-1).reshape(-1, 2)
        way = float(rng.choice([0.0, 90.0, 45.0]))
        along = grid @ np.array([np.cos(np.radians(way)), np.sin(np.radians(way))])
        height = rise_mm * (along**2 if bent else np.ones(len(along)))
        turn = np.radians(one["turn_deg"])
        c, s = np.cos(turn), np.sin(turn)
        x, y = (grid * half * [1.0, -1.0]).T  # y runs down on the piece, away in the world
        world = np.column_stack([one["x_mm"] + c * x - s * y, one["y_mm"] + s * x + c * y])
        seen, flat = (_projected(sample, world, z) for z in (height, np.zeros(len(world))))
        _move(pixels, sample.pixels, seen, flat - seen, np.array(one["corners_px"], float))
    return _as_taken(sample, pixels)


def _projected(sample: Sample, world_mm: Floats, z_mm: Floats) -> Floats:
    camera = sample.truth["camera"]
    rotation = np.array(camera["rotation"], float)
    shift = -rotation @ np.array(camera["centre_mm"], float)
    lens = np.array([camera[name] for name in ("k1", "k2", "p1", "p2", "k3")], float)
    points = np.column_stack([world_mm, z_mm])
    return np.asarray(cv2.projectPoints(points, rotation, shift, sample.intrinsic, lens)[0].reshape(-1, 2), np.float64)


def _move(out: Bytes, pixels: Bytes, at: Floats, back: Floats, corners: Floats) -> None:
    """Fill a square of a picture with what lies `back` (n, 2) px from places (n, 2), in between by a polynomial."""
    middle, reach = at.mean(axis=0), float(np.abs(at - at.mean(axis=0)).max())
    (left, top), (right, bottom) = np.floor(corners.min(axis=0)), np.ceil(corners.max(axis=0))
    u, v = np.meshgrid(np.arange(left, right + 1), np.arange(top, bottom + 1))
    terms = [(i, k) for i in range(6) for k in range(6 - i)]
    unit = (at - middle) / reach
    fit = np.linalg.lstsq(np.column_stack([unit[:, 0] ** i * unit[:, 1] ** k for i, k in terms]), back, rcond=None)[0]
    x, y = (u - middle[0]) / reach, (v - middle[1]) / reach
    off = np.einsum("thw,td->hwd", np.stack([x**i * y**k for i, k in terms]), fit)
    filled = _resampled(pixels, u + off[..., 0], v + off[..., 1])
    mask = np.zeros(u.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint(corners - [left, top]).astype(np.int32), 1)
    part = out[int(top) : int(bottom) + 1, int(left) : int(right) + 1]
    part[mask > 0] = filled[: part.shape[0], : part.shape[1]][mask > 0]


def lit_from_one_side(sample: Sample, rng: Rng, *, darkest: float = 0.2) -> Edited:
    """Light that falls off evenly across the photo to a share."""
    width, height = sample.size_px
    way = rng.uniform(0, 2 * np.pi)
    x, y = np.linspace(-1, 1, width)[None, :], np.linspace(-1, 1, height)[:, None]
    t = (np.cos(way) * x + np.sin(way) * y) / (abs(np.cos(way)) + abs(np.sin(way)))
    ramp = (darkest + (1 - darkest) * (t + 1) / 2).astype(np.float32)
    return _as_taken(sample, _display(_linear(sample.pixels) * ramp[..., None]))


def smeared(sample: Sample, rng: Rng, *, length_px: float) -> Edited:
    """The phone moved while it took the photo."""
    kernel = shake_kernel(length_px, float(rng.uniform(0, 180)))
    light = cv2.filter2D(_linear(sample.pixels), -1, kernel, borderType=cv2.BORDER_REPLICATE)
    return _as_taken(sample, _display(np.asarray(light)))


def _linear(pixels: Bytes) -> Pixels:
    v = np.arange(256) / 255.0
    table = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return np.asarray(table[pixels])


def _display(light: Pixels) -> Bytes:
    light = np.clip(light, 0, 1)
    shown = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.asarray(shown * 255 + 0.5, np.uint8)


EDITS: Mapping[str, Edit] = {
    "untouched": untouched,
    "cropped evenly": cropped_evenly,
    "cropped, middle 6 % off": partial(cropped, shift=0.06),
    "cropped, middle 15 % off": partial(cropped, shift=0.15),
    "cropped, middle 40 % off": partial(cropped, shift=0.40),
    "straightened by 2 deg": partial(straightened, degrees=2.0),
    "straightened by 4 deg": partial(straightened, degrees=4.0),
    "straightened by 6 deg": partial(straightened, degrees=6.0),
    "turned": turned,
    "scanner app": partial(scanned, keeps_exif=False),
    "scanner app, keeping EXIF": partial(scanned, keeps_exif=True),
    "stretched by 1 %": partial(stretched, share=0.01),
    "stretched by 3 %": partial(stretched, share=0.03),
    "stretched by 10 %": partial(stretched, share=0.10),
    "panorama": panorama,
    "screenshot": screenshot,
    "readings swapped": swapped,
    "bar misread by 2 mm": partial(misread, off_mm=2.0),
    "bar misread by 10 mm": partial(misread, off_mm=10.0),
    "square bent up 0.25 mm": partial(raised, rise_mm=0.25, bent=True),
    "square bent up 0.6 mm": partial(raised, rise_mm=0.6, bent=True),
    "square 0.3 mm up": partial(raised, rise_mm=0.3, bent=False),
    "square 0.6 mm up": partial(raised, rise_mm=0.6, bent=False),
    "lit from one side": lit_from_one_side,
    "smeared by 5 px": partial(smeared, length_px=5.0),
    "smeared by 10 px": partial(smeared, length_px=10.0),
    "smeared by 20 px": partial(smeared, length_px=20.0),
    "sent, without EXIF": partial(untouched, quality=75, keeps_exif=False),
    "quality 60": partial(untouched, quality=60),
}
"""All edits by name."""


def exif_of(sample: Sample, edited: Edited) -> Image.Exif:
    """What the file says of the camera."""
    return sample.exif if edited.keeps_exif else Image.Exif()
