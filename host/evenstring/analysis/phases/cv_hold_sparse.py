"""Charges found by their plateau: for records of few samples, whose steps and bends look alike.

A held voltage is flat, higher than all round it, and entered from a rise that does not slow down before it. From there
back the rise is followed to where it sets in. Used where rows are several seconds apart and no current is known.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.arrays import rolling_mean, runs_of
from evenstring.analysis.series.lines import StraightLine, line_through
from evenstring.analysis.series.signals import Signals

__all__ = ["keeps_rising", "leaves_top", "plateau_charges"]

F64 = NDArray[np.float64]
_FLAT_V = 1.2e-3  # from row to row: tuned on own sessions under 300,000
_LEAST_S, _LEAST_ROWS = 240.0, 4  # of a plateau: tuned on own sessions under 300,000
_RISE_V = 0.030  # to a plateau: tuned on own sessions under 300,000
_HELD_V_H = 2e-3  # a held top may slope by this: the meter drifts: tuned on own sessions under 300,000
_HELD_S = 600.0  # and lasts this long at least, before its end is looked for: tuned on own sessions under 300,000
_LEFT_V = 0.3e-3  # below the held top by this: it was left: tuned on own sessions under 300,000
# A held voltage is the highest of the record; what is flat below it is a rest: tuned on own sessions under 300,000
_NEAR_TOP_V = 0.020


def plateau_charges(signals: Signals) -> list[tuple[int, int, int]]:
    """Rows (start of the charge, start of its plateau, end of the plateau)."""
    t, v = signals.time_s, signals.level_v
    quiet = np.abs(np.diff(v)) <= _FLAT_V + 4 * signals.noise_v
    found: list[tuple[int, int, int]] = []
    highest = float(np.quantile(v, 0.995)) - _NEAR_TOP_V
    for a, b in runs_of(quiet):
        top = float(np.median(v[a : b + 1]))
        flat = np.flatnonzero(np.abs(v[a : b + 1] - top) <= _FLAT_V + 3 * signals.noise_v)
        if len(flat) < _LEAST_ROWS or t[a + flat[-1]] - t[a + flat[0]] < _LEAST_S:
            continue
        turn, end = a + int(flat[0]), a + int(flat[-1]) + 1
        if turn < 3 or top < highest or not _falls_after(v, end, top) or not _rises_into(v, turn, top):
            continue
        start = _sets_in(v, turn, signals.noise_v)
        if top - v[start] >= _RISE_V and _is_ramp(t[start : turn + 1], v[start : turn + 1], top):
            found.append((start, turn, end))
    return found


def keeps_rising(t: F64, v: F64, low: float, top: float, shares: tuple[float, float, float] = (0.2, 0.6, 0.95)) -> bool:
    """Whether a rise from `low` to `top` is a ramp.

    A relaxation takes three times as long from 60 to 95 % of its way as from 20 to 60 %, a ramp as long; from 90 to
    98 % 2.3 times as long as from 80 to 90 %.
    """
    at = [float(t[int(np.argmax(v >= low + share * (top - low)))]) for share in shares]
    return at[2] - at[1] < 1.8 * max(at[1] - at[0], 1e-9) and at[1] - at[0] > 30.0


def _is_ramp(t: F64, v: F64, top: float) -> bool:
    """By all of the rise, or by its last fifth: a cell that was quite empty rises quickly at first in any case."""
    low = float(v[0])
    return keeps_rising(t, v, low, top) or keeps_rising(t, v, low, top, (0.8, 0.9, 0.98))


def _rises_into(v: F64, turn: int, top: float) -> bool:
    """The rise just before is as quick as a good while before: a relaxation would have slowed down."""
    before = v[max(0, turn - 12) : turn]
    if len(before) < 3 or (np.diff(before) < -1e-3).any():
        return False
    late, early = top - before[-2], before[len(before) // 2] - before[0]
    return bool(late > 2e-3 and late / 2 > 0.25 * early / max(1, len(before) // 2))


def _falls_after(v: F64, end: int, top: float) -> bool:
    """Nothing right after is higher: what follows a charge relaxes or is drawn down."""
    after = v[end : end + 10]
    return not len(after) or bool(after.max() <= top + 2e-3)


def _sets_in(v: F64, turn: int, noise_v: float) -> int:
    """Row at which the rise to a plateau begins: the last sharp quickening in the unbroken rise before it."""
    first = turn
    while first > 0 and v[first] - v[first - 1] > -(1e-3 + 4 * noise_v):
        first -= 1
    step = np.diff(v[first : turn + 1])
    if len(step) < 3:
        return first
    before = np.array([np.median(step[max(0, k - 4) : k]) if k else 0.0 for k in range(len(step))])
    quicker = step - np.maximum(before, 0.0)
    sharp = np.flatnonzero((quicker > 5e-3) & (step > 4 * np.maximum(before, 0.2e-3)))
    if not len(sharp):
        return first
    last = int(sharp[-1])  # an earlier one is a load that went, and a rest between
    while last - 1 in sharp:  # a step that falls between two rows
        last -= 1
    return first + last + 1


def leaves_top(t: F64, v: F64, noise_v: float) -> int:
    """Rows of a held top until it is left for good, in a fall too slow for a step; all rows while it is held.

    A held top is a straight line: its slope is the meter's drift. Where the charger goes the line bends down into a
    relaxation. The bend is put where two lines, one before and one after, leave the least squares.
    """
    n = len(v)
    if n < 300:
        return n
    smooth = rolling_mean(v, 61)
    at = np.linspace(30, n - 31, min(n // 5, 400)).astype(int)
    x, y = (t[at] - t[0]) / 3600.0, smooth[at]
    cuts = range(max(10, int(np.searchsorted(x, _HELD_S / 3600.0))), len(at) - 12)
    if not cuts:
        return n
    quick = [_two_lines(x, y, k) for k in cuts]
    best = min(quick, key=lambda q: q[0])
    whole = line_through(x, y).squares_left
    rows = 2.0 * n / 61.0  # independent means among the smooth ones, about
    worth = rows * np.log(max(whole, 1e-18) / max(best[0], 1e-18))
    _, k, before, after = best
    held_v = before.at(x[-1] if before.slope < 0 else x[k])
    left = after.at(x[-1]) < held_v - max(_LEFT_V, 6 * noise_v / 61.0**0.5)
    if not left or after.slope > before.slope or abs(before.slope) > _HELD_V_H or worth < 20.0:
        return n
    # From the bend back to where the fall sets in: the last row still on the line of the held top.
    on = before.start + before.slope * (t - t[0]) / 3600.0 - max(0.15e-3, 4 * noise_v / 61.0**0.5)
    held = np.flatnonzero(smooth[: int(at[k]) + 1] >= on[: int(at[k]) + 1])
    return int(held[-1]) + 1 if len(held) else n


def _two_lines(x: F64, y: F64, k: int) -> tuple[float, int, StraightLine, StraightLine]:
    """Sum of squares left by two lines that part at row k, k, and both lines."""
    before, after = line_through(x[:k], y[:k]), line_through(x[k:], y[k:])
    return before.squares_left + after.squares_left, k, before, after
