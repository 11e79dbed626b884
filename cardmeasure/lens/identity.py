"""Which lens took a photo, as far as the file says it, and why two photos cannot share a profile."""

from __future__ import annotations

from dataclasses import dataclass

from cardmeasure.photo import CameraTags, Photo


@dataclass(frozen=True, kw_only=True, slots=True)
class LensIdentity:
    """What must be alike for one lens profile: camera, lens, focal length, zoom (1 where none was used), picture size.

    `long_px`, `short_px`: sides of the picture, however it was held.
    """

    make: str | None
    model: str | None
    lens_model: str | None
    focal_35mm: float | None
    focal_mm: float | None
    digital_zoom: float
    long_px: int
    short_px: int

    @property
    def name(self) -> str:
        """Camera and focal length in words."""
        camera = CameraTags(make=self.make, model=self.model).camera or "an unnamed camera"
        focal = "" if self.focal_35mm is None else f" at {self.focal_35mm:g} mm"
        return camera + focal + ("" if self.digital_zoom == 1.0 else f", zoom {self.digital_zoom:g}")


def identity_of(photo: Photo) -> LensIdentity:
    """The lens that took a photo."""
    tags, sides = photo.camera, (photo.width_px, photo.height_px)
    return LensIdentity(
        make=tags.make,
        model=tags.model,
        lens_model=tags.lens_model,
        focal_35mm=tags.focal_35mm,
        focal_mm=tags.focal_mm,
        digital_zoom=tags.digital_zoom or 1.0,
        long_px=max(sides),
        short_px=min(sides),
    )


def mismatch(photo: LensIdentity, profile: LensIdentity) -> str | None:
    """Why a profile is not for a photo, in words that end a sentence; None where it is."""
    if photo.model is None:
        return "the photo does not name its camera"
    if (photo.make, photo.model) != (profile.make, profile.model):
        return f"the profile is of another camera, {profile.name}"
    if photo.lens_model != profile.lens_model:
        return f"the profile is of another lens of this camera, {profile.lens_model or 'which it does not name'}"
    if (photo.focal_35mm, photo.focal_mm) != (profile.focal_35mm, profile.focal_mm):
        return f"the profile is of another focal length, {_mm(profile)}, and the photo was taken at {_mm(photo)}"
    if photo.digital_zoom != profile.digital_zoom:
        return f"the profile is of zoom {profile.digital_zoom:g}, and the photo of {photo.digital_zoom:g}"
    if (photo.long_px, photo.short_px) != (profile.long_px, profile.short_px):
        size = f"{profile.long_px} x {profile.short_px} pixels"
        return f"the profile is of pictures of {size}, and the photo has {photo.long_px} x {photo.short_px}"
    return None


def _mm(one: LensIdentity) -> str:
    if one.focal_35mm is not None:
        return f"{one.focal_35mm:g} mm (35 mm equivalent)"
    return "one that it does not name" if one.focal_mm is None else f"{one.focal_mm:g} mm"
