"""CRC-32/ISO-HDLC of many frames at once.

The register after a good frame (its CRC included) is a constant, whatever the frame said. The CRC is linear, so the
register after k good frames of one length run through without a restart is a constant too, for each k. One `zlib.crc32`
over a block of rows can therefore be compared with a number known beforehand; only a block that differs is looked at
row by row. A block is kept below 11 kB, the length up to which this polynomial sees any three flipped bits, so the
check is no weaker than that of a single frame. In the order of the rows two errors could be made to cancel, since the
weight of each is known; the block is therefore checked in the opposite order too, where those two do not.
"""

from __future__ import annotations

import zlib
from functools import cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["good_rows"]

_BLOCK_BYTES = 8192  # our choice, below the 11 kB said above
_RESIDUE = 0x2144DF1C  # zlib.crc32 of any frame followed by its own CRC, little endian


@cache
def _expected(width: int, rows: int) -> int:
    """zlib.crc32 over `rows` rows of one 0x00 and `width - 1` bytes that end with their own CRC."""
    # Any good row will do, since the value is the same for all: a body of zeros.
    body = bytes(max(width - 5, 0))
    row = b"\0" + body + zlib.crc32(body).to_bytes(4, "little")
    return zlib.crc32(row * rows)


def good_rows(rows: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which rows end with their own CRC.

    Args:
        rows: (k, width) C-contiguous; column 0 is 0x00 and does not belong to the frame, the last 4 bytes are the CRC.

    Returns:
        (k,) True where header and payload agree with the CRC.
    """
    count, width = rows.shape
    good = np.ones(count, np.bool_)
    if width < 5:
        return np.zeros(count, np.bool_)
    step = max(1, _BLOCK_BYTES // width)
    data, turned = rows.reshape(-1).data, np.ascontiguousarray(rows[::-1]).reshape(-1).data
    for first in range(0, count, step):
        end = min(first + step, count)
        expected = _expected(width, end - first)
        there, back = data[first * width : end * width], turned[(count - end) * width : (count - first) * width]
        if zlib.crc32(there) != expected or zlib.crc32(back) != expected:
            for k in range(first, end):
                good[k] = zlib.crc32(data[k * width + 1 : (k + 1) * width]) == _RESIDUE
    return good
