"""The runs of a board in one recording, on one time axis.

Uptime is 32 bits of milliseconds: its wrap is undone here. A run begins where uptime falls or IDENT states another
boot.
Runs are placed by the wall-clock marks in them; without marks they follow each other, and the length of the gap is not
known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.session import Mark
from evenstring.wire.structs import Frame

__all__ = ["Runs", "place_runs"]

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_WRAP = 1 << 32
_SET_MS = 10_000.0  # a mark comes late by less than this; more is a clock that was set; our choice
_YEAR_10000_MS = 253_402_300_800_000  # no date can be written from then on; published (ISO 8601)


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Runs of the board: their first scans, and where each lies in time."""

    of_scan: I64  # (n,) run of each scan
    time_ms: F64  # (n,) since the first scan of the recording
    wall_ms: float | None  # unix time of the first scan
    unknown_gaps: tuple[int, ...]  # first scans of runs placed without a clock
    clock_notes: tuple[Mark, ...]  # where a clock was set while it was used


def place_runs(ordinals: I64, uptime_ms: I64, frames: Sequence[Frame]) -> Runs:
    """Place all runs; ordinals, uptime_ms: (n,) of the scans, in stream order."""
    n = len(uptime_ms)
    if not n:
        return Runs(np.zeros(0, np.int64), np.zeros(0), None, (), ())
    step = np.diff(uptime_ms)
    wrapped = step < -(1 << 31)
    starts = np.zeros(n, np.bool_)
    starts[1:] = (step < 0) & ~wrapped
    for at in _new_boots(frames):
        k = int(np.searchsorted(ordinals, at))
        if 0 < k < n:
            starts[k] = True
    run = np.cumsum(starts, dtype=np.int64)
    wraps = np.concatenate(([0], np.cumsum(wrapped & ~starts[1:])))
    first = np.flatnonzero(np.concatenate(([True], starts[1:])))
    wraps = wraps - wraps[first][run]
    up = (uptime_ms + wraps * _WRAP).astype(np.float64)
    walls, notes = _wall_offsets(frames, ordinals, run, up)
    origin = np.zeros(len(first))
    unknown = []
    interval = float(np.median(step[step > 0])) if (step > 0).any() else 1000.0
    for k, begin in enumerate(first):
        end_before = up[begin - 1] + origin[k - 1] if k else 0.0
        if k and walls[k] is not None and walls[k - 1] is not None:
            origin[k] = origin[k - 1] + walls[k] - walls[k - 1]
        if k and (walls[k] is None or walls[k - 1] is None or up[begin] + origin[k] <= end_before):
            origin[k] = end_before + interval - up[begin]
            unknown.append(int(begin))
    zero = up[0] + origin[0]
    wall = None if walls[0] is None else walls[0] + up[0]
    return Runs(run, up + origin[run] - zero, wall, tuple(unknown), tuple(notes))


def _new_boots(frames: Sequence[Frame]) -> list[int]:
    """Ordinals of IDENTs that state another boot, or another board, than the one before."""
    found, last = [], None
    for frame in frames:
        if frame.name == "IDENT":
            who = (frame.values["board_id"], frame.values["boot_count"])
            if last is not None and who != last:
                found.append(frame.ordinal)
            last = who
    return found


def _clock_marks(frames: Sequence[Frame]) -> list[Frame]:
    """Frames that state the time of day, of a year that can be written."""
    stated = (f for f in frames if f.name == "MARK_TIME" or (f.name == "CLOCK" and f.values["source"]))
    return [f for f in stated if f.values["unix_ms"] < _YEAR_10000_MS]


def _wall_offsets(frames: Sequence[Frame], ordinals: I64, run: I64, up: F64) -> tuple[list[Any], list[Mark]]:
    """Unix ms minus unwrapped uptime of each run, or None; and a note wherever a clock was set while it was used.

    A mark comes after what it marks, however late: the least difference is the best. But a difference that is less by
    more than a mark can come late is a clock that was set back; the clock of the run's first mark stays in force.
    """
    offsets: list[Any] = [None] * (int(run[-1]) + 1)
    latest: dict[int, float] = {}
    notes = []
    for frame in _clock_marks(frames):
        k = max(int(np.searchsorted(ordinals, frame.ordinal)) - 1, 0)
        wraps = round((up[k] - frame.uptime_ms) / _WRAP)
        offset = frame.values["unix_ms"] - (frame.uptime_ms + wraps * _WRAP)
        r = int(run[k])
        before = latest.setdefault(r, offset)
        latest[r] = offset
        if abs(offset - before) > _SET_MS:
            moved = "set back" if offset < before else "set forward"
            text = (
                f"the clock was {moved} by {timedelta(seconds=round(abs(offset - before) / 1000))}; times go by before"
            )
            notes.append(Mark(float(up[k] - up[0]) / 1000.0, "clock", text))
        if offsets[r] is None or abs(offset - offsets[r]) <= _SET_MS:
            offsets[r] = offset if offsets[r] is None else min(offsets[r], offset)
    return offsets, notes
