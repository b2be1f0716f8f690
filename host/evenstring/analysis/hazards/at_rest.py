"""A group that drains at rest, and a spread that grows at rest.

Nothing flows through the string, so what a group loses against the others leaves it by a way of its own: a bleeder that
is stuck on, a wet or chafed lead, a leak within a cell. Which one, volts alone do not tell. Relaxation dies away within
an hour or so and slows down (common practice: half an hour to an hour); a drain goes on as fast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Hazard, Phase
from evenstring.analysis.series.arrays import robust_sigma
from evenstring.analysis.series.curve_slope import slope_at_level_v
from evenstring.analysis.series.lines import line_through
from evenstring.analysis.series.rows_of_phase import between
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.profile import PackProfile

__all__ = ["find_at_rest"]

F64 = NDArray[np.float64]

_SETTLE_S = 3600.0  # after which relaxation hardly moves groups against each other: common practice
_LEAST_S = 3600.0  # of rest after that: our choice
_BIN_S = 300.0  # readings are averaged over: our choice
_LEAST_BINS = 8  # our choice
_FALL_V, _GROWTH_V = 0.003, 0.006  # of a group against the median; of the spread: less is let pass: our choice
_CLEARLY = 6.0  # standard deviations of the others and of the line: our choice
_GOES_ON = 0.5  # rate of the second half over that of the first; what dies away slows by more: our choice
# A group that comes down to the others is what a board does that balances at rest: at the end it must lie below the
# median by so much, over so many means: our choice
_BELOW_V, _LAST = 0.001, 3
_BELOW_THRESHOLD_V = 0.03  # no board bleeds on purpose this far below its threshold: our choice
_NONE_BLEEDS_V = 0.010  # below the median no board bleeds a group on purpose: its own sensing is better: our choice
_TWO = 2  # more groups that fall are a board that bleeds at rest, or a meter that warms up: our choice
_CURVE = 0.3  # standard uncertainty of the slope of a curve that is not this cell's: our choice
_FLAT_V = 0.15  # per 1.0 of SoC: a flatter curve turns no volts into charge: our choice
_Z90, _MOST = 1.645, 0.97  # published (normal distribution, 90 % two-sided); the highest confidence: our choice


@dataclass(frozen=True, slots=True, eq=False)
class _Drift:
    """Means of a rest.

    hours (b,); median and highest level in V; departures (b, g) in V; of each group rate and standard uncertainty, V/h.
    """

    hours: F64
    level_v: float
    highest_v: float
    away_v: F64
    rate: F64
    u: F64


def find_at_rest(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError
) -> tuple[Hazard, ...]:
    """Of the longest rest: groups that drain, or else the spread where it grew."""
    long = [p for p in phases if p.kind == "rest" and p.end_s - p.start_s >= _SETTLE_S + _LEAST_S]
    if profile.parallel_strings > 1 or not long or signals.volts_v.shape[1] < 4:
        return ()
    drift = _drift(signals, max(long, key=lambda p: p.end_s - p.start_s))
    if drift is None:
        return ()
    # Where a board bleeds on purpose, a group that falls is no wonder, but for one that lies below the others.
    may_bleed = drift.highest_v > profile.threshold_v - _BELOW_THRESHOLD_V
    drains = _drains(drift, profile, _NONE_BLEEDS_V if may_bleed else -np.inf)
    return drains if drains or may_bleed else _grows(drift, meter)


def _drift(signals: Signals, rest: Phase) -> _Drift | None:
    rows = between(signals.time_s, rest.start_s + _SETTLE_S, rest.end_s) & np.isfinite(signals.volts_v).all(axis=1)
    t, volts = signals.time_s[rows], signals.volts_v[rows]
    if not len(t):
        return None
    first = np.flatnonzero(np.diff(np.floor(t / _BIN_S), prepend=-np.inf) > 0)
    if len(first) < _LEAST_BINS:
        return None
    count = np.diff(np.append(first, len(t)))
    means = np.add.reduceat(volts, first, axis=0) / count[:, None]
    hours = np.add.reduceat(t, first) / count / 3600.0
    away = means - np.median(means, axis=1, keepdims=True)
    rates, left = _lines(hours, away)
    others = float(robust_sigma(rates - np.median(rates)))
    span = np.sqrt(np.sum((hours - hours.mean()) ** 2))
    return _Drift(hours, float(np.median(means)), float(means.max()), away, rates, np.hypot(left / span, others))


def _lines(hours: F64, away: F64) -> tuple[F64, F64]:
    """(g,) rates in V/h, and the standard deviation that each line leaves, in V."""
    lines = [line_through(hours, away[:, g]) for g in range(away.shape[1])]
    left = [np.sqrt(line.squares_left / max(len(hours) - 2, 1)) for line in lines]
    return np.array([line.slope for line in lines]), np.array(left)


def _goes_on(hours: F64, falls_v: F64) -> NDArray[np.bool_]:
    """(g,) whether what falls, (b, g), falls on in the second half nearly as fast as in the first."""
    half = len(hours) // 2
    early, _ = _lines(hours[:half], falls_v[:half])
    late, _ = _lines(hours[half:], falls_v[half:])
    return np.asarray(late < _GOES_ON * np.minimum(early, 0.0))


def _drains(drift: _Drift, profile: PackProfile, below_v: float) -> tuple[Hazard, ...]:
    """Groups that fall, of those that lie more than `below_v` below the median from the beginning."""
    hours = float(np.ptp(drift.hours))
    falls = (drift.rate * hours < -_FALL_V) & (drift.rate < -_CLEARLY * drift.u) & _goes_on(drift.hours, drift.away_v)
    falls &= drift.away_v[-_LAST:].mean(axis=0) < -_BELOW_V
    falls &= drift.away_v[:_LAST].mean(axis=0) < -below_v
    slope = slope_at_level_v(profile, drift.level_v)
    if not 0 < falls.sum() <= _TWO:
        return ()
    return tuple(_drain(int(g), drift, hours, slope, profile.capacity_ah) for g in np.flatnonzero(falls))


def _drain(g: int, drift: _Drift, hours: float, slope: float, capacity_ah: float) -> Hazard:
    rate, u = -float(drift.rate[g]), float(drift.u[g])
    seen_mv = 1e3 * rate * hours
    if slope < _FLAT_V:  # how fast is seen, how much is drawn is not
        half = _Z90 * u * hours * 1e3
        return Hazard("drains_at_rest", g + 1, seen_mv, "mV", seen_mv - half, seen_mv + half, _MOST, seen_mv, hours)
    drawn = 1e3 * capacity_ah * rate / slope
    half = _Z90 * drawn * float(np.hypot(u / rate, _CURVE))
    return Hazard(
        "drains_at_rest", g + 1, drawn, "mA", max(drawn - half, 0.0), drawn + half, _MOST, seen_mv, hours
    )  # fmt: skip


def _grows(drift: _Drift, meter: MeterError) -> tuple[Hazard, ...]:
    spread = np.ptp(drift.away_v, axis=1)
    hours = float(np.ptp(drift.hours))
    line = line_through(drift.hours, spread)
    grew = line.slope * hours
    u = float(np.hypot(np.sqrt(line.squares_left / len(spread)), meter.noise_v / np.sqrt(len(spread))))
    if grew < max(_GROWTH_V, _CLEARLY * u) or not _goes_on(drift.hours, -spread[:, None])[0]:
        return ()
    half = 1e3 * _Z90 * u
    return (
        Hazard("spread_grows", None, 1e3 * grew, "mV", 1e3 * grew - half, 1e3 * grew + half, _MOST, 1e3 * grew, hours),
    )
