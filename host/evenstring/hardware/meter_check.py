"""Hand-meter readings of all taps before anything is plugged in: what is wrong, named after what usually makes it."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from itertools import combinations, pairwise

from evenstring.errors import InputError

__all__ = ["check_readings", "parse_readings"]

_NOTHING_V = 0.5  # a lead that hangs in the air reads less than that on a hand meter of 10 Mohm; common practice
_ZERO_V = 0.05


def parse_readings(text: str, where: str) -> dict[int, float]:
    """Hand-meter readings by tap, from the columns `tap` and `volts` (against tap 0) or `group` and `volts`.

    Group by group means pin to next pin, the black probe on the lower one; such readings are added up.

    Raises:
        InputError: a column is missing, a value is no number, a tap or group is there twice or left out.
    """
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    names = set(rows.fieldnames or ())
    key = "tap" if "tap" in names else "group"
    if not {key, "volts"} <= names:
        raise InputError(
            f"{where}: needs the columns tap and volts (or group and volts),"
            f" has {', '.join(rows.fieldnames or ()) or 'nothing'}"
        )
    readings: dict[int, float] = {}
    for number, row in enumerate(rows, start=2):
        try:
            place, volts = int(row[key] or ""), float(row["volts"] or "")
        except ValueError as error:
            raise InputError(f"{where}: row {number}: {key} and volts must be numbers ({error})") from error
        if place in readings or not math.isfinite(volts):
            raise InputError(f"{where}: row {number}: {key} {place} is there twice, or its volts are no number")
        readings[place] = volts
    return readings if key == "tap" else _added(readings, where)


def _added(groups: dict[int, float], where: str) -> dict[int, float]:
    """Taps from readings group by group: each is the sum of the groups below it."""
    missing = [g for g in range(1, max(groups, default=0) + 1) if g not in groups]
    if missing or min(groups, default=1) < 1:
        raise InputError(f"{where}: groups are 1 to the last without a gap; missing: {missing or 'none'}")
    taps = {0: 0.0}
    for group in sorted(groups):
        taps[group] = taps[group - 1] + groups[group]
    return taps


def check_readings(readings: dict[int, float], groups: int, low_v: float, high_v: float) -> tuple[str, ...]:
    """What is wrong with hand-meter readings of all taps; empty when each step lies between `low_v` and `high_v`.

    One mistake that explains everything is named alone: two leads swapped, a lead or fuse open, the order reversed.
    """
    missing = [k for k in range(groups + 1) if k not in readings]
    extra = sorted(k for k in readings if not 0 <= k <= groups)
    if missing or extra:
        return (
            *([f"not measured: tap {', '.join(map(str, missing))}"] if missing else []),
            *([f"there is no tap {', '.join(map(str, extra))} in a string of {groups}"] if extra else []),
        )
    taps = [readings[k] for k in range(groups + 1)]
    wrong = _wrong_steps(taps, low_v, high_v)
    if not wrong and abs(taps[0]) <= 0.2:
        return ()
    whole = _one_mistake(taps, low_v, high_v)
    return (whole,) if whole else _step_by_step(taps, low_v, high_v)


def _steps(taps: Sequence[float]) -> list[float]:
    return [b - a for a, b in pairwise(taps)]


def _wrong_steps(taps: Sequence[float], low_v: float, high_v: float) -> list[int]:
    """Groups whose step is outside the limits."""
    return [g for g, step in enumerate(_steps(taps), start=1) if not low_v <= step <= high_v]


def _one_mistake(taps: list[float], low_v: float, high_v: float) -> str:
    """The one mistake that explains all readings, or ""."""
    if abs(taps[0]) > 0.2:
        return ""
    if all(-high_v <= step <= -low_v for step in _steps(taps)):
        return "every step is negative: the harness is in reverse order, pack positive is on pin 1"
    if len(taps) > 2 and all(abs(v) < _NOTHING_V for v in taps):
        return "no tap reads anything: the lead or fuse of tap 0, where the black probe is, is open"
    return _open_leads(taps, low_v, high_v) or _swapped(taps, low_v, high_v)


def _open_leads(taps: list[float], low_v: float, high_v: float) -> str:
    """Taps that read nothing while the others rise as they should."""
    silent = [k for k in range(1, len(taps)) if abs(taps[k]) < _NOTHING_V]
    there = [k for k in range(len(taps)) if k not in silent]
    rises = all(low_v * (b - a) <= taps[b] - taps[a] <= high_v * (b - a) for a, b in pairwise(there))
    if not silent or not rises or len(there) < 2:
        return ""
    one = len(silent) == 1
    names = ", ".join(map(str, silent))
    if one:
        return f"tap {names} reads nothing: its fuse or lead is open"
    return f"taps {names} read nothing: their fuses or leads are open, or the plug is half in"


def _swapped(taps: list[float], low_v: float, high_v: float) -> str:
    """Two leads on each other's pins, if exchanging their readings puts everything right."""
    wrong = _wrong_steps(taps, low_v, high_v)
    near = sorted({k for g in wrong for k in (g - 1, g)})
    for a, b in combinations(near, 2):
        put_right = list(taps)
        put_right[a], put_right[b] = taps[b], taps[a]
        if not _wrong_steps([v - put_right[0] for v in put_right], low_v, high_v):
            return f"leads {a} and {b} are swapped (pins {a + 1} and {b + 1})"
    return ""


def _step_by_step(taps: list[float], low_v: float, high_v: float) -> tuple[str, ...]:
    """Each wrong step with what usually makes such a one."""
    problems = [f"tap 0 reads {taps[0]:.2f} V, not 0: the meter's black lead is not on tap 0"] * (abs(taps[0]) > 0.2)
    steps = _steps(taps)
    for group in _wrong_steps(taps, low_v, high_v):
        step = steps[group - 1]
        problems.append(
            f"group {group} (tap {group - 1} to {group}): {step:+.2f} V, {_why(steps, group, low_v, high_v)}"
        )
    return tuple(problems)


def _why(steps: Sequence[float], group: int, low_v: float, high_v: float) -> str:
    step = steps[group - 1]
    beside = [steps[g - 1] for g in (group - 1, group + 1) if 1 <= g <= len(steps)]
    if step < -_ZERO_V:
        return "negative: leads out of order here, or a group is reversed"
    if abs(step) <= _ZERO_V:
        if any(abs(other) <= _ZERO_V for other in beside):
            return "nothing, and the next one too: the lead or fuse between them is open, or several groups are dead"
        if beside and all(1.3 * low_v <= other <= 1.8 * high_v and other > high_v for other in beside):
            return "nothing, and both neighbours high: the two leads touch each other behind their resistors"
        return "nothing: two leads on one tap, or a dead group"
    if 2 * low_v <= step <= 2 * high_v:
        return "two groups in one step: a tap was left out, or leads are out of order"
    return f"above {high_v:g} V" if step > high_v else f"below {low_v:g} V: do not charge before this is explained"
