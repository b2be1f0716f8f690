"""First-order lags: what an RC pair, or the surface of a particle, makes of a current.

x' = (u - x) / tau, solved exactly from row to row for a drive that is constant between them: the state keeps
exp(-step / tau) of itself and takes the rest from the drive (G. Plett, Battery Management Systems, Vol. I, Artech House
2015, on the discrete RC pair). The drive between two rows is the mean of both; across a silence none is assumed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.charge_moved import silent_after

__all__ = ["kept", "lagged"]

F64 = NDArray[np.float64]


def kept(step_s: F64, taus_s: tuple[float, ...]) -> F64:
    """(n, k) share of its state that each of k lags keeps over steps (n,) s."""
    return np.asarray(np.exp(-step_s[:, None] / np.array(taus_s)))


def lagged(time_s: F64, drive: F64, taus_s: tuple[float, ...]) -> F64:
    """(n, k) drive (n,) through k first-order lags, beginning at 0, at times (n,) s that may be uneven."""
    keep = kept(np.diff(time_s, prepend=time_s[0]), taus_s)
    silent = np.append(False, silent_after(time_s)[:-1])
    middle = (drive + np.concatenate((drive[:1], drive[:-1]))) / 2.0
    push = np.where(silent, 0.0, middle)[:, None] * (1.0 - keep)
    out, state = np.zeros_like(keep), np.zeros(len(taus_s))
    for k in range(len(time_s)):
        state = state * keep[k] + push[k]
        out[k] = state
    return out
