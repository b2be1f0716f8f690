"""Holds the scans of recordings in bounded memory: where they become too many, every two neighbours become one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import fields
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.io.blocks.fold import fold
from evenstring.io.blocks.scan_block import ScanBlock, block_of
from evenstring.wire.stream import ScanRows

__all__ = ["MOST_READINGS", "Keeper"]

MOST_READINGS = 7_000_000  # 8 hours of 24 groups at 10 scans a second; 70 MB of a session: our choice
_ROWS = 50_000  # joined at once: our choice
_JOINED = 0.8  # of the rows left are more than joining was worth: our choice
_FOLDED = ("lowest_v", "highest_v", "low_gap_mv", "high_gap_mv")  # all rows have them, or none


class Keeper:
    """Scans of one or more files one after another, a column for each field of `ScanBlock`.

    The columns are made once for the most scans there may be (memory that is not written to costs nothing) and joined
    in place, so that a long recording leaves no holes in memory.

    Attributes:
        sizes: numbers of groups that were met; only scans of the first are kept.
        scans: how many were taken of each file.
        each: of them one row stands for, at most.
        interval_s: from scan to scan before any were joined.
    """

    def __init__(self, most_readings: int | None = MOST_READINGS) -> None:
        """`most_readings`: None for no bound."""
        self.sizes: set[int] = set()
        self.scans: list[int] = []
        self.each = 1
        self.interval_s = 0.0
        self._begins: list[int] = []  # first row of each file
        self._columns: dict[str, NDArray[Any]] = {}
        self._rows = 0
        self._room = 0
        self._most = most_readings or 1 << 62

    def begin_file(self) -> None:
        """What is added from here on is of another file."""
        self._begins.append(self._rows)
        self.scans.append(0)

    def add(self, scans: ScanRows) -> None:
        """Take the next scans of the file."""
        groups = int(scans.rows["groups"][0])
        self.sizes.add(groups)
        if len(self.sizes) > 1:
            return
        self.scans[-1] += len(scans.rows)
        block = block_of(scans)
        if not self.interval_s and len(block) > 1:
            self.interval_s = float(np.median(np.diff(block.uptime_ms))) / 1000
        for _ in range(self.each.bit_length() - 1):
            block = fold(block)
        while (held := self._rows + len(block)) * groups > self._most:
            self._halve()
            block = fold(block)
            if self._rows + len(block) > _JOINED * held:  # the next try waits: time stays in proportion to the scans
                self._most = 2 * held * groups
        self.append(block)

    def append(self, block: ScanBlock) -> None:
        """Put a block behind the others as it is."""
        if self._rows + len(block) > self._room:
            most_rows = self._most // max(block.volts_v.shape[1], 1)
            self._make_room(max(min(4 * self._room, most_rows), self._rows + len(block), _ROWS))
        self._put(block, self._rows)
        self._rows += len(block)

    def finish(self) -> None:
        """Nothing comes any more: give back the room that joined scans left."""
        if self.each > 1:
            self._make_room(self._rows)

    def file(self, k: int) -> ScanBlock:
        """The scans of one file; they share the keeper's memory."""
        return self._part(self._begins[k], [*self._begins, self._rows][k + 1])

    def all(self) -> ScanBlock:
        """The scans of all files; they share the keeper's memory."""
        return self._part(0, self._rows)

    def _part(self, first: int, end: int, names: Iterable[str] | None = None) -> ScanBlock:
        columns = {name: self._columns[name][first:end] for name in names or self._columns}
        return ScanBlock(**columns) if columns else ScanBlock.empty()

    def _make_room(self, rows: int) -> None:
        for name, old in self._columns.items():
            new = np.empty((rows, *old.shape[1:]), old.dtype)
            new[: self._rows] = old[: self._rows]
            self._columns[name] = new
        self._room = rows

    def _put(self, block: ScanBlock, at: int) -> None:
        """A column that a block lacks, or is narrower in, says there that nothing was read."""
        rows = slice(at, at + len(block))
        for item in fields(block):
            name, values = item.name, getattr(block, item.name)
            if values is not None:
                column = self._column(name, values, at)
                if column.ndim > 1 and column.shape[1] > values.shape[1]:
                    column[rows] = np.nan
                column[(rows, *(slice(n) for n in values.shape[1:]))] = values
            elif name in self._columns:
                self._columns[name][rows] = np.nan

    def _column(self, name: str, like: NDArray[Any], rows: int) -> NDArray[Any]:
        """The column of that name, as wide as needed; NaN in the rows before."""
        old = self._columns.get(name)
        if old is None or (old.ndim > 1 and old.shape[1] < like.shape[1]):
            new = np.empty((self._room, *like.shape[1:]), like.dtype)
            if name not in _FOLDED:
                new[:rows] = np.nan if rows else 0
            if old is not None:
                new[:rows, : old.shape[1]] = old[:rows]
            self._columns[name] = new
        return self._columns[name]

    def _halve(self) -> None:
        names = list(self._columns)  # those of folded scans are made on the way
        begins, rows = [], 0
        for first, end in pairwise([*self._begins, self._rows]):
            begins.append(rows)
            for block in self._pieces(first, end, names):
                self._put(block, rows)
                rows += len(block)
        self._begins, self._rows = begins, rows
        self.each *= 2

    def _pieces(self, first: int, end: int, names: list[str]) -> Iterator[ScanBlock]:
        for at in range(first, end, _ROWS):
            yield fold(self._part(at, min(at + _ROWS, end), names))
