"""One rising time axis from the times of a table's rows, however they come. Pure.

Rows may be out of order, or the newest first; clocks go past midnight or back an hour at the end of summer time; a
logger starts again at 0; stamps of whole seconds repeat. Each is handled as people would expect, and said.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from evenstring.errors import InputError
from evenstring.io.table.guess.clock import TimeForm
from evenstring.io.table.lazy_pandas import pd

__all__ = ["Timeline", "make_timeline", "zone_of"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_DAY_S, _HOUR_S = 86_400.0, 3_600.0
_FOLD_ROOM_S = 120.0  # a clock put back an hour goes back by that less the time between two rows; our choice
_LONGEST_STEP_S = 2_147_483.0  # half of what 32 bits of uptime in ms hold: beyond it a wrap cannot be told
_REPEATED = 0.2  # share of steps of 0 from which a clock is coarser than the rows; our choice


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """Rows in order of time.

    Attributes:
        order: (n,) rows of the table in order, or None when they come so.
        time_s: (n,) times in that order, since 1970 where `dated`, else since the table's zero.
        runs: first rows (in order) of the pieces between which the clock began anew; starts with 0.
        dated: the times are times of day.
        notes: what was done, for the user.
    """

    order: I64 | None
    time_s: F64
    runs: tuple[int, ...]
    dated: bool
    notes: tuple[str, ...]


def zone_of(name: str) -> ZoneInfo | str:
    """A zone by name, or an offset as it is.

    Raises:
        InputError: there is no such zone.
    """
    if not name or name.upper() in ("UTC", "Z"):
        return "UTC"
    try:
        return f"UTC{name}" if name[0] in "+-" else ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(f"--zone {name}: no such zone; say it like Europe/Vienna or +02:00") from error


def make_timeline(
    time_s: F64, form: TimeForm, *, zone: str = "", may_repeat: bool = False, place: str = "", lines: I64 | None = None
) -> Timeline:
    """Put times in order.

    Args:
        time_s: (n,) in the order of the table; n at least 1.
        form: how they were written.
        zone: of stamps without one; empty: taken as UTC.
        may_repeat: rows of one time belong together (long tables).
        place: the file and the column, for messages.
        lines: (n,) of the rows.

    Raises:
        InputError: more than 24 days between two rows of a table without dates.
    """
    notes: list[str] = []
    local = form.kind == "stamp" and not form.zone
    lines = np.arange(2, len(time_s) + 2) if lines is None else lines
    if not local and (np.diff(time_s) > 0).all():  # usual: all is in order
        return Timeline(None, time_s, (0, *_long_gaps(time_s, [], form.dated, place, lines, None)), form.dated, ())
    time_s = time_s.copy()
    if form.kind == "span":
        _past_midnight(time_s, lines, notes)
    order = None
    if len(time_s) > 1 and not (np.diff(time_s) > 0).any() and (np.diff(time_s) < 0).any():
        order = np.arange(len(time_s))[::-1]
        time_s = time_s[::-1]
        notes.append("rows come newest first: turned round")
    in_order = lines if order is None else lines[order]
    if local and zone:
        time_s = _from_local(time_s, zone, in_order, notes)
    elif local:
        _hour_back(time_s, in_order, notes)
        _hour_forward(time_s, in_order, notes)
    runs = [0, *_restarts(time_s, form, in_order, notes)]
    back = np.diff(time_s) < 0
    back[[r - 1 for r in runs[1:]]] = False
    if back.any() and len(runs) == 1:
        if not may_repeat:
            first = int(np.flatnonzero(back)[0]) + 1
            notes.append(
                f"{int(back.sum())} times the time goes back (first at line {in_order[first]}): rows were put "
                f"in order of time"
            )
        inner = np.argsort(time_s, kind="stable")
        order = inner if order is None else order[inner]
        time_s = time_s[inner]
    if not may_repeat:
        time_s = _spread(time_s, runs, notes)
    runs += _long_gaps(time_s, runs, form.dated, place, lines, order)
    return Timeline(order, time_s, tuple(sorted(runs)), form.dated, tuple(notes))


def _past_midnight(time_s: F64, lines: I64, notes: list[str]) -> None:
    for half, name in ((_DAY_S, "midnight"), (_DAY_S / 2, "noon or midnight (12-hour clock)")):
        back = np.flatnonzero(np.diff(time_s) < -0.9 * half)
        if len(back) and time_s.max() < half + _HOUR_S * (half < _DAY_S) and len(back) < 60:
            for k in back:
                time_s[k + 1 :] += half
            notes.append(f"the clock passes {name} at line {lines[back[0] + 1]}: a day's time goes on")
            return


def _hour_back(time_s: F64, lines: I64, notes: list[str]) -> None:
    """A clock put back at the end of summer time: once, by an hour less a row, and all goes on from there."""
    step = np.diff(time_s)
    back = np.flatnonzero(step < 0)
    if len(back) != 1 or abs(step[back[0]] + _HOUR_S) > _FOLD_ROOM_S:
        return
    k = int(back[0])
    time_s[k + 1 :] += _HOUR_S
    notes.append(f"the clock goes back an hour at line {lines[k + 1]}: taken as the end of summer time, the rows go on")


def _restarts(time_s: F64, form: TimeForm, lines: I64, notes: list[str]) -> list[int]:
    """Rows where a time since the beginning begins again: another run of the logger."""
    if form.dated:
        return []
    step = np.diff(time_s)
    back = np.flatnonzero(step < 0)
    rising = step[step > 0]
    near = time_s[0] + 10 * (float(np.median(rising)) if len(rising) else 0.0)
    if not len(back) or len(back) > 50 or (time_s[back + 1] > near).any():
        return []
    if (time_s[back] - time_s[0] < 3 * (near - time_s[0])).any():
        return []
    where = ", ".join(str(lines[k + 1]) for k in back[:3])
    notes.append(f"the time begins again at line {where}: taken as another run after a gap of unknown length")
    return [int(k) + 1 for k in back]


def _spread(time_s: F64, runs: list[int], notes: list[str]) -> F64:
    """Rows that share a stamp because the clock is coarse lie evenly between it and the next."""
    step = np.diff(time_s)
    if len(step) < 4 or len(runs) > 1 or (step == 0).mean() < _REPEATED:
        return time_s
    first = np.concatenate(([True], step > 0))
    at = np.flatnonzero(first)
    block = np.cumsum(first) - 1
    count = np.diff(at, append=len(time_s))
    gap = np.diff(time_s[at])
    tick = float(np.median(gap)) if len(gap) else 1.0
    room = np.minimum(np.append(gap, tick), tick)
    # The first block may have begun within its tick: its rows lie at the end of it.
    usual = float(np.median(count))
    late = max(0.0, usual - count[0]) / usual * room[0] if len(count) > 1 else 0.0
    share = (np.arange(len(time_s)) - at[block]) / np.where(
        (block == 0) | (block == block[-1]), np.maximum(usual, count[block]), count[block]
    )
    notes.append(f"the clock ticks every {tick:g} s, slower than the rows: rows of one tick lie evenly within it")
    return np.asarray(time_s + share * room[block] + np.where(block == 0, late, 0.0))


def _from_local(time_s: F64, zone: str, lines: I64, notes: list[str]) -> F64:
    """Local times to UTC. In the hour that comes twice, what stands before the clock went back is summer time."""
    step = np.diff(time_s)
    back = np.flatnonzero((step < 0) & (np.abs(step + _HOUR_S) < _FOLD_ROOM_S))
    summer = np.arange(len(time_s)) <= (back[0] if len(back) else len(time_s))
    naive = pd.DatetimeIndex(np.rint(time_s * 1e6).astype(np.int64).astype("datetime64[us]"))
    world = naive.tz_localize(zone_of(zone), ambiguous=summer, nonexistent="shift_forward").tz_convert("UTC")
    found = world.as_unit("us").asi8 / 1e6
    if len(np.unique(np.rint(found - time_s))) > 1:
        k = int(np.flatnonzero(np.diff(np.rint(found - time_s)))[0]) + 1
        notes.append(f"the clock changes by an hour at line {lines[k]}: the rows go on")
    return np.asarray(found)


def _hour_forward(time_s: F64, lines: I64, notes: list[str]) -> None:
    """An hour left out at 2 in the night of a Sunday in March or April may be the clock only: said, not changed."""
    step = np.diff(time_s)
    for k in np.flatnonzero(np.abs(step - _HOUR_S) < _FOLD_ROOM_S)[:1]:
        day = datetime.fromtimestamp(float(time_s[k]), UTC)
        if day.weekday() == 6 and day.month in (3, 4) and day.hour in (0, 1):
            notes.append(
                f"an hour is left out at line {lines[k + 1]}: if only the clock was put forward, say --zone, like"
                " --zone Europe/Vienna"
            )


def _long_gaps(time_s: F64, runs: list[int], dated: bool, place: str, lines: I64, order: I64 | None) -> list[int]:
    step = np.diff(time_s)
    far = [int(k) + 1 for k in np.flatnonzero(step >= _LONGEST_STEP_S) if int(k) + 1 not in runs]
    if far and not dated:
        row = far[0] if order is None else int(order[far[0]])
        raise InputError(
            f"{place}: line {lines[row]}: more than 24 days after the row before, which a recording without "
            f"dates cannot"
            " say; check the unit (--unit t=ms), or split the table there"
        )
    return far
