"""Phases without a current sensor: what the voltage alone tells.

A ride is rough: its second differences stand out of the meter's noise. Between rides the record is smooth but for the
steps that a current makes when it starts or stops (its size times the resistance). The steps cut the record into
segments; each is a charge, a steady discharge or a rest by its step and by how its slope develops: a relaxation dies
away, a current does not. The flat top of a charge is its constant-voltage part.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.arrays import rolling_mean, runs_of
from evenstring.analysis.plateaus import keeps_rising, leaves_top, plateau_charges
from evenstring.analysis.signals import Signals

__all__ = ["labels_from_voltage"]

F64 = NDArray[np.float64]
_ROUGH_V = 1.5e-3  # a second difference beyond this (and 8 sigma) is load at work
_ROUGH_ROWS = 4  # so many of them near each other make a ride; one step makes two
_STEP_V = 0.4e-3  # least step that is taken for a current that starts or stops
_RISING_V_H = 8e-3  # a rise slower than this is no charge
_FLAT_V_H = 3e-3
_DRIFT_V_H = 1e-3  # what a meter's gain drifts by: 10 ppm/K and ten kelvin an hour make half of it (our choice)
_SPARSE_S = 4.0  # rows this far apart show no single step
_CHARGE_STEP_V, _SURE_STEP_V, _SMALL_STEP_V = 4e-3, 2e-3, 0.3e-3  # a charger lifts the level by its current's drop
_REST, _RIDE, _CC, _CV = "rest", "ride", "charge_cc", "charge_cv"
_NAMES = {-1: _RIDE, 0: _REST, 1: _CC}


def labels_from_voltage(signals: Signals) -> NDArray[np.str_]:
    """(m,) phase of each row. Rows of uneven pace are first brought to the pace that covers most of the time."""
    t = signals.time_s
    if len(t) < 6:
        return np.full(len(t), _REST, dtype="U9")
    paces = np.sort(np.diff(t))
    pace = float(paces[int(np.searchsorted(np.cumsum(paces), paces.sum() / 2))])
    if pace < 1.5 * signals.step_s:
        return _labels(signals)
    grid = np.arange(t[0], t[-1] + pace / 2, pace)
    even = replace(signals, time_s=grid, level_v=np.interp(grid, t, signals.level_v), step_s=pace)
    return np.asarray(_labels(even)[np.clip(np.rint((t - t[0]) / pace).astype(int), 0, len(grid) - 1)])


def _labels(signals: Signals) -> NDArray[np.str_]:
    t, v = signals.time_s, signals.level_v
    labels = np.full(len(t), _REST, dtype="U9")
    rough = _rough(signals)
    labels[rough] = _RIDE
    for first, last in runs_of(~rough):
        # Close behind a ride a step is the ride's own end.
        clear_s = t[first] + (30.0 if first > 0 else 0.0)
        cuts = [first, *(k for k in _steps(signals, first, last) if t[k] > clear_s), last]
        states = _states(signals, cuts, after_ride=first > 0)
        for (a, b), state in zip(pairwise(cuts), states, strict=True):
            labels[a:b] = _NAMES[state]
    for first, last in _together(labels):
        turn, end = _top(t[first:last], v[first:last], signals.noise_v)
        labels[first : first + turn] = _CC
        labels[first + turn : first + end] = _CV
        labels[first + end : last] = _REST
    return _with_plateaus(signals, labels) if signals.step_s >= _SPARSE_S else labels


def _with_plateaus(signals: Signals, labels: NDArray[np.str_]) -> NDArray[np.str_]:
    """Sparse records: what the plateaus say stands; a rise without one must climb well to count as a charge."""
    t, v = signals.time_s, signals.level_v
    known = np.zeros(len(labels), dtype=bool)
    for start, turn, end in plateau_charges(signals):
        labels[start:turn], labels[turn:end] = _CC, _CV
        known[start:end] = True
    for first, last in _together(labels):
        part = slice(first, last)
        if known[part].any():
            labels[part] = np.where(known[part], labels[part], _REST)
        elif t[last - 1] - t[first] < 1800.0 or v[last - 1] - v[first] < 0.1:
            labels[part] = _REST
    return labels


def _rough(signals: Signals) -> NDArray[np.bool_]:
    """(m,) rows of a ride: load changes crowd; the edges are the first and last of them."""
    v = signals.level_v
    if len(v) < 5:
        return np.zeros(len(v), dtype=bool)
    second = np.abs(np.diff(v, 2, prepend=v[0], append=v[-1]))
    hit = second > max(_ROUGH_V, 8 * signals.noise_v)
    width = max(9, round(60.0 / signals.step_s) | 1) if signals.step_s < 20 else 5
    crowd = rolling_mean(hit.astype(float), width) * width >= _ROUGH_ROWS - 0.5
    rough = np.zeros(len(v), dtype=bool)
    pause = 300.0
    joined: list[list[int]] = []
    for first, last in runs_of(crowd):
        at = np.flatnonzero(hit[first:last])
        if not len(at):
            continue
        a, b = first + int(at[0]), first + int(at[-1]) + 1
        if joined and signals.time_s[a] - signals.time_s[joined[-1][1] - 1] < pause:
            joined[-1][1] = b
        else:
            joined.append([a, b])
    for a, b in joined:
        # A single large step rings for some rows; a ride goes on.
        if signals.time_s[b - 1] - signals.time_s[a] >= max(30.0, 3 * signals.step_s):
            rough[a:b] = True
    return rough


def _steps(signals: Signals, first: int, last: int) -> list[int]:
    """Rows at which the smooth level jumps: lines fitted to both sides do not meet."""
    v = signals.level_v[first:last]
    half = int(np.clip(round(20.0 / signals.step_s), 2, 20))
    if len(v) < 2 * half + 1:
        return []
    jump = _two_sided(v, half)
    # Standard deviation of the value of a line at its end: sigma * 2 / sqrt(half), two sides.
    least = max(_STEP_V, 6 * signals.noise_v * 2 * np.sqrt(2.0 / half))
    big = np.abs(jump) > least
    cuts: list[int] = []
    for a, b in runs_of(big):
        k = a + int(np.argmax(np.abs(jump[a:b])))
        # A bend of the curve is as strong a little way off; a step is not.
        beside = max(abs(float(jump[max(0, k - half)])), abs(float(jump[min(len(v) - 1, k + half)])))
        if abs(float(jump[k])) < 2.5 * beside:
            continue
        # The largest single difference near by is the instant itself.
        lo, hi = max(1, k - half), min(len(v) - 1, k + half)
        single = np.abs(np.diff(v[lo - 1 : hi + 1]))
        cut = lo + int(np.argmax(single)) if single.max() > 5 * signals.noise_v + 1e-4 else k
        if cuts and cut - cuts[-1] < half:
            continue
        cuts.append(cut)
    return [first + c for c in cuts if 1 < c < len(v) - 1]


def _two_sided(v: F64, half: int) -> F64:
    """(m,) value of the line through the `half` rows from here on, less that of the line through those before."""
    k = np.arange(half)
    spread = float(((k - k.mean()) ** 2).sum())
    weight = 1.0 / half + (-0.5 - k.mean()) * (k - k.mean()) / spread  # the line's value half a row before its start
    after = np.convolve(v, weight[::-1], mode="valid")  # after[i]: rows i .. i+half-1
    before = np.convolve(v, weight, mode="valid")
    out = np.zeros(len(v))
    out[half : len(v) - half + 1] = after[half:] - before[: len(v) - 2 * half + 1]
    return out


def _jump(v: F64, at: int) -> float:
    before, after = v[max(0, at - 5) : at], v[at : at + 5]
    return float(np.median(after) - np.median(before)) if len(before) and len(after) else 0.0


def _states(signals: Signals, cuts: list[int], *, after_ride: bool) -> list[int]:
    """-1 discharge, 0 rest, 1 charge of each smooth segment: every step moves the current up or down by one state."""
    t, v = signals.time_s, signals.level_v
    parts = list(pairwise(cuts))
    jumps = [_jump(v, a) for a, _ in parts[1:]]
    first = slice(*parts[0])
    state = _first_state(t[first], v[first], jumps[0] if jumps else 0.0, after_ride, signals.noise_v)
    states = [state]
    for (a, b), jump in zip(parts[1:], jumps, strict=True):
        trend = _trend(t[a:b], v[a:b], signals.noise_v)
        if jump > _CHARGE_STEP_V and not (state == 0 and trend < 0 and b - a > 30):
            state = min(1, state + 1)
        elif jump < -_SMALL_STEP_V and not (state == 1 and trend > 0):
            state = max(-1, state - 1) if jump < -_SURE_STEP_V or state == 1 else state
        elif state == 0 and _held_at_end(t[a:b], v[a:b], signals.noise_v):
            state = 1
        states.append(state)
    return states


def _first_state(t: F64, v: F64, next_jump: float, after_ride: bool, noise_v: float) -> int:
    """What a smooth stretch begins with: after a ride a rest, unless it rises as no relaxation does."""
    trend, ramp = _trend(t, v, noise_v), _ramp_to_top(t, v, noise_v)
    if after_ride:
        held = _held_at_end(t, v, noise_v)
        climbs = trend > 0 and len(v) > 5 and float(np.median(v[-5:]) - np.median(v[:5])) > 0.15
        return 1 if held or climbs or (trend > 0 and next_jump < -_SURE_STEP_V) else 0
    if ramp or (trend > 0 and next_jump <= _CHARGE_STEP_V):
        return 1
    # A steady discharge that was running when the record began is quicker than a relaxation.
    return -1 if trend < 0 and next_jump >= -_SURE_STEP_V and _slopes(t, v)[1] < -0.05 else 0


def _trend(t: F64, v: F64, noise_v: float) -> int:
    """1 rising, -1 falling, in a way that lasts; else 0."""
    if len(t) < 6:
        return 0
    early, late = _slopes(t, v)
    error = 3600.0 * noise_v * 12**0.5 / (len(t) ** 0.5 * max(float(t[-1] - t[0]), 1.0))
    if abs(late) <= _RISING_V_H + 4 * error or abs(late) <= 0.45 * abs(early):
        return 0
    return 1 if late > 0 else -1


def _ramp_to_top(t: F64, v: F64, noise_v: float) -> bool:
    """A rise that ends in its top without dying away: a charge with its plateau, not a relaxation."""
    smooth = rolling_mean(v, max(1, min(len(v) // 50, 9)))
    low, top = float(smooth[: max(3, len(v) // 200)].min()), float(np.median(v[-max(5, len(v) // 10) :]))
    if top - low < max(15e-3, 20 * noise_v) or smooth.max() > top + 2e-3:
        return False
    return keeps_rising(t, smooth, low, top)


def _held_at_end(t: F64, v: F64, noise_v: float) -> bool:
    """A ramp whose last quarter is flat: a relaxation that looks like a ramp is one that was cut short."""
    last = slice(len(t) - len(t) // 4, len(t))
    return _ramp_to_top(t, v, noise_v) and abs(_slopes(t[last], v[last])[1]) < _FLAT_V_H


def _slopes(t: F64, v: F64) -> tuple[float, float]:
    """Slopes of the earlier and of the later half, V/h; the first tenth is left to the quick part of a transient."""
    a, m = len(t) // 10, len(t) // 2

    def slope(x: F64, y: F64) -> float:
        if len(x) < 2 or x[-1] <= x[0]:
            return 0.0
        x = x - x.mean()
        return float((x * (y - y.mean())).sum() / (x * x).sum() * 3600.0)

    return slope(t[a:m], v[a:m]), slope(t[m:], v[m:])


def _together(labels: NDArray[np.str_]) -> list[tuple[int, int]]:
    return runs_of((labels == _CC) | (labels == _CV))


def _top(t: F64, v: F64, noise_v: float) -> tuple[int, int]:
    """Rows until the held top of a charge and until its end; all rows twice when it has none.

    A charger that goes while almost no current flows makes no step: then the top ends where the level leaves it.
    """
    n = len(v)
    turn = _turn(t, v, noise_v)
    if n < 100:
        return turn, n
    if turn == n:
        smooth = rolling_mean(v, 5)
        inside = np.flatnonzero(smooth > float(np.quantile(smooth, 0.98)) - max(1e-3, 4 * noise_v))
        first, last = int(inside[0]), int(inside[-1])
        climbed = v[first] - v[max(0, first - 300)] > 2e-3
        middle = slice(first + (last - first) // 4, last)
        flat = t[last] - t[first] >= 300.0 and abs(_slopes(t[middle], v[middle])[1]) < 2 * _FLAT_V_H
        if not (flat and climbed and len(inside) > 0.9 * (last - first)):
            return n, n
        turn = first
    end = turn + leaves_top(t[turn:], v[turn:], noise_v)
    if end < n:  # once more without what came after: its slope is not the top's
        turn = min(_turn(t[:end], v[:end], noise_v), end - 1)
    return turn, end


def _turn(t: F64, v: F64, noise_v: float) -> int:
    """Rows until the held top of a charge; all rows when it has none.

    The top is held when the last part is flat, and flatter by far than the rise before it. What slope is left in it is
    the meter's drift, and is taken off before the turn is looked for.
    """
    n = len(v)
    width = max(1, min(n // 20, 5))
    for share in (0.5, 0.25, 0.1, 0.05, 0.03):
        tail = slice(int(n * (1 - share)), n)
        span = t[n - 1] - t[tail.start]
        if n - tail.start < 4 or span < 60.0:
            continue
        _, late = _slopes(t[tail], v[tail])
        error = 3600.0 * noise_v * 12**0.5 / ((n - tail.start) ** 0.5 * span)
        if abs(late) > _FLAT_V_H + 3 * error:
            continue
        drift = float(np.clip(late, -_DRIFT_V_H, _DRIFT_V_H)) if abs(late) > 3 * error else 0.0
        level = rolling_mean(v - drift / 3600.0 * (t - t[tail.start]), width)
        top = float(np.median(level[tail]))
        below = np.flatnonzero(level < top - max(0.5e-3, 3 * noise_v / np.sqrt(width)))
        below = below[below < n - 5] if n > 100 else below  # the last rows may hold the charger's going
        turn = int(below[-1]) + 1 if len(below) else 0
        rise = v[turn - 1] - v[max(0, turn - max(5, n // 10))] if turn else 1.0
        if rise > 2e-3 or turn == 0:
            return turn
    return n
