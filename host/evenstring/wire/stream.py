"""Bytes in, frames out: the streaming decoder. No I/O; files, ports and tests share it.

Law: any bytes at all give no exception, and the next good frame after a delimiter is found.

A *piece* is what stands between two 0x00. An empty piece is nothing. A piece that does not unstuff, whose CRC does not
agree, or that is shorter than its message needs is damaged: it is counted and never becomes a number. Pieces of equal
length are unstuffed together in numpy; rows of scans stay arrays, everything else becomes a `Frame`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from evenstring_protocol import framing
from numpy.typing import NDArray

from evenstring.wire.crc import good_rows
from evenstring.wire.dtypes import bulk_dtype, count_fields, fixed_dtype
from evenstring.wire.structs import HEADER_SIZE, Frame, by_code, parse_frame
from evenstring.wire.table import load_table

__all__ = ["Batch", "ScanRows", "StreamDecoder"]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]

_MAX_PIECE = framing.encoded_size(load_table().max_frame) - 1
_BULK_CODES = frozenset(m.code for m in load_table().messages if m.bulk)
_CHUNK = 1 << 18  # bytes handled at once: the working set stays in the cache
_SENDERS = ("board", "host", "mark")


@dataclass(frozen=True, slots=True, eq=False)
class ScanRows:
    """Scans of one shape, in stream order.

    Attributes:
        ordinals: (k,) place of each among the pieces of the stream, damaged ones included.
        rows: (k,) structured array of `dtypes.bulk_dtype`.
    """

    ordinals: I64
    rows: NDArray[Any]


@dataclass(frozen=True, slots=True)
class Batch:
    """What one call of `feed` found."""

    scans: tuple[ScanRows, ...] = ()
    frames: tuple[Frame, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.scans or self.frames)


@dataclass(slots=True)
class _Seen:
    """Good frames of one chunk: parallel lists of arrays (ordinal, code, seq, uptime)."""

    parts: list[tuple[I64, I64, I64, I64]] = field(default_factory=list)

    def add(self, ordinals: I64, codes: Any, seqs: Any, uptimes: Any) -> None:
        code, seq, uptime = (np.asarray(a).astype(np.int64) for a in (codes, seqs, uptimes))
        self.parts.append((ordinals, code, seq, uptime))


class StreamDecoder:
    """Feed it bytes as they come; it keeps at most one maximal frame of unfinished input.

    Attributes:
        bytes_total, frames_good, frames_damaged, frames_lost, frames_unknown: counts so far.
    """

    def __init__(self) -> None:
        self.bytes_total = 0
        self.frames_good = 0
        self.frames_damaged = 0
        self.frames_lost = 0
        self.frames_unknown = 0
        self._rest = b""
        self._skipping = False  # inside a piece longer than any frame
        self._pieces = 0
        self._last: dict[str, tuple[int, int, int]] = {}  # sender -> ordinal, seq, uptime
        self._damaged_at: list[int] = []  # ordinals of damaged pieces since the last good board frame

    @property
    def tail_bytes(self) -> int:
        """Bytes after the last delimiter: a frame still arriving, or torn."""
        return len(self._rest)

    def feed(self, data: bytes | bytearray | memoryview) -> Batch:
        """Decode what has become complete."""
        self.bytes_total += len(data)
        scans: list[ScanRows] = []
        frames: list[Frame] = []
        for part in self._whole_pieces(data):
            self._decode(part, scans, frames)
        return Batch(tuple(scans), tuple(sorted(frames, key=lambda f: f.ordinal)))

    def _whole_pieces(self, data: bytes | bytearray | memoryview) -> Iterator[bytes]:
        """Cut the input into chunks that end with a delimiter; keep the rest."""
        for first in range(0, len(data), _CHUNK):
            chunk = bytes(data[first : first + _CHUNK])
            cut = chunk.rfind(b"\0") + 1
            if not cut:
                self._keep(self._rest + chunk)
                continue
            whole, rest = self._rest + chunk[:cut], chunk[cut:]
            if self._skipping:  # the end of an endless piece: it was counted when it grew too long
                whole = whole[whole.find(b"\0") + 1 :]
                self._skipping = False
            self._rest = b""
            self._keep(rest)
            if whole:
                yield whole

    def _keep(self, rest: bytes) -> None:
        if self._skipping:
            self._rest = b""
        elif len(rest) > _MAX_PIECE:
            self._rest = b""
            self._skipping = True
            self._damage(self._pieces)
            self._pieces += 1
        else:
            self._rest = rest

    def _damage(self, ordinal: int) -> None:
        self.frames_damaged += 1
        self._damaged_at.append(ordinal)

    def _decode(self, whole: bytes, scans: list[ScanRows], frames: list[Frame]) -> None:
        buf = np.frombuffer(whole, np.uint8)
        ends = np.flatnonzero(buf == 0)
        starts = np.empty_like(ends)
        starts[0] = 0
        starts[1:] = ends[:-1] + 1
        sizes = ends - starts
        if not sizes.all():
            filled = sizes > 0
            starts, sizes = starts[filled], sizes[filled]
        ordinals = self._pieces + np.arange(len(sizes))
        self._pieces += len(sizes)
        seen = _Seen()
        good_count = 0
        for size in np.unique(sizes):
            pick = np.flatnonzero(sizes == size)
            for rows, which, good in _unstuff(buf, starts[pick], int(size)):
                where = ordinals[pick[which]]
                for ordinal in where[~good]:
                    self._damage(int(ordinal))
                if good.all():
                    good_count += self._sort_out(rows, where, seen, scans, frames)
                elif good.any():
                    good_count += self._sort_out(rows[good], where[good], seen, scans, frames)
        self.frames_good += good_count
        self._count_lost(seen)

    def _sort_out(self, rows: U8, ordinals: I64, seen: _Seen, scans: list[ScanRows], frames: list[Frame]) -> int:
        """Good rows of one width: bulk messages stay rows, the rest become frames."""
        good = 0
        width = rows.shape[1]
        # A frame holds at least a header; column 0 is the place of the first COBS code.
        if width < 1 + HEADER_SIZE + framing.CRC_SIZE:
            for ordinal in ordinals:
                self._damage(int(ordinal))
            return 0
        codes = rows[:, 1]
        for code in np.unique(codes):
            same = codes == code
            part, where = (rows, ordinals) if same.all() else (rows[same], ordinals[same])
            if int(code) in _BULK_CODES:
                good += self._bulk(int(code), part, where, seen, scans)
                continue
            for row, ordinal in zip(part, where, strict=True):
                frame = parse_frame(row[1 : width - framing.CRC_SIZE].tobytes(), int(ordinal))
                if frame is None:
                    self._damage(int(ordinal))
                    continue
                good += 1
                self.frames_unknown += frame.name == ""
                frames.append(frame)
                seen.add(np.array([ordinal]), [frame.code], [frame.seq], [frame.uptime_ms])
        return good

    def _bulk(self, code: int, rows: U8, ordinals: I64, seen: _Seen, scans: list[ScanRows]) -> int:
        width = rows.shape[1]
        head = fixed_dtype(code, pad=1)
        if width - framing.CRC_SIZE < head.itemsize:
            for ordinal in ordinals:
                self._damage(int(ordinal))
            return 0
        names = count_fields(code)
        offsets = [head.fields[name][1] for name in names] if head.fields else []
        counts = rows[:, offsets]
        good = 0
        while len(rows):
            same = (counts == counts[0]).all(axis=1)
            part, where = (rows, ordinals) if same.all() else (np.ascontiguousarray(rows[same]), ordinals[same])
            shape = tuple(int(v) for v in counts[0])
            if _fits(code, shape, width - framing.CRC_SIZE):
                items = part.view(bulk_dtype(code, shape, 1, width)).reshape(-1)
                scans.append(ScanRows(where, items))
                seen.add(where, items["code"], items["seq"], items["uptime_ms"])
                good += len(items)
            else:
                for ordinal in where:
                    self._damage(int(ordinal))
            rows, ordinals, counts = rows[~same], ordinals[~same], counts[~same]
        return good

    def _count_lost(self, seen: _Seen) -> None:
        """Gaps in each sender's sequence, less the damaged pieces that stand in the gap."""
        damaged, self._damaged_at = self._damaged_at, []
        if not seen.parts:
            self._damaged_at = damaged
            return
        ordinals, codes, seqs, uptimes = (np.concatenate(c) for c in zip(*seen.parts, strict=True))
        order = np.argsort(ordinals)
        table = load_table()
        sender = np.zeros(len(codes), np.int64)
        sender[(codes >= table.command_codes[0]) & (codes <= table.command_codes[1])] = 1
        sender[(codes >= table.mark_codes[0]) & (codes <= table.mark_codes[1])] = 2
        at = np.sort(np.array(damaged, np.int64))
        for k, name in enumerate(_SENDERS):
            mine = order[sender[order] == k]
            if len(mine):
                self._gaps(name, ordinals[mine], seqs[mine], uptimes[mine], at)
        last_board = self._last.get("board")
        if last_board:
            self._damaged_at = [d for d in damaged if d > last_board[0]]

    def _gaps(self, name: str, ordinals: I64, seqs: I64, uptimes: I64, damaged: I64) -> None:
        last = self._last.get(name)
        if last:
            ordinals, seqs, uptimes = (
                np.concatenate(([v], a)) for v, a in zip(last, (ordinals, seqs, uptimes), strict=True)
            )
        missing = (np.diff(seqs) - 1) & 0xFFFF
        missing[missing >= 0x8000] = 0  # repeated or out of order: nothing is known to be missing
        step = np.diff(uptimes)
        restarted = (step < 0) & (step > -(1 << 31))  # uptime fell, and not by its wrap: another run of the board
        if name == "board":
            missing[restarted] = 0
            between = np.searchsorted(damaged, ordinals[1:]) - np.searchsorted(damaged, ordinals[:-1])
            missing = np.maximum(missing - between, 0)
        elif name == "mark":
            missing[:] = 0  # several programs may add marks to one file; their count is no promise
        self.frames_lost += int(missing.sum())
        self._last[name] = (int(ordinals[-1]), int(seqs[-1]), int(uptimes[-1]))


