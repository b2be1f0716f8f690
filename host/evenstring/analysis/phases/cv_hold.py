"""The held top of a charge in a smooth level: where the constant voltage begins, and where the charger went.

A held top is a straight line, sloped by no more than the meter's drift. From its end it is followed back until the
level falls away from it and keeps falling: that corner is the turn from constant current. A charger that goes while
little current flows leaves a small step that stays, or no step and a bend into a relaxation (`leaves_top`).

A charger holds its own end of the leads: what the pack sees still rises as the current and the leads' drop die away
(Ohm). So a rise that slows down at a corner, and goes on far more slowly without a step, belongs to the held top.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.phases.cv_hold_sparse import leaves_top
from evenstring.analysis.series.arrays import rolling_mean
from evenstring.analysis.series.lines import line_through, slope_u

__all__ = ["find_top", "slows_down"]

F64 = NDArray[np.float64]
_FLAT_V_H = 3e-3  # a slope smaller than this is flat: tuned on own sessions under 300,000
_DRIFT_V_H = 1e-3  # what a meter's gain drifts by: 10 ppm/K and ten kelvin an hour make half of it: our choice
# A level further below the held line than this has left it, if it keeps falling: tuned on own sessions under
# 300,000
_OFF_V = 0.5e-3
# Which means by so much more within so long: 20 mV an hour or more: tuned on own sessions under 300,000
_FALLS_V, _FALLS_S = 1e-3, 180.0
# Least step in a held top that tells of the charger's going, and its means: tuned on own sessions under 300,000
_KEPT_V, _KEPT_S = 0.2e-3, 60.0
_STAYS_S = 600.0  # for so long after it the level stays lower: tuned on own sessions under 300,000
_EDGE_ROWS = 3  # the last rows may hold the charger's going: our choice
# Shares of a charge that are tried as its held end: tuned on own sessions under 300,000
_TAILS = (0.5, 0.25, 0.1, 0.05, 0.03)
# Shares of the rise before the corner: it is steady up to there, slower at once, and much slower in the end; and a rise
# is at least so quick: our choice
_STEADY, _SLOWER, _SLOWED, _RISES_V_H = 0.9, 0.6, 0.35, 0.03
_WINDOW_S, _WINDOWS = 120.0, 5  # slopes are taken over such windows, and compared with so many before: our choice
_STAGE_V = 1e-3  # a fall from one window to the next is a stage of the charger's, not its held top: our choice
_LONG_S = 300.0  # a held top that is seen by its corner alone lasts so long: our choice
_SHORT_TAILS_S = (240.0, 120.0, 60.0, 40.0)  # and lengths of it: tuned on own sessions under 300,000


def find_top(t: F64, v: F64, noise_v: float) -> tuple[int, int]:
    """Rows until the held top of a charge and until its end; all rows twice when it has none."""
    n = len(v)
    turn = _turn(t, v, noise_v)
    if n < 100:
        return turn, n
    if turn == n:
        turn = _highest(t, v, noise_v)
    if turn == n:
        turn = slows_down(t, v, n, noise_v)
        turn = turn if t[-1] - t[min(turn, n - 1)] >= _LONG_S else n
    if turn == n:
        return n, n
    end = turn + _kept_step(t[turn:], v[turn:], noise_v)
    if end == n:
        end = turn + leaves_top(t[turn:], v[turn:], noise_v)
    if end < n:  # once more without what came after: its slope is not the top's
        turn = min(_turn(t[:end], v[:end], noise_v), end - 1)
    return slows_down(t[:end], v[:end], turn, noise_v), end


def slows_down(t: F64, v: F64, turn: int, noise_v: float) -> int:
    """Row of the corner at which a rise slows down to what it is before row `turn`; `turn` without one."""
    edges = np.searchsorted(t, np.arange(t[min(turn, len(t) - 1)], t[0], -_WINDOW_S))
    windows = [slice(b, a) for a, b in pairwise(edges.tolist()) if a - b >= 2]
    rise = np.array([3600.0 * line_through(t[w], v[w]).slope for w in windows])
    means = np.array([float(np.mean(v[w])) for w in windows])
    corner = None
    for k in range(2, len(windows) - _WINDOWS):
        u = 3600.0 * slope_u(noise_v, t[windows[k]])
        before = float(np.median(rise[k : k + _WINDOWS]))
        if means[k - 1] < means[k] - _STAGE_V - 4 * noise_v:
            break
        steady = before > max(_RISES_V_H, 4 * u) and rise[k] >= _STEADY * before
        # The window that holds the corner itself tells of neither side.
        if steady and rise[: k - 1].max() < _SLOWER * before and rise[0] < _SLOWED * before + 2 * u:
            corner = k
    return turn if corner is None else _knee(t, v, windows[corner].start, windows[corner - 2].stop)


def _knee(t: F64, v: F64, first: int, last: int) -> int:
    """Row between two that lies furthest above the straight line from the one to the other."""
    chord = v[first] + (v[last - 1] - v[first]) * (t[first:last] - t[first]) / max(t[last - 1] - t[first], 1e-9)
    return first + int(np.argmax(rolling_mean(v[first:last] - chord, 3)))


def _turn(t: F64, v: F64, noise_v: float) -> int:
    """Rows until the held top, if the level is still held, or nearly, where the rows end; else all rows."""
    n = len(v)
    edge = n - (_EDGE_ROWS if n > 60 else 0)
    starts = [int(n * (1 - share)) for share in _TAILS]
    starts += [int(np.searchsorted(t, t[edge - 1] - s)) for s in _SHORT_TAILS_S]
    for start in sorted(starts):
        if _is_flat(t[start:edge], v[start:edge], noise_v) and _is_straight(t[start:edge], v[start:edge], noise_v):
            turn = _followed_back(t[:edge], v[:edge], start, noise_v)
            if turn < edge:
                return turn
    return n


def _highest(t: F64, v: F64, noise_v: float) -> int:
    """Rows until a held top after which the level fell away, found as the level's highest stretch; else all rows."""
    smooth = rolling_mean(v, 5)
    inside = np.flatnonzero(smooth > float(np.quantile(smooth, 0.98)) - max(1e-3, 4 * noise_v))
    first, last = int(inside[0]), int(inside[-1])
    start = first + (last - first) // 4
    if t[last] - t[first] < 300.0 or len(inside) < 0.9 * (last - first):
        return len(v)
    if not _is_flat(t[start:last], v[start:last], noise_v, 2 * _FLAT_V_H):
        return len(v)
    turn = _followed_back(t[:last], v[:last], start, noise_v)
    return turn if turn < last else len(v)


