"""Memory for pictures, used again for the next photo: to get it from the system costs a seventh of decoding."""

from __future__ import annotations

import sys
from threading import Lock

import numpy as np
from numpy.typing import NDArray

MOST_BLOCKS = 2
"""A photo as it is stored, and turned upright. The C library itself keeps memory for smaller arrays."""
MOST_WASTE = 2.0
"""A block this many times as large as what is asked for is left for larger pictures."""
LARGEST_KEPT = 30 * 2**20
"""Bytes of the largest arrays that GNU's C library is to keep when they are freed; it keeps none above 32 MiB."""
_HELD_HERE = 3
"""References to a block that nobody else uses: the list's, the name's, and the one that counts them."""
_blocks: list[NDArray[np.uint8]] = []
_lock = Lock()


def picture_memory(size: int) -> NDArray[np.uint8]:
    """So many bytes (size,) of any content, which nothing else refers to: of a picture that is gone, if one is."""
    with _lock:
        free = []
        for block in _blocks:
            if sys.getrefcount(block) <= _HELD_HERE:
                if size <= block.size <= MOST_WASTE * size:
                    return block[:size]
                free.append(block)
        if len(_blocks) >= MOST_BLOCKS:
            _blocks[:] = [block for block in _blocks if all(block is not one for one in free)]
        new = np.empty(size, np.uint8)
        if len(_blocks) < MOST_BLOCKS:
            _blocks.append(new)
        return new[:]


def _have_freed_memory_kept() -> None:
    """GNU's C library gives arrays back to the system until one as large has come and gone (mallopt(3), "dynamic mmap
    threshold"): to get a thousand pages again takes 2 ms. Elsewhere this does nothing; no page of it is ever touched.
    """
    np.empty(LARGEST_KEPT, np.uint8)


_have_freed_memory_kept()
