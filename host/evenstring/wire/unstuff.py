"""COBS of many pieces of equal size at once, in numpy. What comes out is still to be checked by its CRC.

Plan: copy the pieces side by side as rows, then walk the chains of codes, all rows at each step. A code is replaced by
the zero that it stands for, which leaves the frame itself behind column 0. Only the code behind a full block (254 bytes
without a zero) stands for nothing and is cut out.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

__all__ = ["unstuff"]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]
Flags = NDArray[np.bool_]

_FULL = 255  # code of a block of 254 bytes that no zero follows
_STEPPED = 40  # rows from which all are walked at once, a step at a time: our choice, by trial


def unstuff(buf: U8, starts: I64, size: int) -> Iterator[tuple[U8, I64, Flags]]:
    """Unstuff pieces of equal size.

    Args:
        buf: the stream; a 0x00 stands behind each piece, and none in it.
        starts: (k,) where the pieces begin, rising.
        size: bytes of each piece, its delimiter not counted.

    Yields:
        rows (m, width), C-contiguous: column 0 is 0x00, the unstuffed frame follows; (m,) which of `starts` they are,
        rising; (m,) whether the codes lead exactly to the end of the piece. All rows appear once, by falling width.
    """
    rows: U8 = sliding_window_view(buf, size)[starts]  # a copy, piece by piece side by side
    everything = np.arange(len(rows))
    if size <= _FULL - 1:  # no room for a full block with something behind it
        yield rows, everything, _walk(rows, None)
        return
    keep = np.ones(rows.shape, np.bool_)
    sound = _walk(rows, keep)
    cut = size - np.count_nonzero(keep, axis=1)
    for n in np.flatnonzero(np.bincount(cut)):
        which = np.flatnonzero(cut == n)
        yield rows[which][keep[which]].reshape(len(which), size - int(n)), which, sound[which]


def _walk(rows: U8, keep: Flags | None) -> Flags:
    """Walk the chains of the rows, in place; clear in `keep` the codes that stand for no zero.

    Returns:
        (len(rows),) whether the chain ends with its row.
    """
    if len(rows) < _STEPPED:
        return np.array([_walk_one(row, None if keep is None else keep[k]) for k, row in enumerate(rows)], np.bool_)
    size = rows.shape[1]
    flat = rows.reshape(-1)
    sound = np.ones(len(rows), np.bool_)
    mine = np.arange(len(rows))
    at = mine * size
    ends = at + size
    while len(at):
        code = flat[at]
        flat[at] = 0
        at = at + code
        inside = at < ends
        if keep is not None:
            keep.reshape(-1)[at[inside & (code == _FULL)]] = False
        if not inside.all():
            sound[mine[at > ends]] = False
            mine, at, ends = mine[inside], at[inside], ends[inside]
    return sound


def _walk_one(row: U8, keep: Flags | None) -> bool:
    """The same for one row, code by code: a step of numpy costs as much as some fifty of these."""
    places, codes, end = [], row.tolist(), len(row)
    at, full = 0, []
    while at < end:
        places.append(at)
        code = codes[at]
        at += code
        if code == _FULL and at < end:
            full.append(at)
    row[places] = 0
    if keep is not None:
        keep[full] = False
    return at == end
