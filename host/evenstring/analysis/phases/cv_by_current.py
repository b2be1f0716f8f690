"""The held top of a charge by its current: the current has left its constant level for good, and the voltage stands."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.arrays import rolling_mean, white_noise
from evenstring.analysis.series.lines import line_through, slope_u
from evenstring.analysis.series.signals import Signals

__all__ = ["rows_until_held", "rows_while_low_rise"]

F64 = NDArray[np.float64]
_LEFT_PLATEAU = 0.99  # of the constant current: tuned on own sessions under 300,000
_EDGE_S = 15.0  # at the end of a charge: the charger going off, not a taper: tuned on own sessions under 300,000
_TAIL_SHARES = (10, 30, 100)  # of a charge: one part in so many, at its end: our choice
_TAPERS = 1.1  # times the current at the end, at the beginning of a held end that tapers: our choice
_LEADS_OHM = 0.1  # of leads, fuse and connectors between charger and pack, and no more: common practice
_SMOOTHED = 10  # means over such a share of a held end: our choice
_FLAT_V = 4e-3  # a level whose middle 80 % lie within this is held: tuned on own sessions under 300,000
_LINEAR = 0.98  # of the constant current: to here the taper is a straight line: tuned on own sessions under 300,000
_MEAN_S = 5.0  # means of the current: our choice
_SETTLES_V = 3e-3  # a level at once so near to its plateau is held from there: tuned on own sessions under 300,000
_STAGE, _STAGE_ROWS = 0.08, 5  # of the highest current: a stage; and so many rows follow on it: our choice
_EDGES = 12  # of a stretch, one part in so many at either end: our choice
_ALONG_U = 4.0  # uncertainties by which the level goes with the current: our choice
_SETTLED_V = 1e-3  # a level this near to the end's has settled: tuned on own sessions under 300,000
# Of a voltage held without a current that shows: so long, and the lower half rises by more than so many times its
# uncertainty: our choice
_UNSEEN_S, _RISE_U = 900.0, 4.0
_RISEN_V = 1e-4  # and by this beyond it, at least: our choice
_MINUTES_S, _WITHIN_U = 120.0, 3.0  # means by which the end of a rise is found, and their noise: our choice


def rows_while_low_rise(signals: Signals, last: int, held: NDArray[np.bool_]) -> int:
    """Rows from `last` on in which the level is `held`, (n,), if the lower half of the groups rises there; else 0.

    Bleeders draw the high groups down, and a charger that holds the sum lifts the low ones by as much, with a current
    that no sensor shows. After a charge no group rises by itself: polarisation dies away downwards, and bleeding at
    rest lifts nothing.
    """
    ends = np.flatnonzero(~held)
    rows = np.arange(last, last + (int(ends[0]) if len(ends) else len(held)))
    volts = signals.volts_v[rows]
    whole = np.isfinite(volts).all(axis=1)
    time_s, volts = signals.time_s[rows[whole]], volts[whole]
    if len(time_s) < _STAGE_ROWS or time_s[-1] - time_s[0] < _UNSEEN_S:
        return 0
    lowest = np.argsort(volts.mean(axis=0))[: max(1, volts.shape[1] // 2)]
    low_v = volts[:, lowest].mean(axis=1).astype(np.float64)
    until = _highest_until(low_v, max(2, round(_MINUTES_S / signals.step_s)))
    time_s, low_v = time_s[:until], low_v[:until]
    if time_s[-1] - time_s[0] < _UNSEEN_S:
        return 0
    line = line_through(time_s - time_s[0], low_v)
    noise_v = np.sqrt(line.squares_left / len(time_s))
    risen_v = (time_s[-1] - time_s[0]) * (line.slope - _RISE_U * slope_u(noise_v, time_s))
    return int(np.flatnonzero(whole)[until - 1]) + 1 if risen_v > _RISEN_V else 0


def _highest_until(low_v: F64, width: int) -> int:
    """Rows up to which means of so many are at their highest, within what noise makes: what falls is not held."""
    blocks = max(1, len(low_v) // width)
    means = low_v[: blocks * width].reshape(blocks, -1).mean(axis=1) if len(low_v) >= width else low_v[:1]
    least = float(means.max()) - _WITHIN_U * white_noise(low_v) / np.sqrt(width)
    last = int(np.flatnonzero(means >= least)[-1])
    return len(low_v) if last == len(means) - 1 else (last + 1) * width


def rows_until_held(signals: Signals, amps: F64, first: int, last: int) -> int:
    """Rows from the start of a charge to its constant-voltage part; all of them when there is none.

    That part begins when the current has left its constant level for good and the voltage is held. A charger that goes
    down in stages has a constant level in each, and the last one counts.
    """
    part, top, groups = amps[first:last], signals.level_v[first:last], signals.volts_v.shape[1]
    step_s = float(np.median(np.diff(signals.time_s[first:last]))) if last - first > 1 else signals.step_s
    turn = _taper(part, step_s)
    if turn == len(part):
        return turn
    smooth = rolling_mean(part, _width(step_s))
    if turn and not _is_the_charger_s(top[turn:], part[turn:], groups, signals.noise_v):
        stage = _last_stage(smooth, top, step_s, signals.noise_v)
        turn = stage + _taper(part[stage:], step_s)
        if stage and turn < len(part) and _is_the_charger_s(top[turn:], part[turn:], groups, signals.noise_v):
            return turn
        return _reaches_plateau(top, part, groups, signals.noise_v)  # current not constant (power limited, stages)
    # Plugged in with the voltage held at once: after the first rows the level is the plateau's.
    early = top[min(len(top) - 1, max(1, round(_EDGE_S / step_s)))]
    held_at_once = turn > 0 and len(part) > 10 and _is_held(top) and float(np.median(top)) - early < _SETTLES_V
    return 0 if held_at_once and smooth[0] > 1.02 * smooth[-1] else turn


def _width(step_s: float) -> int:
    return max(1, round(_MEAN_S / step_s))


def _taper(part: F64, step_s: float) -> int:
    """Rows until the current leaves its constant level for good; all rows where it does not."""
    width = _width(step_s)
    smooth = rolling_mean(part, width)
    plateau = float(np.median(smooth[smooth > 0.95 * smooth.max()]))
    noise = 3.0 * white_noise(part) / np.sqrt(width)
    above = np.flatnonzero(smooth >= min(_LEFT_PLATEAU * plateau, plateau - noise))
    turn = int(above[-1]) + 1 if len(above) else 0
    if (len(part) - turn) * step_s < max(_EDGE_S, 1.5 * step_s):  # of sparse rows: the last one
        return len(part)  # the charger going off, not a taper
    if step_s < 10.0 and 0 < turn < len(part):
        # The taper is a straight line at first: back from 99 % by as much as it takes to 98 %.
        lower = np.flatnonzero(smooth >= min(_LINEAR * plateau, plateau - 2 * noise))
        turn = max(0, turn - min(int(lower[-1]) + 1 - turn, round(30.0 / step_s)))
    return turn


def _last_stage(smooth: F64, level_v: F64, step_s: float, noise_v: float) -> int:
    """Row of the last fall of the current by a stage, with which the level falls too (Ohm); 0 without one."""
    lag = max(2, round(_EDGE_S / step_s))
    if len(smooth) <= lag + _STAGE_ROWS:
        return 0
    falls = smooth[lag:] - smooth[:-lag] < -_STAGE * float(smooth.max())
    falls &= level_v[lag:] - level_v[:-lag] < -(_SETTLED_V + 4 * noise_v)
    rows = np.flatnonzero(falls[:-_STAGE_ROWS])
    return int(rows[-1]) + lag if len(rows) else 0


def _is_the_charger_s(level_v: F64, amps: F64, groups: int, noise_v: float) -> bool:
    """Whether the charger holds a stretch: it is flat, and does not go up and down with the current."""
    return _is_held(_at_charger_v(level_v, amps, groups)) and not _goes_along(level_v, amps, noise_v)


def _goes_along(level_v: F64, amps: F64, noise_v: float) -> bool:
    """Whether the level goes up and down with the current (Ohm), so that nobody holds it.

    Where the current falls by far, a charger whose own voltage wavers moves both alike, and holds it all the same. The
    edges are left out, where the level comes to its plateau and the charger may be going already.
    """
    edge = max(2, len(amps) // _EDGES)
    level_v, amps = level_v[edge:-edge], amps[edge:-edge]
    third = max(1, len(amps) // 3)
    if len(amps) < _STAGE_ROWS or float(np.mean(amps[:third])) > _TAPERS * float(np.mean(amps[-third:])):
        return False
    row = np.arange(float(len(amps)))
    line = line_through(row, amps)
    away_a = amps - line.start - line.slope * row  # what is left of the current; so the level needs no line of its own
    along = float(away_a @ (level_v - level_v.mean()))
    return along > _ALONG_U * max(noise_v, 1e-6) * float(np.sqrt(away_a @ away_a))


def _is_held(level_v: F64) -> bool:
    """Whether a stretch is flat: its middle 80 % within 4 mV a group."""
    return bool(np.diff(np.quantile(level_v, [0.1, 0.9]))[0] < _FLAT_V)


def _at_charger_v(level_v: F64, amps: F64, groups: int, like: slice = slice(None)) -> F64:
    """The level with the drop of leads and connectors added, as the charger holds it; theirs as seen in rows `like`.

    As the current dies away the pack's end of the leads rises by what is no longer lost in them (Ohm).
    """
    away = amps[like] - amps[like].mean()
    squares = float(away @ away)
    ohm = -float(away @ level_v[like]) / squares if squares > 0.0 else 0.0
    return level_v + float(np.clip(ohm, 0.0, _LEADS_OHM / groups)) * amps


def _reaches_plateau(level_v: F64, amps: F64, groups: int, noise_v: float) -> int:
    """First row from which the level stays within 1 mV of the value at the end; all rows if it never settles.

    Where the end is held for less than a tenth of the charge, as behind several stages, it must taper there, too.
    """
    for share in _TAIL_SHARES:
        rows = max(5, len(level_v) // share)
        flowing = amps[-rows:]
        held_v = _at_charger_v(level_v, amps, groups, slice(-rows, None))
        tapers = float(np.mean(flowing[: rows // 3])) > _TAPERS * float(np.mean(flowing[-(rows // 3) :]))
        held = _is_held(held_v[-rows:]) and not _goes_along(level_v[-rows:], flowing, noise_v)
        if held and (share == _TAIL_SHARES[0] or tapers):
            wide = max(1, rows // _SMOOTHED)  # bleeding by turns makes the level waver, and does not end a plateau
            below = np.flatnonzero(
                rolling_mean(held_v, wide) < np.median(held_v[-rows:]) - max(_SETTLED_V, 4 * noise_v)
            )
            turn = int(below[-1]) + 1 if len(below) else 0
            return turn if len(level_v) - turn > 10 else len(level_v)
    return len(level_v)