def _fits(code: int, counts: tuple[int, ...], size: int) -> bool:
    if by_code()[code].name == "SCAN":
        groups, passes, currents = counts[:3]
        if not (1 <= groups <= load_table().max_groups and passes in (1, 2) and currents in (0, 1, passes * groups)):
            return False
    return bulk_dtype(code, counts).itemsize <= size


def _unstuff(buf: U8, starts: I64, size: int) -> Iterator[tuple[U8, I64, NDArray[np.bool_]]]:
    """Unstuff pieces of equal size.

    Yields:
        rows (k, width): column 0 is 0x00, the frame follows; which of `starts` they are; which are good.
        Pieces with a full block of 254 come out shorter than the others and are yielded one by one.
    """
    count = len(starts)
    if size > _MAX_PIECE:
        yield np.zeros((count, 1), np.uint8), np.arange(count), np.zeros(count, np.bool_)
        return
    if count > 1 and starts[-1] - starts[0] == (count - 1) * (size + 1):  # side by side: one copy, no gather
        block = buf[starts[0] : starts[0] + count * (size + 1) - 1]
        rows = np.lib.stride_tricks.as_strided(block, (count, size), (size + 1, 1)).copy()
    else:
        rows = buf[starts[:, None] + np.arange(size)]
    sound, full = _walk(rows)
    if not full.any():
        yield rows, np.arange(count), good_rows(rows) & sound
        return
    plain = np.flatnonzero(~full)
    if len(plain):
        kept = np.ascontiguousarray(rows[plain])
        yield kept, plain, good_rows(kept) & sound[plain]
    out = bytearray(size)
    for k in np.flatnonzero(full):
        n = framing.decode(buf[starts[k] : starts[k] + size].tobytes(), size, out)
        row = np.frombuffer(b"\0" + bytes(out[: max(n, 0)]), np.uint8)[None, :]
        yield row, np.array([k]), good_rows(row)


def _walk(rows: U8) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Walk the chains of COBS codes of all rows at once, in place: each code becomes the zero that it stands for.

    The first code of a row is a dummy and leaves the 0x00 of column 0. Returns (k,) which chains end with their row,
    and which have a full block, whose code stands for no zero.
    """
    count, size = rows.shape
    flat = rows.reshape(-1)
    ends = np.arange(1, count + 1) * size
    full = np.zeros(count, np.bool_)
    sound = np.ones(count, np.bool_)
    live = np.arange(count)
    at = ends - size
    while len(live):
        code = flat[at]
        flat[at] = 0
        at = at + code
        if size > 254:
            full[live[code == 255]] = True
        limit = ends[live]
        done = at >= limit
        if done.any():
            sound[live[at > limit]] = False
            live = live[~done]
            at = at[~done]
    return sound, full
