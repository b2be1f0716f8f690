"""COBS of many pieces of equal size at once, in numpy. What comes out is still to be checked by its CRC.

Plan: copy the pieces side by side as rows, then walk the chains of codes. Scans of one recording have most of their
zeros at the same places, so the chain of one row is tried on all rows, column by column; rows that differ are walked
one step at a time, all of them at each step. A code is replaced by the zero that it stands for, which leaves the frame
itself behind column 0. Only the code behind a full block (254 bytes without a zero) stands for nothing and is cut out.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["unstuff"]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]
Flags = NDArray[np.bool_]

_FULL = 255  # code of a block of 254 bytes that no zero follows
_SHORT_RUN = 8  # pieces side by side; below that one gather is quicker than a copy for each run
_STEPPED = 40  # rows from which all are walked at once, a step at a time; our choice, by trial
_TEMPLATES = 2
_WORTH = 16  # rows for which a template pays


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
    rows = _side_by_side(buf, starts, size)
    everything = np.arange(len(rows))
    if size <= _FULL - 1:  # no room for a full block with something behind it
        sound = np.ones(len(rows), np.bool_)
        left = _by_template(rows, everything)
        if len(left):
            sound[left] = _walk(rows, left, None)
        yield rows, everything, sound
        return
    keep = np.ones(rows.shape, np.bool_)
    sound = _walk(rows, everything, keep)
    cut = size - np.count_nonzero(keep, axis=1)
    for n in np.flatnonzero(np.bincount(cut)):
        which = np.flatnonzero(cut == n)
        yield rows[which][keep[which]].reshape(len(which), size - int(n)), which, sound[which]


def _side_by_side(buf: U8, starts: I64, size: int) -> U8:
    """A copy of the pieces, (k, size)."""
    breaks = np.flatnonzero(np.diff(starts) != size + 1) + 1
    if (len(breaks) + 1) * _SHORT_RUN > len(starts):
        gathered: U8 = buf[starts[:, None] + np.arange(size)]
        return gathered
    rows = np.empty((len(starts), size), np.uint8)
    edges = [0, *breaks.tolist(), len(starts)]
    for first, end in pairwise(edges):
        at = int(starts[first])
        rows[first:end] = buf[at : at + (end - first) * (size + 1)].reshape(-1, size + 1)[:, :size]
    return rows


def _by_template(rows: U8, left: I64) -> I64:
    """Unstuff in place the rows whose chain is that of a sample row; return the others, untouched."""
    for _ in range(_TEMPLATES):
        if len(left) < _WORTH:
            break
        columns = _chain(rows[left[len(left) // 2]])
        if columns is None:
            break
        sample = rows[left[len(left) // 2], columns]
        same = np.ones(len(rows), np.bool_)
        for column, code in zip(columns, sample, strict=True):
            same &= rows[:, column] == code
        mask = np.where(same, 0, 0xFF).astype(np.uint8)
        for column in columns:
            rows[:, column] &= mask
        # A finished row has 0x00 in column 0, which no chain can begin with, so no later template matches it.
        left = left[~same[left]]
    return left


def _chain(row: U8) -> list[int] | None:
    """Places of the codes of a row, or None when they do not lead to its end."""
    at, places, codes = 0, [], row.tolist()
    while at < len(codes):
        places.append(at)
        at += codes[at]
    return places if at == len(codes) else None


def _walk(rows: U8, live: I64, keep: Flags | None) -> Flags:
    """Walk the chains of the rows `live`, in place; clear in `keep` the codes that stand for no zero.

    Returns:
        (len(live),) whether the chain ends with its row.
    """
    if len(live) < _STEPPED:
        return np.array([_walk_one(rows[k], None if keep is None else keep[k]) for k in live.tolist()], np.bool_)
    size = rows.shape[1]
    flat = rows.reshape(-1)
    sound = np.ones(len(live), np.bool_)
    mine = np.arange(len(live))
    at = live * size
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
