"""HEIC by libheif. The decoder applies the container's own turns, which alone count: the Exif tag only repeats them."""

from __future__ import annotations

import numpy as np

from cardmeasure.photo.colour import SRGB, as_bgr
from cardmeasure.photo.formats import HEIC
from cardmeasure.photo.raster import Raster, require_size
from cardmeasure.photo.tags import camera_tags, exif_from


def read_heic(data: bytes, *, max_megapixels: float) -> Raster:
    """Decode the primary picture of a HEIC file; 10 and 12 bits fill the upper bits of 16."""
    from pillow_heif import open_heif

    heif = open_heif(data, convert_hdr_to_8bit=False, bgr_mode=True)
    require_size(*heif.size, max_megapixels=max_megapixels)
    pixels = np.array(heif)
    return Raster(
        pixels_bgr=as_bgr(pixels),
        format=HEIC,
        camera=camera_tags(exif_from(heif.info.get("exif") or b"")),
        profile=heif.info.get("icc_profile"),
        is_grey=pixels.ndim == 2,
        bits=int(heif.info["bit_depth"]) if pixels.dtype == np.uint16 else 8,
        colour_halved=True,
        curve=int(heif.info.get("nclx_profile", {}).get("transfer_characteristics", SRGB)),
    )