def _is_flat(t: F64, v: F64, noise_v: float, least_v_h: float = _FLAT_V_H) -> bool:
    if len(v) < 4 or t[-1] - t[0] < 20.0:
        return False
    return bool(abs(line_through(t, v).slope) * 3600.0 <= least_v_h + 3 * 3600.0 * slope_u(noise_v, t))


def _is_straight(t: F64, v: F64, noise_v: float) -> bool:
    """Whether a flat stretch has no rise at its beginning."""
    base, _ = _held_line(t, v)
    few = max(3, len(v) // 20)
    return bool(base - float(np.mean(v[:few])) < max(_OFF_V, 4 * noise_v / few**0.5))


def _followed_back(t: F64, v: F64, start: int, noise_v: float) -> int:
    """From a flat tail (from row `start` on) back to the corner where the level falls away; all rows without one.

    Rows that wobble off the line, as bleeding may make them, are passed over; the line rests on the others.
    """
    n, step_s = len(v), float(np.median(np.diff(t)))
    rows = max(2, round(10.0 / step_s), n // 600)
    smooth = rolling_mean(v, max(1, min(n // 20, 5)))
    off = max(_OFF_V, 4 * noise_v)
    at, kept = start, start
    base, slope = _held_line(t[start:], v[start:])
    while at > 0:
        back = max(0, at - rows)
        below = base + slope * (t[back:at] - t[kept]) - smooth[back:at]
        if float(below.max()) > off and _keeps_falling(t, smooth, base - off, back):
            return back + int(np.flatnonzero(below > off)[-1]) + 1
        if float(np.abs(below).max()) <= off or float(below.mean()) < -off:
            kept = back
            until = min(n, back + max(4 * rows, round(600.0 / step_s)))
            base, slope = _held_line(t[back:until], v[back:until])
        at = back
    return 0 if kept == 0 else n


def _held_line(t: F64, v: F64) -> tuple[float, float]:
    """Level at the first row and slope, V/s, no steeper than a meter drifts."""
    slope = float(np.clip(line_through(t, v).slope, -_DRIFT_V_H / 3600.0, _DRIFT_V_H / 3600.0))
    return float(np.median(v - slope * (t - t[0]))), slope


def _keeps_falling(t: F64, smooth: F64, left_v: float, at: int) -> bool:
    """Whether the level, followed back from a row at which it has left the held line, soon lies well below."""
    before = smooth[int(np.searchsorted(t, t[at] - _FALLS_S)) : at + 1]
    return left_v - float(before.min()) > _FALLS_V


def _kept_step(t: F64, v: F64, noise_v: float) -> int:
    """Rows until a step down, in a held top, after which the level stays lower; all rows without one."""
    n = len(v)
    step_s = float(np.median(np.diff(t)))
    width = max(4, round(_KEPT_S / step_s))
    if n < 3 * width:
        return n
    total = np.concatenate(([0.0], np.cumsum(v)))
    mean = (total[width:] - total[:-width]) / width
    # The row in which it happens is left out, and the next: a board may switch its bleeders off a little later.
    fall = mean[: n - 2 * width - 1] - mean[width + 2 :]
    k = int(np.argmax(fall)) if len(fall) else 0
    if not len(fall) or fall[k] < max(_KEPT_V, 8 * noise_v * np.sqrt(2.0 / width)):
        return n
    cut = k + width + 1
    soon = slice(cut + 1, min(n, cut + 1 + round(_STAYS_S / step_s)))
    lower = [float(np.median(v[k : k + width]) - np.median(part)) for part in np.array_split(v[soon], 4)]
    return cut if min(lower) > 0.6 * fall[k] else n
