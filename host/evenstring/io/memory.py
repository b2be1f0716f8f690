"""Memory of the C library, for whoever handles much data block by block."""

from __future__ import annotations

import numpy as np

__all__ = ["keep_freed"]

_BLOCK_BYTES = 31 << 20  # below the 32 MiB from which glibc learns nothing: published, mallopt(3)


def keep_freed() -> None:
    """Keep freed blocks for the next ones, where the C library is glibc; elsewhere this does nothing.

    glibc gives blocks over 128 kB back to the system and gets them anew, zeroed page by page: up to a third of the time
    that such a block is in use. It keeps them once it has seen a larger one freed (M_MMAP_THRESHOLD of mallopt(3)).
    The block made for that is never written to, so that it takes no memory; up to 62 MB of freed blocks are kept.
    """
    np.empty(_BLOCK_BYTES, np.uint8)
