"""The bits of many delta blocks, read in step: one value of every block at a time, in numpy.

Blocks lie end to end; each has its own place to read from. Bits beyond a block's end read as 0, and the place says that
they were not there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["I64", "SPECIAL", "BlockBits", "unfold"]

I64 = NDArray[np.int64]

SPECIAL = 0x3FFFC  # first of the four 18-bit values that stand for reading codes
_ESCAPE = 12  # ones before 18 plain bits
_ONES = np.array([(f"{v:012b}" + "0").index("0") for v in range(4096)], np.int64)  # leading ones of 12 bits


class BlockBits:
    """Bits of several blocks, longest first; `live` is how many of the first ones are read from.

    Attributes:
        pos: (blocks,) bits read so far of each.
        size: (blocks,) bits there are.
    """

    def __init__(self, parts: list[bytes], values: int) -> None:
        """`values`: most values of one scan."""
        size = np.array([len(p) for p in parts])
        pad = values * 31 // 8 + 16  # a scan that begins within the bits ends within these
        joined = np.frombuffer(b"".join(p + bytes(pad) for p in parts) + bytes(8), np.uint8)
        windows = np.zeros(len(joined) - 8, np.uint64)  # the 64 bits that begin at each byte
        for k in range(8):
            windows = (windows << np.uint64(8)) | joined[k : k + len(windows)]
        self._windows = windows
        self._base = np.concatenate(([0], np.cumsum(size + pad)[:-1]))
        self.size = size * 8
        self.pos = np.zeros(len(parts), np.int64)

    def within(self, live: int) -> NDArray[np.bool_]:
        """Whether all that was read lay within the bits; a place beyond the end is drawn back to just behind it."""
        good = np.asarray(self.pos[:live] <= self.size[:live])
        np.minimum(self.pos[:live], self.size[:live] + 1, out=self.pos[:live])
        return good

    def bit(self, live: int, wanted: NDArray[np.bool_] | bool = True) -> NDArray[np.bool_]:
        """One bit of each block where it is wanted; False elsewhere."""
        found = np.asarray(wanted & (self._window(live) >> np.uint64(63) == 1))
        self.pos[:live] += wanted
        return found

    def value(self, k: I64, live: int, wanted: NDArray[np.bool_] | None = None) -> I64:
        """One code of each block; k: (live,) its plain bits, -1 for the short code. Where not wanted: -1, none read."""
        w = self._window(live)
        q = _ONES[(w >> np.uint64(52)).view(np.int64)]
        short = np.asarray(k < 0)
        longer: NDArray[np.bool_] | int = 0
        if short.any():  # 00, 01, then q ones and a zero for q + 1
            longer = short & (q > 0)
            k = np.where(short, q == 0, k)
        taken = q + 1
        rest = ((w << taken.view(np.uint64)) >> np.uint64(1)) >> (63 - k).view(np.uint64)
        u = np.asarray(rest.view(np.int64) | ((q << k) + longer), np.int64)
        taken += k
        escaped = np.asarray(q == _ESCAPE)
        if escaped.any():
            plain = (w >> np.uint64(64 - _ESCAPE - 18)).view(np.int64) & 0x3FFFF
            u = np.where(escaped, plain, u)
            taken = np.where(escaped, _ESCAPE + 18, taken)
        if wanted is None:
            self.pos[:live] += taken
            return u
        self.pos[:live] += np.where(wanted, taken, 0)
        return np.where(wanted, u, -1)

    def _window(self, live: int) -> NDArray[np.uint64]:
        pos = self.pos[:live]
        at = self._windows[self._base[:live] + (pos >> 3)]
        return np.asarray(at << (pos & 7).view(np.uint64), np.uint64)


def unfold(u: I64) -> I64:
    """Undo the folding of signs: 0, 1, 2, 3, 4 become 0, 1, -1, 2, -2."""
    half = (u + 1) >> 1
    return np.where(u & 1, half, -half)
