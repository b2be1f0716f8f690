"""Fewer points for a picture, with every extreme kept.

Time is cut into equal buckets; of each bucket and each group the lowest and the highest reading stay, in the order in
which they came. What stays was measured: nothing is averaged, nothing is interpolated.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenstring.session import Session

__all__ = ["Reduced", "departures_mv", "reduce_extremes", "reduced", "row_median", "spread_mv"]

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Reduced:
    """Points left of a set of lines. `time_s` and `values` are (m, g); NaN in `values` breaks the line."""

    time_s: F64
    values: F32


def row_median(values: F32) -> F32:
    """Median of each row of (n, g) values, NaN left out; NaN for a row without any number. Shape (n,).

    Sorting puts NaN last, so the middle of the numbers is found by counting them: many times quicker than nanmedian.
    """
    if values.shape[1] == 0:
        return np.full(values.shape[0], np.nan, np.float32)
    ordered = np.sort(values, axis=1)
    count = np.sum(~np.isnan(values), axis=1)
    rows = np.arange(len(values))
    low, high = ordered[rows, np.maximum(count - 1, 0) // 2], ordered[rows, np.minimum(count // 2, values.shape[1] - 1)]
    return np.asarray((low + high) / 2, dtype=np.float32)


def departures_mv(volts_v: F32) -> F32:
    """Distance of each group from the median group of its scan, mV; shape and NaN as in `volts_v` (n, g)."""
    return np.asarray((volts_v - row_median(volts_v)[:, None]) * 1000.0, dtype=np.float32)


def spread_mv(volts_v: F32) -> F32:
    """Highest minus lowest group of each scan, mV, as read: (n,); NaN where fewer than two groups were read."""
    known = ~np.isnan(volts_v)
    high = np.max(volts_v, axis=1, where=known, initial=-np.inf)
    low = np.min(volts_v, axis=1, where=known, initial=np.inf)
    return np.where(known.sum(axis=1) >= 2, (high - low) * 1000.0, np.nan).astype(np.float32)


def reduce_extremes(time_s: F64, values: F32, buckets: int, breaks_s: F64 | None = None) -> Reduced:
    """Keep the lowest and highest value of each column in each of `buckets` equal spans of time.

    Args:
        time_s: (n,) rising.
        values: (n, g); NaN where there is none.
        buckets: spans of time; at most 2 points of each column stay of each, and one NaN for each break.
        breaks_s: instants at which lines must be broken (gaps of the recording).
    """
    count = len(time_s)
    if count <= 2 * buckets:
        kept_time, kept = np.repeat(time_s[:, None], values.shape[1], axis=1), values
    else:
        kept_time, kept = _extremes(time_s, values, buckets)
    if breaks_s is not None and len(breaks_s) and len(kept_time):
        at = np.searchsorted(kept_time[:, 0], breaks_s)
        holes = np.broadcast_to(np.asarray(breaks_s)[:, None], (len(at), values.shape[1]))
        kept_time = np.insert(kept_time, at, holes, axis=0)
        kept = np.insert(kept, at, np.float32(np.nan), axis=0)
    return Reduced(time_s=kept_time, values=np.asarray(kept, dtype=np.float32))


def _extremes(time_s: F64, values: F32, buckets: int) -> tuple[F64, F32]:
    edges = np.linspace(time_s[0], time_s[-1], buckets + 1)[1:-1]
    bounds = np.unique(np.concatenate(([0], np.searchsorted(time_s, edges), [len(time_s)])))
    columns = np.arange(values.shape[1])
    rows = np.empty((2 * (len(bounds) - 1), values.shape[1]), dtype=np.int64)
    for i, (start, stop) in enumerate(pairwise(bounds)):
        piece = values[start:stop]
        missing = np.isnan(piece)
        lowest = np.where(missing, np.inf, piece).argmin(axis=0) + start
        highest = np.where(missing, -np.inf, piece).argmax(axis=0) + start
        rows[2 * i] = np.minimum(lowest, highest)
        rows[2 * i + 1] = np.maximum(lowest, highest)
    return time_s[rows], values[rows, columns]


def reduced(session: Session, values: F32, buckets: int) -> Reduced:
    """Values of all scans of a session, reduced to what can be seen; lines break at gaps."""
    breaks = np.array([(gap.start_s + gap.end_s) / 2 for gap in session.gaps])
    return reduce_extremes(session.time_s, values, buckets, breaks if len(breaks) else None)
