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

from evenstring.analysis.phases.current_steps import half_rows, steps_of, without_end_leads
from evenstring.analysis.phases.cv_hold import find_top, slows_down
from evenstring.analysis.phases.cv_hold_sparse import keeps_rising, plateau_charges
from evenstring.analysis.series.arrays import rolling_mean, runs_of
from evenstring.analysis.series.lines import line_through, slope_u
from evenstring.analysis.series.rest import climbs
from evenstring.analysis.series.signals import Signals

__all__ = ["labels_from_voltage"]

F64 = NDArray[np.float64]
_ROUGH_V = 1.5e-3  # a second difference beyond this (and 8 sigma) is load at work: tuned on own sessions under 300,000
_ROUGH_ROWS = 4  # so many of them near each other make a ride; one step makes two: tuned on own sessions under 300,000
_STEP_V = 0.4e-3  # least step that is taken for a current that starts or stops: tuned on own sessions under 300,000
_RISING_V_H = 8e-3  # a rise slower than this is no charge: tuned on own sessions under 300,000
_FLAT_V_H = 3e-3  # a slope smaller than this is flat: tuned on own sessions under 300,000
_SPARSE_S = 4.0  # rows this far apart show no single step: tuned on own sessions under 300,000
# A charger lifts the level by its current's drop: tuned on own sessions under 300,000
_CHARGE_STEP_V, _SURE_STEP_V, _SMALL_STEP_V = 4e-3, 2e-3, 0.3e-3
_REST, _RIDE, _CC, _CV = "rest", "ride", "charge_cc", "charge_cv"
_NAMES = {-1: _RIDE, 0: _REST, 1: _CC}  # states of the current: our choice
_AFTER_RIDE_S = 30.0  # a step sooner is the ride's own end: tuned on own sessions under 300,000
# Longer pauses part two rides; a shorter roughness is one step that rings: tuned on own sessions under 300,000
_RIDE_PAUSE_S, _LEAST_RIDE_S = 300.0, 30.0
_LONE_STEP_S = 120.0  # what settles after a step dies away within this: our choice
# Of a charge without a plateau in a sparse record: tuned on own sessions under 300,000
_SPARSE_CHARGE_S, _SPARSE_RISE_V = 1800.0, 0.1
# Least rise of a group that gets quicker, where a flat curve hides the charge from the level: our choice
_QUICKENS_V = 30e-3
# Of a charge behind a ride; of a discharge that was running already: tuned on own sessions under 300,000
_CLIMB_V, _STEADY_V_H = 0.15, -0.05
_LOAD_V = 5e-3  # steps of a ride's load are larger: our choice
_LIFT_V = 10e-3  # in a rough stretch of so small steps: more than bleeders that switch off give back: our choice
# Later slope over the earlier one: under it a transient dies away: tuned on own sessions under 300,000
_DIES_AWAY = 0.45
# Least rise of a ramp, and how near to its top it ends: tuned on own sessions under 300,000
_RAMP_V, _TOP_V = 15e-3, 2e-3


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
    volts = np.stack([np.interp(grid, t, v) for v in signals.volts_v.T], axis=1)
    even = replace(signals, time_s=grid, level_v=np.interp(grid, t, signals.level_v), volts_v=volts, step_s=pace)
    return np.asarray(_labels(even)[np.clip(np.rint((t - t[0]) / pace).astype(int), 0, len(grid) - 1)])


def _labels(signals: Signals) -> NDArray[np.str_]:
    labels = np.full(len(signals.time_s), _REST, dtype="U9")
    rough, lone = _rough(signals)
    labels[rough] = _RIDE
    signals = replace(signals, level_v=without_end_leads(signals, rough))
    t, v = signals.time_s, signals.level_v
    for first, last in runs_of(~rough):
        # Close behind a ride a step is the ride's own end.
        clear_s = t[first] + (_AFTER_RIDE_S if first > 0 else 0.0)
        cuts = [first, *(k for k in _steps(signals, first, last, lone) if t[k] > clear_s), last]
        states = _states(signals, cuts, after_ride=first > 0)
        for (a, b), state in zip(pairwise(cuts), states, strict=True):
            labels[a:b] = _NAMES[state]
    for first, last in _together(labels):
        turn, end = find_top(t[first:last], v[first:last], signals.noise_v)
        labels[first : first + turn] = _CC
        labels[first + turn : first + end] = _CV
        labels[first + end : last] = _REST
    return _with_plateaus(signals, labels) if signals.step_s >= _SPARSE_S else labels


