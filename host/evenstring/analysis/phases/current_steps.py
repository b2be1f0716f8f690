"""Steps of a smooth level: where lines fitted to both sides do not meet; and steps that are no charger's.

A monitor that shares the balance leads reads each tap shifted by what flows in its lead. Between the outermost taps
that cancels but for their own two shifts, which come and go with bleeding of the first and the last group.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.arrays import column_means, runs_of
from evenstring.analysis.series.signals import Signals

__all__ = ["by_taps_v", "half_rows", "steps_of", "without_end_leads"]

F64 = NDArray[np.float64]
_FEWEST = 2  # rows to either side of a step, of records with rows far apart: our choice
# Of a change over two rows, the rows before it, and how still they are beside it: our choice
_LARGE_V, _STILL_ROWS, _STILL_SHARE = 20e-3, 5, 0.1
_LEAST_GROUPS = 6  # fewer give no line through the taps: our choice
# Least step of the plain mean against the line through all taps: tuned on own sessions under 300,000
_APART_V = 0.25e-3


def half_rows(signals: Signals) -> int:
    """Rows on each side of a step: about 20 s."""
    return int(np.clip(round(20.0 / signals.step_s), _FEWEST, 20))


def steps_of(v: F64, half: int, least_v: float, noise_v: float) -> list[int]:
    """Rows, of (m,) V, at which the level jumps by more than `least_v`: the first row after each jump."""
    if len(v) < 2 * half + 1:
        return []
    jump = two_sided(v, half)
    cuts: list[int] = []
    for a, b in runs_of(np.abs(jump) > least_v):
        k = a + int(np.argmax(np.abs(jump[a:b])))
        # A bend of the curve is as strong a little way off; a step is not.
        beside = max(abs(float(jump[max(0, k - half)])), abs(float(jump[min(len(v) - 1, k + half)])))
        if abs(float(jump[k])) < 2.5 * beside:
            continue
        # The largest single difference near by is the instant itself.
        lo, hi = max(1, k - half), min(len(v) - 1, k + half)
        single = np.abs(np.diff(v[lo - 1 : hi + 1]))
        cut = lo + int(np.argmax(single)) if single.max() > 5 * noise_v + 1e-4 else k
        if cuts and cut - cuts[-1] < half:
            continue
        cuts.append(cut)
    if half == _FEWEST:
        cuts = sorted([*cuts, *(k for k in _after_quiet(v) if all(abs(k - c) > 2 * half for c in cuts))])
    return [c for c in cuts if 1 < c < len(v) - 1]


def _after_quiet(v: F64) -> list[int]:
    """First rows of large changes that follow still rows: a load that starts between two rows far apart, and settles.

    Two lines of two rows see a ramp there, and no step.
    """
    cuts: list[int] = []
    for k in np.flatnonzero(np.abs(v[2:] - v[:-2]) > _LARGE_V) + 1:
        still_v = float(np.ptp(v[max(0, k - _STILL_ROWS) : k]))
        if k >= _STILL_ROWS and still_v < _STILL_SHARE * abs(v[k + 1] - v[k - 1]):
            cuts.append(int(k))
    return cuts


def two_sided(v: F64, half: int) -> F64:
    """(m,) value of the line through the `half` rows from here on, less that of the line through those before."""
    k = np.arange(half)
    spread = float(((k - k.mean()) ** 2).sum())
    weight = 1.0 / half + (-0.5 - k.mean()) * (k - k.mean()) / spread  # the line's value half a row before its start
    after = np.convolve(v, weight[::-1], mode="valid")  # after[i]: rows i .. i+half-1
    before = np.convolve(v, weight, mode="valid")
    out = np.zeros(len(v))
    out[half : len(v) - half + 1] = after[half:] - before[: len(v) - 2 * half + 1]
    return out


def without_end_leads(signals: Signals, riding: NDArray[np.bool_]) -> F64:
    """(m,) the level; by the slope of the line through all taps where the plain mean steps with an end tap's lead.

    The plain mean is the level elsewhere, for that is what a charger holds.
    """
    level, groups = signals.level_v, signals.volts_v.shape[1]
    if groups < _LEAST_GROUPS or not np.isfinite(signals.volts_v).all():
        return level
    by_taps = by_taps_v(signals.volts_v)
    apart = level - by_taps
    half = half_rows(signals)
    noise = 0.45 * signals.noise_v  # of `apart`: the weights differ from those of the plain mean by so much
    least = max(_APART_V, 12 * noise * np.sqrt(2.0 / half))
    for first, last in runs_of(~riding):
        for c in steps_of(apart[first:last], half, least, noise):
            before, after = slice(max(first, first + c - half), first + c - 1), slice(first + c + 1, first + c + half)
            change = column_means(signals.volts_v[after]) - column_means(signals.volts_v[before])
            if _moves_an_end(change):
                return np.asarray(by_taps + float(np.median(apart)))
    return level


def by_taps_v(volts_v: F64) -> F64:
    """(m,) slope, V a group, of the least-squares line through the potentials of all taps, of groups (m, g) V.

    It is the mean of the groups with weights k (g + 1 - k). A lead's drop shifts one tap, which the slope hardly feels;
    its noise is 10 % more than that of the plain mean.
    """
    k = np.arange(1, volts_v.shape[1] + 1)
    weights = k * (volts_v.shape[1] + 1.0 - k)
    return np.asarray(volts_v @ (weights / weights.sum()))


def _moves_an_end(change: F64) -> bool:
    """Whether a change of the groups (g,) V moves their mean and not the taps' slope, as an end tap's shift does.

    The group at that end moves by the shift at least, whatever its neighbour does.
    """
    of_mean, of_taps = float(change.mean()), float(by_taps_v(change[None])[0])
    apart = abs(of_mean - of_taps)
    at_ends = float(np.abs(change[[0, -1]] - np.median(change)).max())
    return apart > 0.6 * max(abs(of_mean), abs(of_taps)) and at_ends > 0.4 * apart * len(change)
