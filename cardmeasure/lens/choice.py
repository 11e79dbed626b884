"""The lens profile of one photo, if one is for it: as a prior of the adjustment, a flag and words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cardmeasure.lens.identity import LensIdentity
from cardmeasure.lens.profile import LensProfile, profile_for
from cardmeasure.priors import LensPrior


@dataclass(frozen=True, kw_only=True)
class LensChoice:
    """What is known of a photo's lens: the prior, the flags of the shot, and which profile it is or why it is none."""

    prior: LensPrior | None = None
    flags: tuple[str, ...] = ()
    words: str | None = None


def chosen_lens(photo: LensIdentity, profiles: Sequence[LensProfile]) -> LensChoice:
    """The choice for a photo; nothing at all where there are no profiles."""
    if not profiles:
        return LensChoice()
    profile, reason = profile_for(photo, profiles)
    if profile is None:
        return LensChoice(flags=("lens-profile-refused",), words=f"not used: {reason}")
    return LensChoice(
        prior=_prior(profile, photo),
        flags=("lens-profile-used",),
        words=f"of {profile.identity.name}, from {profile.shots} shots",
    )


def _prior(profile: LensProfile, photo: LensIdentity) -> LensPrior:
    diagonal = float(np.hypot(photo.long_px, photo.short_px))
    mean = np.array(profile.mean)
    mean[0] += np.log(diagonal)
    return LensPrior(mean=mean, covariance=np.array(profile.covariance))
