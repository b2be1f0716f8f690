"""The scans seen so far, and their departures folded into the columns of a picture that rolls on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.report.drawing.reduction import departures_mv

__all__ = ["History"]

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
_FIRST, _MOST = 4096, 400_000  # scans: room at first, and kept at most (some 11 h at 10 a second)


class History:
    """Grows by blocks; when full the older half is dropped.

    Attributes:
        size: scans held.
    """

    def __init__(self, groups: int) -> None:
        self.groups = groups
        self.size = 0
        self._time_s = np.zeros(_FIRST)
        self._volts = np.zeros((_FIRST, groups), np.float32)
        self._departures = np.zeros((_FIRST, groups), np.float32)
        self._columns: _Columns | None = None

    @property
    def time_s(self) -> F64:
        """(size,) instants, rising."""
        return self._time_s[: self.size]

    @property
    def volts_v(self) -> F32:
        """(size, groups)."""
        return self._volts[: self.size]

    @property
    def departures_mv(self) -> F32:
        """(size, groups) from the median group."""
        return self._departures[: self.size]

    def add(self, time_s: F64, volts_v: F32) -> None:
        """Take scans, in order of time."""
        new = departures_mv(volts_v)
        if self.size + len(time_s) > _MOST:
            self._keep(_MOST // 2)
        while self.size + len(time_s) > len(self._time_s):
            self._time_s = np.concatenate((self._time_s, np.zeros_like(self._time_s)))
            self._volts = np.concatenate((self._volts, np.zeros_like(self._volts)))
            self._departures = np.concatenate((self._departures, np.zeros_like(self._departures)))
        place = slice(self.size, self.size + len(time_s))
        self._time_s[place], self._volts[place], self._departures[place] = time_s, volts_v, new
        self.size += len(time_s)
        if self._columns:
            self._columns.add(time_s, new)

    def since(self, seconds: float) -> slice:
        """The scans of the last `seconds`."""
        if not self.size:
            return slice(0, 0)
        return slice(int(np.searchsorted(self.time_s, self.time_s[-1] - seconds)), self.size)

    def columns(self, count: int, window_s: float) -> tuple[F32, F32]:
        """Lowest and highest departure (count, groups) of each column of the last `window_s`; NaN where nothing is."""
        if self._columns is None or (self._columns.count, self._columns.window_s) != (count, window_s):
            self._columns = _Columns(count, window_s, self.groups)
            recent = self.since(window_s * 1.01)
            self._columns.add(self.time_s[recent], self.departures_mv[recent])
        return self._columns.low, self._columns.high

    def _keep(self, count: int) -> None:
        drop = max(self.size - count, 0)
        for array in (self._time_s, self._volts, self._departures):
            array[: self.size - drop] = array[drop : self.size].copy()
        self.size -= drop


class _Columns:
    def __init__(self, count: int, window_s: float, groups: int) -> None:
        self.count, self.window_s = count, window_s
        self.low = np.full((count, groups), np.nan, np.float32)
        self.high = self.low.copy()
        self._last: int | None = None  # number of the rightmost column since time 0

    def add(self, time_s: F64, departures: F32) -> None:
        if not len(time_s):
            return
        number = np.floor(time_s / (self.window_s / self.count)).astype(np.int64)
        for column in np.unique(number)[-self.count :]:
            self._roll(int(column))
            rows = departures[number == column]
            self.low[-1] = np.fmin(self.low[-1], np.fmin.reduce(rows, axis=0))
            self.high[-1] = np.fmax(self.high[-1], np.fmax.reduce(rows, axis=0))

    def _roll(self, column: int) -> None:
        by = self.count if self._last is None else min(max(column - self._last, 0), self.count)
        if by:
            for array in (self.low, self.high):
                array[:-by] = array[by:].copy()
                array[-by:] = np.nan
        self._last = column