def _with_plateaus(signals: Signals, labels: NDArray[np.str_]) -> NDArray[np.str_]:
    """Sparse records: plateaus stand; a rise without one is a charge if it climbs well, or quickens."""
    t, v = signals.time_s, signals.level_v
    known = np.zeros(len(labels), dtype=bool)
    for start, flat, end in plateau_charges(signals):
        turn = start + slows_down(t[start:end], v[start:end], flat - start, signals.noise_v)
        labels[start:turn], labels[turn:end] = _CC, _CV
        known[start:end] = True
    for first, last in _together(labels):
        part = slice(first, last)
        if known[part].any():
            labels[part] = np.where(known[part], labels[part], _REST)
        elif t[last - 1] - t[first] < _SPARSE_CHARGE_S or not (
            v[last - 1] - v[first] > _SPARSE_RISE_V or _quickens(signals.volts_v[part])
        ):
            labels[part] = _REST
    return labels


def _quickens(volts_v: F64) -> bool:
    """Whether a group climbs well, and more in the later half: it leaves a flat curve. No relaxation does that."""
    for group_v in volts_v.T:
        read_v = group_v[np.isfinite(group_v)]
        few = max(1, len(read_v) // 20)
        if len(read_v) < 3 * few:
            continue
        low, middle, high = (float(np.median(p)) for p in (read_v[:few], _around_middle(read_v, few), read_v[-few:]))
        if high - low > _QUICKENS_V and high - middle > middle - low > 0:
            return True
    return False


def _around_middle(values: F64, few: int) -> F64:
    return values[(len(values) - few) // 2 : (len(values) + few) // 2]


def _rough(signals: Signals) -> tuple[NDArray[np.bool_], list[int]]:
    """(m,) rows of a ride: load changes crowd; the edges are the first and last of them. And rows of lone steps."""
    v, lone = signals.level_v, list[int]()
    if len(v) < 5:
        return np.zeros(len(v), dtype=bool), lone
    second = np.abs(np.diff(v, 2, prepend=v[0], append=v[-1]))
    hit = second > max(_ROUGH_V, 8 * signals.noise_v)
    width = max(9, round(60.0 / signals.step_s) | 1) if signals.step_s < 20 else 5
    crowd = rolling_mean(hit.astype(float), width) * width >= _ROUGH_ROWS - 0.5
    rough = np.zeros(len(v), dtype=bool)
    joined: list[list[int]] = []
    for first, last in runs_of(crowd):
        at = np.flatnonzero(hit[first:last])
        if not len(at):
            continue
        a, b = first + int(at[0]), first + int(at[-1]) + 1
        if joined and signals.time_s[a] - signals.time_s[joined[-1][1] - 1] < _RIDE_PAUSE_S:
            joined[-1][1] = b
        else:
            joined.append([a, b])
    for a, b in joined:
        # A single large step rings for some rows; a ride goes on, up and down.
        lasts_s = signals.time_s[b - 1] - signals.time_s[a]
        if lasts_s < max(_LEAST_RIDE_S, 3 * signals.step_s):
            continue
        if _bleeds_in_a_charge(v[a:b], second[a:b]):
            continue
        before = max(0, a - 1)
        if _shoots_up(v[before : b + 1]):
            lone.append(before + int(np.argmax(v[before : b + 1])) + 1)
            continue
        if lasts_s > _LONE_STEP_S or _both_ways(v, a, b):
            rough[a:b] = True
        else:
            lone.append(a + int(np.argmax(np.abs(np.diff(v[a : b + 1])))) + 1)
    return rough, lone


def _bleeds_in_a_charge(v: F64, second: F64) -> bool:
    """Whether a rough stretch of small steps climbs well: bleeding on shared leads while a charger lifts the level."""
    few = max(3, len(v) // 20)
    return bool(second.max() < _LOAD_V and float(np.median(v[-few:]) - np.median(v[:few])) > _LIFT_V)


def _shoots_up(v: F64) -> bool:
    """Whether a rough stretch climbs well to one peak, and falls from there: the steep top of a charge, and its cut."""
    peak = int(np.argmax(v))
    one_way = (np.diff(v[: peak + 1]) > 0).all() and (np.diff(v[peak:]) < _ROUGH_V).all()
    return bool(peak >= _ROUGH_ROWS and v[peak] - v[0] > _RAMP_V and one_way)


def _both_ways(v: F64, first: int, last: int) -> bool:
    """Whether the level goes up and down: a charger's step and what settles after it go one way."""
    step = np.diff(v[max(0, first - 1) : last + 1])
    return bool((step > _ROUGH_V).any() and (step < -_ROUGH_V).any())


def _steps(signals: Signals, first: int, last: int, lone: list[int]) -> list[int]:
    """Rows of a smooth stretch at which the level jumps; `lone`: rows at which it is known to, of all the record."""
    half = half_rows(signals)
    # Standard deviation of the value of a line at its end: sigma * 2 / sqrt(half), two sides.
    least = max(_STEP_V, 6 * signals.noise_v * 2 * np.sqrt(2.0 / half))
    found = [first + c for c in steps_of(signals.level_v[first:last], half, least, signals.noise_v)]
    here = [k for k in lone if first < k < last]
    return sorted([*(c for c in found if all(abs(k - c) > half for k in here)), *here])


def _jump(v: F64, at: int) -> float:
    before, after = v[max(0, at - 5) : at], v[at : at + 5]
    if not len(before) or not len(after):
        return 0.0
    shoots = before[-1] - before[0] > _RAMP_V and bool((np.diff(before) > 0).all())
    return float(np.median(after) - (before[-1] if shoots else np.median(before)))


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
        elif state == 1 and jump > -_SURE_STEP_V and _rises_before(t, v, a, signals.noise_v):
            pass  # constant current still flowed: a charger that goes then takes its whole drop with it
        # A step down before a climb is a charger that goes on with less current.
        elif jump < -_SMALL_STEP_V and not (
            state == 1 and (trend > 0 or climbs(v[a:b], signals.step_s, signals.noise_v))
        ):
            state = max(-1, state - 1) if jump < -_SURE_STEP_V or state == 1 else state
        elif state == 0 and _held_at_end(t[a:b], v[a:b], signals.noise_v):
            state = 1
        states.append(state)
    return states


def _rises_before(t: F64, v: F64, at: int, noise_v: float) -> bool:
    """Whether the level climbed towards a row, in the minute before it, as in a charge before its held top."""
    first = int(np.searchsorted(t, t[at] - 60.0))
    part = slice(first, at - 1)
    if at - first < 6:
        return False
    error = 3600.0 * slope_u(noise_v, t[first:at])
    return bool(_slope(t[part], v[part]) > _RISING_V_H + 4 * error)


def _first_state(t: F64, v: F64, next_jump: float, after_ride: bool, noise_v: float) -> int:
    """What a smooth stretch begins with: after a ride a rest, unless it rises as no relaxation does."""
    trend, ramp = _trend(t, v, noise_v), _ramp_to_top(t, v, noise_v)
    if after_ride:
        held = _held_at_end(t, v, noise_v)
        climbs = trend > 0 and len(v) > 5 and float(np.median(v[-5:]) - np.median(v[:5])) > _CLIMB_V
        return 1 if held or climbs or (trend > 0 and next_jump < -_SURE_STEP_V) else 0
    if ramp or (trend > 0 and next_jump <= _CHARGE_STEP_V):
        return 1
    # A steady discharge that was running when the record began is quicker than a relaxation.
    return -1 if trend < 0 and next_jump >= -_SURE_STEP_V and _slopes(t, v)[1] < _STEADY_V_H else 0


def _trend(t: F64, v: F64, noise_v: float) -> int:
    """1 rising, -1 falling, in a way that lasts; else 0."""
    if len(t) < 6:
        return 0
    early, late = _slopes(t, v)
    error = 3600.0 * slope_u(noise_v, t)
    if abs(late) <= _RISING_V_H + 4 * error or abs(late) <= _DIES_AWAY * abs(early):
        return 0
    return 1 if late > 0 else -1


def _ramp_to_top(t: F64, v: F64, noise_v: float) -> bool:
    """A rise that ends in its top without dying away: a charge with its plateau, not a relaxation."""
    smooth = rolling_mean(v, max(1, min(len(v) // 50, 9)))
    low, top = float(smooth[: max(3, len(v) // 200)].min()), float(np.median(v[-max(5, len(v) // 10) :]))
    if top - low < max(_RAMP_V, 20 * noise_v) or smooth.max() > top + _TOP_V:
        return False
    return keeps_rising(t, smooth, low, top)


def _held_at_end(t: F64, v: F64, noise_v: float) -> bool:
    """A ramp whose last quarter is flat: a relaxation that looks like a ramp is one that was cut short."""
    last = slice(len(t) - len(t) // 4, len(t))
    return _ramp_to_top(t, v, noise_v) and abs(_slopes(t[last], v[last])[1]) < _FLAT_V_H


def _slopes(t: F64, v: F64) -> tuple[float, float]:
    """Slopes of the earlier and of the later half, V/h; the first tenth is left to the quick part of a transient."""
    a, m = len(t) // 10, len(t) // 2
    return _slope(t[a:m], v[a:m]), _slope(t[m:], v[m:])


def _slope(t: F64, v: F64) -> float:
    """V/h of the least-squares line; 0 for less than two rows."""
    return 3600.0 * line_through(t, v).slope if len(t) >= 2 else 0.0


def _together(labels: NDArray[np.str_]) -> list[tuple[int, int]]:
    return runs_of((labels == _CC) | (labels == _CV))
