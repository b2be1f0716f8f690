"""Cells to strings of equal length round given middles, at the least total cost: a transportation problem.

Solved by cancelling negative cycles (M. Klein, Management Science 14 (1967) 205): as long as a ring of strings can each
hand its neighbour one cell and all together gain by it, they do. Assigning and taking new middles in turns is balanced
k-means (M. Malinen and P. Fränti, S+SSPR 2014, LNCS 8621, 32); each turn makes the strings cheaper, or ends it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["assigned", "dealt"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


def dealt(cost: F64, room: I64) -> I64:
    """A first assignment: who loses most by not getting its first choice goes first.

    Args:
        cost: (n, k) of each cell in each string.
        room: (k,) cells that go into each, n together.
    """
    string = np.full(len(cost), -1)
    free, left = np.ones(len(cost), bool), room.copy()
    while free.any():
        open_ = np.flatnonzero(left > 0)
        here = np.flatnonzero(free)
        part = cost[np.ix_(here, open_)]
        first = np.argmin(part, axis=1)
        regret = np.full(len(here), 0.0) if len(open_) < 2 else np.diff(np.partition(part, 1, axis=1)[:, :2])[:, 0]
        for c in range(len(open_)):
            own = np.flatnonzero(first == c)
            own = own[np.argsort(-regret[own], kind="stable")][: left[open_[c]]]
            string[here[own]] = open_[c]
            free[here[own]] = False
            left[open_[c]] -= len(own)
    return string


def assigned(cost: F64, string: I64, least: float) -> I64:
    """The best assignment with as many cells in each string as `string` has; a gain under `least` is none.

    Args:
        cost: (n, k) of each cell in each string.
        string: (n,) where to begin, from 0 to k - 1.
        least: of all that a ring of strings gains together.
    """
    string = string.copy()
    k = cost.shape[1]
    hand, who = np.full((k, k), np.inf), np.zeros((k, k), np.int64)
    stale = list(range(k))
    while True:
        for a in stale:
            own = np.flatnonzero(string == a)
            if len(own):
                change = cost[own] - cost[own, a][:, None]
                best = np.argmin(change, axis=0)
                hand[a], who[a] = change[best, np.arange(k)], own[best]
            hand[a, a] = 0.0
        ring = _negative_ring(hand, least)
        onward = [*ring[1:], *ring[:1]]
        if not ring or hand[ring, onward].sum() > -least:
            return string
        string[who[ring, onward]] = onward
        stale = ring


def _negative_ring(hand: F64, least: float) -> list[int]:
    """Strings in a ring, each handing one cell to the next, that gain more than `least` together; empty: none."""
    k = len(hand)
    far, before = np.zeros(k), np.full(k, -1)
    for _ in range(k):
        through = far[:, None] + hand
        best = np.argmin(through, axis=0)
        new = through[best, np.arange(k)]
        nearer = new < far - least
        if not nearer.any():
            return []
        far, before = np.where(nearer, new, far), np.where(nearer, best, before)
        ring = _ring_in(before)
        if ring:
            return ring
    return []


def _ring_in(before: I64) -> list[int]:
    """A ring among the predecessors, in walking order; such a ring is a negative one."""
    mark = np.zeros(len(before), np.int64)
    for start in range(len(before)):
        at, path = start, []
        while at >= 0 and not mark[at]:
            mark[at] = start + 1
            path.append(at)
            at = int(before[at])
        if at >= 0 and mark[at] == start + 1:
            ring = path[path.index(at) :]
            return ring[::-1]
    return []
