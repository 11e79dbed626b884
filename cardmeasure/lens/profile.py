"""The lens profile: record, and the TOML file that keeps one or several of them::

[[lens]]
make = "..."                # camera, lens and picture as the photos name them; a key that they lack is left out
model = "..."
focal_35mm = 26.0
digital_zoom = 1.0
long_px = 4032
short_px = 3024
shots = 8                   # from so many
mean = [...]                # ln of focal length over picture diagonal, k1, k2, k3
covariance = [[...], ...]   # of the next shot's own about these
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import msgspec
import numpy as np

from cardmeasure.errors import UsageError
from cardmeasure.lens.identity import LensIdentity, mismatch
from cardmeasure.toml_files import FileWords, read_toml

LENS_FILE = "lens.toml"
"""Name of the lens profile that holds for all photos of the folder it lies in."""
NAMES = ("ln focal length / diagonal", "k1", "k2", "k3")
Vector = tuple[float, float, float, float]
Matrix = tuple[Vector, Vector, Vector, Vector]
_FOCAL_SHARES = (0.1, 12.0)
"""Focal length over picture diagonal, from the widest lens to the longest: common practice, no source."""
_MOST_DISTORTION = 5.0
_WORDS = FileWords(
    subject="the lens profile", too_large="for lens profiles",
    not_toml="the lens profile is not valid TOML; make it anew with cardmeasure lens.",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class LensProfile:
    """What is known of one lens before its next shot: mean (4,), covariance (4, 4) of `NAMES`; from so many shots."""

    identity: LensIdentity
    shots: int
    mean: Vector
    covariance: Matrix


class _Row(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """One table of the file."""

    long_px: int
    short_px: int
    shots: int
    mean: Vector
    covariance: Matrix
    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    focal_35mm: float | None = None
    focal_mm: float | None = None
    digital_zoom: float = 1.0


class _File(msgspec.Struct, forbid_unknown_fields=True):
    lens: list[_Row]


def profile_for(photo: LensIdentity, profiles: Sequence[LensProfile]) -> tuple[LensProfile | None, str | None]:
    """The profile that is for a photo; else none, and why the one that comes nearest is not."""
    reasons = []
    for profile in profiles:
        reason = mismatch(photo, profile.identity)
        if reason is None:
            return profile, None
        reasons.append((not _same_camera(photo, profile.identity), reason))
    return None, min(reasons)[1] if reasons else None


def _same_camera(one: LensIdentity, other: LensIdentity) -> bool:
    return (one.make, one.model) == (other.make, other.model)


def read_lens_profiles(path: Path) -> tuple[LensProfile, ...]:
    """The profiles of a file.

    Raises
    ------
    UsageError : the file cannot be read, or is no lens profile; the message names the file and what is wrong.
    """
    try:
        rows = msgspec.convert(read_toml(path, _WORDS), _File).lens
    except msgspec.ValidationError as error:
        raise UsageError(f"{path}: this is no lens profile ({error}); make one with cardmeasure lens.") from error
    if not rows:
        raise UsageError(f"{path}: the lens profile holds no lens; make it anew with cardmeasure lens.")
    return tuple(_profile(row, where=f"{path}: lens {number}") for number, row in enumerate(rows, start=1))


def lens_profiles_toml(profiles: Sequence[LensProfile]) -> str:
    """The text of a file that holds these profiles."""
    return "\n".join(_table(profile) for profile in profiles)


def _profile(row: _Row, *, where: str) -> LensProfile:
    values = msgspec.to_builtins(row)
    shots, mean, covariance = row.shots, row.mean, np.array(row.covariance)
    low, high = (math.log(share) for share in _FOCAL_SHARES)
    if not (low <= mean[0] <= high and all(abs(k) <= _MOST_DISTORTION for k in mean[1:])):
        raise UsageError(f"{where}.mean is none that a lens can have; make the profile anew with cardmeasure lens.")
    if not (np.isfinite(covariance).all() and np.allclose(covariance, covariance.T, rtol=1e-6, atol=1e-15)
            and np.linalg.eigvalsh(covariance).min() > 0):  # fmt: skip
        raise UsageError(f"{where}.covariance is no covariance; make the profile anew with cardmeasure lens.")
    if shots < 1 or not 0 < row.short_px <= row.long_px:
        raise UsageError(f"{where}: shots, short_px and long_px must be above 0, and long_px the longer side.")
    keys = {key: value for key, value in values.items() if key not in ("shots", "mean", "covariance")}
    return LensProfile(identity=LensIdentity(**keys), shots=shots, mean=mean, covariance=row.covariance)


def _table(profile: LensProfile) -> str:
    known = {key: value for key, value in asdict(profile.identity).items() if value is not None}
    lines = ["[[lens]]", *(f"{key} = {_value(value)}" for key, value in known.items()), f"shots = {profile.shots}"]
    rows = ",\n  ".join(_numbers(row) for row in profile.covariance)
    return "\n".join([*lines, f"mean = {_numbers(profile.mean)}", f"covariance = [\n  {rows},\n]"]) + "\n"


def _value(value: object) -> str:
    """A text or number as TOML writes it: as JSON does, but for the one control character that JSON leaves alone."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _numbers(values: Sequence[float]) -> str:
    return f"[{', '.join(repr(float(value)) for value in values)}]"
