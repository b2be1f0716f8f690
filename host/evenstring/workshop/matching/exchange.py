"""Strings made cheaper by exchanging pairs of cells, until no pair gains.

After B. Kernighan and S. Lin, Bell Syst. Tech. J. 49 (1970) 291. Every exchange is weighed with the means of both
strings moving along.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["exchanged"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


def exchanged(z: F64, extra: F64, string: I64, strings: int, least: float) -> I64:
    """String of each cell after the exchanges.

    Args:
        z: as in `search`.
        extra: as there.
        string: (n,) from 0; `strings` itself is the left-over one, which costs nothing.
        strings: how many, without the left-over one.
        least: a gain under this is none.
    """
    string, size = string.copy(), int(np.count_nonzero(string == 0))
    weight = np.append(np.ones(strings), 0.0)
    sums = np.zeros((strings + 1, z.shape[1]))
    np.add.at(sums, string, z)
    q, inner = (z**2).sum(axis=1) + extra, z @ z.T
    apart = np.add.outer(np.diag(inner), np.diag(inner)) - 2.0 * inner  # (n, n) |z_j - z_i|²
    moved = True
    while moved:
        gain = _gains(z @ sums[string].T, q, apart, weight[string], size)
        gain[string[:, None] == string[None, :]] = 0.0
        moved = _best_of_each(gain, z, string, sums, least)
    return string


def _gains(across: F64, q: F64, apart: F64, weight: F64, size: int) -> F64:
    """(n, n) change of the cost when cells i and j change places; across: (n, n) z_i · (sum of the string of j)."""
    own = np.diag(across)
    step_i = 2.0 * (across.T - own[:, None]) + apart  # |M + z_j - z_i|² - |M|² of the string of i
    step_j = 2.0 * (across - own[None, :]) + apart
    change = (weight[:, None] - weight[None, :]) * (q[None, :] - q[:, None])
    return np.asarray(change - (weight[:, None] * step_i + weight[None, :] * step_j) / size)


def _best_of_each(gain: F64, z: F64, string: I64, sums: F64, least: float) -> bool:
    """The best exchanges, at most one a string, for the next would be weighed by means that have moved."""
    partner = np.argmin(gain, axis=1)
    by = gain[np.arange(len(z)), partner]
    touched = np.zeros(len(sums), bool)
    for i in np.argsort(by, kind="stable"):
        if by[i] > -least:
            break
        j = int(partner[i])
        a, b = int(string[i]), int(string[j])
        if not (touched[a] or touched[b]):
            touched[[a, b]] = True
            sums[a] += z[j] - z[i]
            sums[b] -= z[j] - z[i]
            string[i], string[j] = b, a
    return bool(touched.any())
