"""Rows of a table in a temporary file, as the integers of a recording; only their times are held in memory."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from evenstring.io.table.convert import Rows
from evenstring.io.table.guess.plan import Plan
from evenstring.io.table.timeline import Timeline, make_timeline
from evenstring.wire.encode import hundredths, volts_to_steps

__all__ = ["NONE", "Spool"]

I16 = NDArray[np.int16]
I64 = NDArray[np.int64]
F64 = NDArray[np.float64]

NONE = -32768  # no reading, in every column: the lowest number, so that the larger of two is the one that was read
_ROWS = 50_000  # read back at once


class Spool:
    """Columns: groups in steps of a reading, current in 10 mA, pack in 10 mV less 32767, temperatures in 0.01 deg C."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.current = plan.groups if plan.of("current") else None
        self.pack = plan.groups + len(plan.of("current")) if plan.of("pack") else None
        self.first_temp = plan.groups + len(plan.of("current")) + len(plan.of("pack"))
        self.width = self.first_temp + len(plan.of("temp"))
        self.start_s: float | None = None
        self._file = tempfile.TemporaryFile()  # noqa: SIM115  # closed by close()
        self._times: list[F64] = []
        self._lines: list[I64] = []
        self._groups: list[NDArray[np.int8]] = []
        self._scan_first: I64 | None = None  # long tables: first row of each scan

    def close(self) -> None:
        """Give the temporary file back."""
        self._file.close()

    def add(self, rows: Rows) -> None:
        """Append rows in the order of the table."""
        out = np.empty((len(rows.time_s), self.width), np.int16)
        out[:, : self.plan.groups] = volts_to_steps(rows.volts_v)
        if self.current is not None and rows.current_a is not None:
            out[:, self.current] = hundredths(rows.current_a)
        if self.pack is not None and rows.pack_v is not None:
            out[:, self.pack] = np.where(
                np.isnan(rows.pack_v), NONE, np.rint(np.nan_to_num(rows.pack_v) * 100.0) - 32767
            )
        if rows.temps_c is not None:
            out[:, self.first_temp :] = hundredths(rows.temps_c)
        self._file.write(out.tobytes())
        self._times.append(rows.time_s)
        self._lines.append(rows.lines)
        if rows.group is not None:
            self._groups.append(rows.group.astype(np.int8))
        if rows.start_s is not None:
            self.start_s = rows.start_s

    def timeline(self) -> Timeline | None:
        """Times of the scans in order; None where no row was added."""
        if not self._times:
            return None
        times, lines = np.concatenate(self._times), np.concatenate(self._lines)
        line = make_timeline(
            times,
            self.plan.time,
            zone=self.plan.wishes.zone,
            may_repeat=self.plan.is_long,
            place=self.plan.where,
            lines=lines,
        )
        self._order = line.order
        if not self.plan.is_long:
            return line
        group = np.concatenate(self._groups)
        group = group if line.order is None else group[line.order]
        later = np.diff(line.time_s) > 0
        begins = later & (np.diff(group) <= 0) if self.plan.in_turn else later
        self._scan_first = np.concatenate(([0], np.flatnonzero(begins) + 1))
        runs = tuple(int(k) for k in np.unique(np.searchsorted(self._scan_first, line.runs, side="right") - 1))
        return Timeline(line.order, line.time_s[self._scan_first], runs, line.dated, line.notes)

    def blocks(self) -> Iterator[I16]:
        """Scans in order of time, (n, width), some 50,000 rows at a time."""
        n = sum(len(times) for times in self._times)
        edges = np.arange(0, n, _ROWS)
        if self._scan_first is not None:
            edges = np.unique(self._scan_first[np.searchsorted(self._scan_first, edges, side="right") - 1])
        for first, end in zip(edges, [*edges[1:], n], strict=True):
            rows = self._rows(int(first), int(end))
            if self._scan_first is not None:
                inside = self._scan_first[(self._scan_first >= first) & (self._scan_first < end)] - first
                rows = np.maximum.reduceat(rows, inside, axis=0)
            yield rows

    def _rows(self, first: int, end: int) -> I16:
        size = self.width * 2
        if self._order is None:
            self._file.seek(first * size)
            return np.frombuffer(self._file.read((end - first) * size), np.int16).reshape(-1, self.width)
        self._file.flush()
        whole = np.memmap(self._file, np.int16, "r", shape=(sum(len(t) for t in self._times), self.width))
        return np.asarray(whole[self._order[first:end]])
