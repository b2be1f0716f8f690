"""Small array tools that several findings share. NaN means "not measured" throughout."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Run",
    "column_means",
    "column_medians",
    "median_group_v",
    "middle_sigma",
    "one_way",
    "onward",
    "robust_sigma",
    "rolling_mean",
    "rolling_median",
    "runs_of",
    "scaled",
    "spread_v",
    "white_noise",
]  # fmt: skip

Run = tuple[int, int]  # first, one past the last
_NEARLY_ALL = 0.85  # of the groups: by turns of thirds two in three go one way: our choice
# Of a normal distribution, in its sigma (published: any table, e.g. NIST/SEMATECH e-Handbook 1.3.6.7.1):
_MEDIAN_AWAY = 0.6745  # median of |x|, half width of the middle half: published (as above)
_QUARTILE_AWAY = 0.3186  # lower quartile of |x|: published (as above)


def runs_of(mask: NDArray[np.bool_]) -> list[Run]:
    """Stretches of True in a 1-d mask."""
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))


def median_group_v(volts_v: NDArray[np.float32]) -> NDArray[np.float32]:
    """Median group of each scan, (n, g) -> (n,); NaN where no group was measured.

    Sorting puts NaN last, so the middle is found by counting numbers: many times quicker than nanmedian.
    """
    n, g = volts_v.shape
    if not n or not g:
        return np.full(n, np.nan, np.float32)
    ordered = np.sort(volts_v, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    rows = np.arange(n)
    low = ordered[rows, np.maximum(count - 1, 0) // 2]
    high = ordered[rows, np.minimum(count // 2, g - 1)]
    return np.where(count > 0, (low + high) / 2, np.nan).astype(np.float32)


def spread_v(volts_v: NDArray[np.float32]) -> NDArray[np.float32]:
    """Highest minus lowest group of each scan, (n, g) -> (n,); NaN where fewer than two groups were measured."""
    known = np.isfinite(volts_v)
    high = np.where(known, volts_v, -np.inf).max(axis=1, initial=-np.inf)
    low = np.where(known, volts_v, np.inf).min(axis=1, initial=np.inf)
    return np.where(known.sum(axis=1) >= 2, high - low, np.nan).astype(np.float32)


def column_means(values: NDArray[Any]) -> NDArray[np.float64]:
    """Mean of each column of what was measured, (n, g) -> (g,); NaN, without a word, where nothing was."""
    known = np.isfinite(values)
    number = known.sum(axis=0)
    total = np.where(known, values, 0.0).sum(axis=0, dtype=np.float64)
    return np.asarray(np.where(number > 0, total / np.maximum(number, 1), np.nan), np.float64)


def column_medians(values: NDArray[Any]) -> NDArray[np.float64]:
    """Median of each column of what was measured, (n, g) -> (g,); NaN, without a word, where nothing was."""
    return np.asarray(median_group_v(values.T.astype(np.float32)), np.float64)


def onward(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Times that never run back: where a clock was set back, it is taken to go on by the usual interval."""
    steps = np.diff(time_s)
    if not len(steps) or bool((steps >= 0).all()):
        return time_s
    forward = steps[steps > 0]
    usual = float(np.median(forward)) if len(forward) else 1.0
    return np.asarray(time_s[0] + np.concatenate(([0.0], np.cumsum(np.where(steps < 0, usual, steps)))))


def rolling_mean(values: NDArray[Any], width: int) -> NDArray[np.float64]:
    """Centred mean over `width` values (odd is best), shrinking at the ends; NaN counts as absent."""
    width = max(1, width)
    known = np.isfinite(values)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0), dtype=np.float64)))
    count = np.concatenate(([0], np.cumsum(known)))
    at = np.arange(len(values))
    low = np.maximum(at - width // 2, 0)
    high = np.minimum(at + (width + 1) // 2, len(values))
    number = count[high] - count[low]
    with np.errstate(invalid="ignore"):
        return np.where(number > 0, (total[high] - total[low]) / np.maximum(number, 1), np.nan)


def rolling_median(values: NDArray[Any], width: int, ends: Literal["edge", "reflect"]) -> NDArray[np.float64]:
    """(n,) centred median over `width` values, an odd number.

    `ends`: what stands beyond either end: the last value again, or its neighbours in turn, so that the last value
    counts once and cannot stand out alone. The values as they are where there are fewer than `width`.
    """
    values = np.asarray(values, np.float64)
    if len(values) < width:
        return values
    padded = np.pad(values, width // 2, mode=ends)
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


def robust_sigma(values: NDArray[Any]) -> NDArray[np.float64]:
    """Standard deviation of each column by the median of |values|, (n, ...) -> (...); values have their centre at 0.

    1.4826 MAD (P. Huber, Robust Statistics, Wiley 1981): up to half of the values may lie anywhere.
    """
    return np.asarray(np.median(np.abs(values), axis=0) / _MEDIAN_AWAY, np.float64)


def middle_sigma(values: NDArray[Any]) -> float:
    """Standard deviation of (n,) values by the width of their middle half, wherever their centre is."""
    low, high = np.quantile(values, [0.25, 0.75])
    return float(high - low) / (2.0 * _MEDIAN_AWAY)


def one_way(change: NDArray[Any], middle: NDArray[Any]) -> NDArray[np.bool_]:
    """(n,) whether nearly all groups of a change (n, g) go the way of the median one, (n,): a current's change.

    Bleeders that switch on leads which the meter shares move some groups up and others down.
    """
    return np.asarray((change * np.sign(middle)[:, None] > 0.0).mean(axis=1) >= _NEARLY_ALL)


def white_noise(values: NDArray[Any]) -> float:
    """Standard deviation of white noise on a smooth series; 0 where it is too short to tell.

    Second differences of white noise have six times its variance (1 + 4 + 1). Their lower quartile counts: what is
    loud, as a ride is, must not.
    """
    second = np.diff(values[np.isfinite(values)], 2)
    if len(second) < 3:
        return 0.0
    return float(np.quantile(np.abs(second), 0.25) / _QUARTILE_AWAY / np.sqrt(6.0))


def scaled(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values (n,) brought to -1..1, as polynomials like them."""
    return np.asarray(2.0 * (values - values.min()) / max(float(np.ptp(values)), 1e-9) - 1.0)
