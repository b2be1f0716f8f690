"""The best strings of a small batch, proved: dynamic programming over sets of cells.

best(used) is the least cost of strings that use just these cells; the string with the lowest-numbered cell is added
last (after M. Held and R. Karp, J. SIAM 10 (1962) 196, who so solved assignments of this kind). 2^n sets are kept, so
it is for some 18 cells.
"""

from __future__ import annotations

from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import NDArray

__all__ = ["exact", "work"]

F64 = NDArray[np.float64]

_MOST_CELLS = 20  # 2^20 sets, 12 MB: our choice
_CHUNK = 1 << 22  # pairs of a set and a string looked at in one go: our choice


def work(cells: int, strings: int, size: int) -> int:
    """Pairs of a set and a string that `exact` looks at; a number too large to try where 2^n sets are too many."""
    if cells > _MOST_CELLS:
        return 1 << 62
    return sum(comb(behind, size - 1) * sum(comb(behind, t * size) for t in range(strings)) for behind in range(cells))


def exact(z: F64, extra: F64, strings: int, size: int) -> NDArray[np.int64]:
    """String of each cell, from 0; -1: left over. Arguments as in `search`."""
    n = len(z)
    members = np.array(list(combinations(range(n), size)))
    q = (z**2).sum(axis=1) + extra
    cost = q[members].sum(axis=1) - (z[members].sum(axis=1) ** 2).sum(axis=1) / size
    bits = (1 << members).sum(axis=1)
    best = np.full(1 << n, np.inf)
    last = np.full(1 << n, -1, np.int32)
    best[0] = 0.0
    count = np.bitwise_count(np.arange(1 << n))
    for lowest in range(n - size, -1, -1):
        own = np.flatnonzero(members[:, 0] == lowest)
        sets = np.flatnonzero(np.isfinite(best) & (count < strings * size))
        for part in np.array_split(sets, max(1, len(sets) * len(own) // _CHUNK)):
            _extend(part, own, bits, cost, best, last)
    full = np.flatnonzero(count == strings * size)
    return _strings(int(full[np.argmin(best[full])]), members, bits, last, n)


def _extend(
    sets: NDArray[np.int64],
    own: NDArray[np.int64],
    bits: NDArray[np.int64],
    cost: F64,
    best: F64,
    last: NDArray[np.int32],
) -> None:
    """Each set with each string that has none of its cells."""
    a, b = np.nonzero((sets[:, None] & bits[own][None, :]) == 0)
    made, price = sets[a] | bits[own[b]], best[sets[a]] + cost[own[b]]
    order = np.argsort(price)[::-1]  # of several ways to one set the cheapest is written last, and stays
    made, price, b = made[order], price[order], b[order]
    better = price < best[made]
    best[made[better]], last[made[better]] = price[better], own[b[better]]


def _strings(
    used: int, members: NDArray[np.int64], bits: NDArray[np.int64], last: NDArray[np.int32], n: int
) -> NDArray[np.int64]:
    string = np.full(n, -1)
    number = 0
    while used:
        chosen = int(last[used])
        string[members[chosen]] = number
        used, number = used & ~int(bits[chosen]), number + 1
    return string
