"""A quantity over months: one point a recording, each with its own uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["WEEK_S", "Points", "points", "without_lone"]

F64 = NDArray[np.float64]
WEEK_S = 604_800.0  # seconds; published: seven days of 86,400 s (ISO 8601)
_ROUND = 3  # neighbours on each side; our choice
_FAR = 4.0  # robust standard deviations from the neighbours' median; our choice, common practice is 3


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Known points in order of time; make them with `points`."""

    time_s: F64  # (n,), since 1970, rising or equal
    value: F64  # (n,), in whatever unit the series has
    sigma: F64  # (n,), standard uncertainty of each value, above 0

    def __len__(self) -> int:
        return len(self.time_s)

    def since(self, time_s: float) -> Points:
        """The points at or after a time."""
        first = int(np.searchsorted(self.time_s, time_s))
        return Points(self.time_s[first:], self.value[first:], self.sigma[first:])

    def until(self, time_s: float) -> Points:
        """The points at or before a time."""
        stop = int(np.searchsorted(self.time_s, time_s, side="right"))
        return Points(self.time_s[:stop], self.value[:stop], self.sigma[:stop])


def points(time_s: ArrayLike, value: ArrayLike, sigma: ArrayLike) -> Points:
    """Points in order of time; what is not finite, or has no uncertainty above 0, is left out.

    Args:
        time_s: (n,), seconds since 1970, in any order.
        value: (n,).
        sigma: (n,) or one for all, standard uncertainty in the unit of the value.
    """
    time, values, sigmas = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (time_s, value, sigma)))
    known = np.isfinite(time) & np.isfinite(values) & np.isfinite(sigmas) & (sigmas > 0)
    order = np.argsort(time[known], kind="stable")
    return Points(time[known][order], values[known][order], sigmas[known][order])


def without_lone(series: Points) -> Points:
    """Single recordings far from their neighbours replaced by their median, so that none makes a change.

    Hampel's rule (Journal of the American Statistical Association 69, 1974, 383): distance from the median of the
    neighbours against the median distance of all, or the point's own uncertainty where that is larger.
    """
    if len(series) <= 2 * _ROUND:
        return series
    padded = np.pad(series.value, _ROUND, mode="symmetric")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * _ROUND + 1), axis=1)
    away = series.value - middle
    usual = _FAR * np.maximum(1.4826 * np.median(np.abs(away)), series.sigma)
    return Points(series.time_s, np.where(np.abs(away) > usual, middle, series.value), series.sigma)
