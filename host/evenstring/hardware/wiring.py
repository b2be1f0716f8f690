"""Order of the sense leads, and a check of hand-meter readings before anything is plugged in.

Taps are numbered 0 (pack negative) to N (pack positive): tap k stands above group k. Pin k + 1 of the plug takes tap k.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass

from evenstring.errors import InputError

__all__ = ["Tap", "check_readings", "drawing", "parse_readings", "tap_list"]


@dataclass(frozen=True, slots=True)
class Tap:
    """One sense lead. Voltages are against tap 0, from all groups empty to all groups full."""

    number: int
    pin: int
    place: str
    line: str  # bus line of its relay: even or odd
    relay: int  # place on that line's one-of-n decoder, from 0
    low_v: float
    high_v: float


def tap_list(groups: int, empty_v: float, full_v: float) -> tuple[Tap, ...]:
    """All sense leads of a string in the order in which they are fitted, pack negative first."""

    def place(k: int) -> str:
        if k == 0:
            return "pack negative, below group 1"
        return f"pack positive, above group {k}" if k == groups else f"between group {k} and group {k + 1}"

    return tuple(
        Tap(k, k + 1, place(k), "odd" if k & 1 else "even", k >> 1, k * empty_v, k * full_v) for k in range(groups + 1)
    )


def drawing(groups: int) -> str:
    """The string as text, pack positive on top, each tap with the fuse at the cell end and its pin."""
    rows = [_tap_row(groups, "pack +")]
    for group in range(groups, 0, -1):
        rows.append(f"            [group {group:>2}]")
        rows.append(_tap_row(group - 1, "pack -" if group == 1 else ""))
    return "\n".join(rows)


def _tap_row(tap: int, name: str) -> str:
    return f"{name:<8}        o----[fuse]----/ lead /----[series R]---- pin {tap + 1:>2}  (tap {tap})"


def parse_readings(text: str, where: str) -> dict[int, float]:
    """Hand-meter readings, columns `tap` and `volts` (against tap 0).

    Raises:
        InputError: a column is missing, a value is no number, a tap is there twice.
    """
    rows = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")))
    if not rows.fieldnames or not {"tap", "volts"} <= set(rows.fieldnames):
        raise InputError(
            f"{where}: needs the columns tap and volts, has {', '.join(rows.fieldnames or ()) or 'nothing'}"
        )
    readings: dict[int, float] = {}
    for number, row in enumerate(rows, start=2):
        try:
            tap, volts = int(row["tap"] or ""), float(row["volts"] or "")
        except ValueError as error:
            raise InputError(f"{where}: row {number}: tap and volts must be numbers ({error})") from error
        if tap in readings or not math.isfinite(volts):
            raise InputError(f"{where}: row {number}: tap {tap} is there twice, or its volts are no number")
        readings[tap] = volts
    return readings


def check_readings(readings: dict[int, float], groups: int, low_v: float, high_v: float) -> tuple[str, ...]:
    """What is wrong with hand-meter readings of all taps; empty when each step lies between `low_v` and `high_v`.

    Each problem names its group and what usually makes such a step: swapped leads, a lead left out, an open fuse.
    """
    missing = [k for k in range(groups + 1) if k not in readings]
    extra = sorted(k for k in readings if not 0 <= k <= groups)
    if missing or extra:
        return (
            *([f"not measured: tap {', '.join(map(str, missing))}"] if missing else []),
            *([f"there is no tap {', '.join(map(str, extra))} in a string of {groups}"] if extra else []),
        )
    steps = [readings[k] - readings[k - 1] for k in range(1, groups + 1)]
    if all(-high_v <= step <= -low_v for step in steps):
        return ("every step is negative: the harness is in reverse order, pack positive is on pin 1",)
    problems = [f"tap 0 reads {readings[0]:.2f} V, not 0: the meter's black lead is not on tap 0"] * (
        abs(readings[0]) > 0.2
    )
    for group, step in enumerate(steps, start=1):
        if low_v <= step <= high_v:
            continue
        problems.append(
            f"group {group} (tap {group - 1} to {group}): {step:+.2f} V, {_why(steps, group, low_v, high_v)}"
        )
    return tuple(problems)


def _why(steps: list[float], group: int, low_v: float, high_v: float) -> str:
    step = steps[group - 1]
    if step < -0.05:
        return "negative: two leads are swapped here, or a group is reversed"
    if abs(step) <= 0.05:
        return "nothing: two leads on one tap, an open lead or fuse, or a dead group"
    if 2 * low_v <= step <= 2 * high_v:
        return "two groups in one step: a tap was left out or two leads are swapped"
    return f"above {high_v:g} V" if step > high_v else f"below {low_v:g} V: do not charge before this is explained"
