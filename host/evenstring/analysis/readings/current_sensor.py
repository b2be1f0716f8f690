"""Is the current sensor sound? What is not is mended or left out before anything is found, so that no cell pays for it.

*Turned round*: where the current jumps, the string's voltage must jump the same way (Ohm), and with the charge that is
counted it must rise (any open-circuit curve rises with charge). *Stands still*: one reading, the same to its last
digit, while the voltage moves as under load, or does not answer its last jump; one that never stood so still before
is said. *Off at rest*: a steady current of which the voltage shows nothing, where
the assumed curve's slope says how fast it would move; or one small steady charge before and after all else, which no
charger gives. A wrong scale is not told from a wrong capacity, of which the
profile check speaks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.arrays import rolling_mean, runs_of
from evenstring.analysis.series.charge_moved import charge_moved_ah
from evenstring.analysis.series.rest import climbs
from evenstring.analysis.series.signals import Signals
from evenstring.chemistry import CHEMISTRIES
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["SensorLook", "look_at_sensor"]

F64 = NDArray[np.float64]

# Steps of the current that count, in capacities an hour; how many; how alike the volts must answer: our choice
_STEP_C, _LEAST_STEPS, _LIKE = 0.05, 4, 0.5
_MOVED, _COUNTED_LIKE = 0.1, 0.7  # of the capacity counted, from which the level must follow it; how alike: our choice
_STILL_S = 600.0  # of one and the same reading: our choice
_JUMP_V = 0.010  # of the mean group between two rows, or five times their noise: our choice
_JUMPS = 2  # in either direction, for a load: our choice
# A reading of nought; what no relaxation does after an hour's first half: our choice
_NO_CURRENT_C, _DRIFT_V = 0.01, 0.060
_ROWS, _ANSWERED = 2, 0.3  # either side of a jump; of what the string would have answered to it: our choice
# Rows of one reading, and of others like it before; share of those that were no repetition: our choice
_FROZEN_ROWS, _RESTLESS = 60, 0.5
_QUIET_S, _SETTLE = 1500.0, 1.0 / 3.0  # of steady current; its first part, left to relaxation: our choice
_STEADY_C, _LEAST_C, _MOST_C = 0.015, 0.015, 0.12  # half width, and size, of a steady reading in question: our choice
_END_S, _ALIKE_C = 240.0, 0.003  # of the first and the last reading, and how far they may differ: our choice
_SHOWS = 0.6  # share of the expected drift that must be missing: our choice
_SLOPE_V = 0.2  # per 1.0 of SoC: a flatter curve tells nothing: our choice
_LASTS_S = 300.0  # no braking goes on for so long: our choice
_HELD_V = 0.020  # under the session's highest level, where a charger may hold the voltage: our choice


@dataclass(frozen=True, slots=True)
class SensorLook:
    """The session with a current that can be used, or with none, and what is said of the sensor."""

    session: Session
    lines: tuple[str, ...] = ()


def look_at_sensor(session: Session, signals: Signals, profile: PackProfile) -> SensorLook:
    """The same session where nothing is wrong with the current, or where there is none."""
    amps = signals.current_a
    if amps is None or session.current_a is None or len(amps) < _LEAST_STEPS:
        return SensorLook(session)
    since_s = _stands_still(signals, amps, profile)
    if since_s is not None:
        line = (
            f"The current reads {amps[-1]:.2f} A without a change from {since_s / 60:.0f} min on, while the voltages"
            " move as under load: the sensor or its wires failed, and all was judged without it"
        )
        return SensorLook(replace(session, current_a=None), (line,))
    lines = []
    current = session.current_a
    if _turned_round(signals, amps, profile):
        amps, current = -amps, -current
        lines.append("The current sensor counts charging as negative: its readings were turned round here")
    frozen_s = _frozen(signals, amps, profile)
    if frozen_s is not None:
        lines.append(
            f"The current reads {amps[-1]:.2f} A to the last digit from {frozen_s / 60:.0f} min on, and never stood so"
            " still before: look at the sensor and its wires"
        )
    off_a = _off_at_rest(signals, amps, profile)
    if off_a is None:
        off_a = _off_at_both_ends(signals, amps, profile)
    if off_a is not None:
        current = current - np.float32(off_a)
        lines.append(f"The current sensor reads {off_a:+z.2f} A while nothing flows: that was taken off here")
    return SensorLook(replace(session, current_a=current) if lines else session, tuple(lines))


def _turned_round(signals: Signals, amps: F64, profile: PackProfile) -> bool:
    jump_a, jump_v = np.diff(amps), np.diff(signals.level_v)
    big = (np.abs(jump_a) > _STEP_C * profile.capacity_ah) & ~signals.gap_after[:-1]
    if big.sum() >= _LEAST_STEPS:
        a, v = jump_a[big], jump_v[big]
        size = float(np.sqrt(np.sum(a**2) * np.sum(v**2)))
        if size > 0 and abs(float(a @ v)) > _LIKE * size:
            return float(a @ v) < 0
    moved = charge_moved_ah(signals.time_s, amps)
    if np.ptp(moved) < _MOVED * profile.capacity_ah or not np.ptp(signals.level_v):
        return False
    return float(np.corrcoef(moved, signals.level_v)[0, 1]) < -_COUNTED_LIKE


def _stands_still(signals: Signals, amps: F64, profile: PackProfile) -> float | None:
    """From when on, in s of the session, one reading stands to the end while the voltage tells of a load."""
    same = np.append(np.diff(amps) == 0.0, True)
    runs = [(first, end) for first, end in runs_of(same) if end == len(amps)]
    if not runs:
        return None
    first = runs[0][0]
    if _unanswered(signals, amps, first, profile):
        return float(signals.time_s[first])
    t, level = signals.time_s[first:], signals.level_v[first:]
    if t[-1] - t[0] < _STILL_S:
        return None
    jump_v = np.diff(level)
    clear_v = max(_JUMP_V, 5.0 * signals.noise_v)
    loaded = min(int((jump_v > clear_v).sum()), int((jump_v < -clear_v).sum())) >= _JUMPS
    half = len(level) // 2
    charged = abs(amps[-1]) < _NO_CURRENT_C * profile.capacity_ah and np.ptp(level[half:]) > _DRIFT_V
    charging = float(np.median(amps[max(0, first - 10) : first + 1])) > _STEP_C * profile.capacity_ah
    # A climb under a reading that still charges is what a steady charger does.
    died = charging and abs(amps[-1]) < _STEP_C * profile.capacity_ah
    charged |= died and climbs(level, signals.step_s, signals.noise_v)
    return float(t[0]) if loaded or charged else None


def _unanswered(signals: Signals, amps: F64, first: int, profile: PackProfile) -> bool:
    """Whether the string did not answer the jump with which a reading came to stand still, as it did others (Ohm)."""
    jumps_a, jumps_v = _over_rows(amps), _over_rows(signals.level_v)
    at = max(first - _ROWS, 0)
    before = np.abs(jumps_a[: max(at - _ROWS, 0)]) > _STEP_C * profile.capacity_ah
    if at >= len(jumps_a) or not before.any() or abs(jumps_a[at]) < _STEP_C * profile.capacity_ah:
        return False
    a, v = jumps_a[: len(before)][before], jumps_v[: len(before)][before]
    answer_v = float(a @ v) / float(a @ a) * jumps_a[at]
    return bool(abs(answer_v) > _JUMP_V and jumps_v[at] / answer_v < _ANSWERED)


def _over_rows(values: F64) -> F64:
    return values[2 * _ROWS :] - values[: -2 * _ROWS] if len(values) > 2 * _ROWS else np.zeros(0)


def _frozen(signals: Signals, amps: F64, profile: PackProfile) -> float | None:
    """From when on, in s of the session, the last reading stands, where others like it changed from row to row."""
    moves = np.flatnonzero(np.diff(amps) != 0.0)
    first = int(moves[-1]) + 1 if len(moves) else 0
    near = np.flatnonzero(np.abs(amps[:first] - amps[-1]) < _STEADY_C * profile.capacity_ah)
    near = near[near > 0]
    if len(amps) - first < _FROZEN_ROWS or signals.time_s[-1] - signals.time_s[first] < _STILL_S:
        return None
    moved = len(near) >= _FROZEN_ROWS and float(np.mean(amps[near] != amps[near - 1])) > _RESTLESS
    return float(signals.time_s[first]) if moved else None


def _off_at_rest(signals: Signals, amps: F64, profile: PackProfile) -> float | None:
    """What the sensor reads where the voltage shows that nothing flows; None where no such stretch is there."""
    if CHEMISTRIES[profile.chemistry].judged_by_charge:
        return None  # where the curve is flat, a held level and one that nothing flows into look alike
    t, level, capacity = signals.time_s, signals.level_v, profile.capacity_ah
    curve = default_curve(profile.chemistry)
    quiet = np.abs(np.diff(amps, append=amps[-1])) < _STEADY_C * capacity
    # A charger may hold the level at its top; no load does.
    movable = (level < _top_v(signals) - _HELD_V) | (amps < 0.0)
    found = []
    for begin, end in runs_of(quiet & (np.abs(amps) < _MOST_C * capacity) & movable):
        first = int(np.searchsorted(t, t[begin] + _SETTLE * (t[end - 1] - t[begin])))
        lasts_s = float(t[end - 1] - t[first])
        if (
            lasts_s < (1.0 - _SETTLE) * _QUIET_S
            or end - first < _LEAST_STEPS
            or signals.gap_after[first : end - 1].any()
        ):
            continue
        reading_a = float(np.median(amps[first:end]))
        slope_v = float(curve.slope_v(float(curve.soc(float(np.median(level[first:end]))))))
        if not _LEAST_C * capacity < abs(reading_a) or slope_v < _SLOPE_V:
            continue
        expected_v = slope_v * reading_a / capacity * lasts_s / 3600.0
        moved_v = float(np.polyfit(t[first:end] - t[first], level[first:end], 1)[0]) * lasts_s
        # A level that moves more than the assumed curve says is one of a steeper curve, and no sign of a wrong zero.
        if 1.0 - moved_v / expected_v > _SHOWS and abs(expected_v) > 3.0 * signals.noise_v:
            found.append((lasts_s, reading_a))
    return max(found)[1] if found else None


def _top_v(signals: Signals) -> float:
    """The highest level that lasted, V: braking lifts a string above what its charger holds for seconds."""
    rows = max(1, min(len(signals.level_v), round(_LASTS_S / signals.step_s)))
    return float(rolling_mean(signals.level_v, rows).max())


def _off_at_both_ends(signals: Signals, amps: F64, profile: PackProfile) -> float | None:
    """One small steady charge that is read first, below the top, and last, with more in between; else None."""
    t, capacity = signals.time_s, profile.capacity_ah
    long_s = max(_END_S, 2 * _LEAST_STEPS * signals.step_s)
    first, last = t <= t[0] + long_s, t >= t[-1] - long_s
    ends = [amps[rows] for rows in (first, last)]
    if t[-1] - t[0] < 4.0 * long_s or min(len(end) for end in ends) < 2 * _LEAST_STEPS:
        return None
    if signals.level_v[first].max() > _top_v(signals) - _HELD_V or np.ptp(amps) < _STEP_C * capacity:
        return None
    halves_a = [float(np.median(half)) for end in ends for half in np.array_split(end, 2)]
    reading_a = float(np.median(halves_a))
    alike = max(halves_a) - min(halves_a) < _ALIKE_C * capacity
    return reading_a if alike and _LEAST_C * capacity < reading_a < _MOST_C * capacity else None
