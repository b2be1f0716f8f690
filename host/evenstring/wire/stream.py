"""Bytes in, frames out: the streaming decoder. No I/O; files, ports and tests share it.

Law: any bytes at all give no exception, and the next good frame after a delimiter is found.

A *piece* is what stands between two 0x00. An empty piece is nothing. A piece that does not unstuff, whose CRC does not
agree, or that is shorter than its message needs is damaged: it is counted and never becomes a number. Where it is all
printable text it is counted as that instead. Pieces of equal length are unstuffed together in numpy; rows of scans stay
arrays, everything else becomes a `Frame`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from itertools import repeat
from operator import attrgetter
from typing import Any, Literal

import numpy as np
from evenstring_protocol import framing
from numpy.typing import NDArray

from evenstring.wire.crc import good_rows
from evenstring.wire.dtypes import bulk_dtype, count_fields, fixed_dtype, header_dtype
from evenstring.wire.structs import HEADER_SIZE, Frame, by_code, fixed_size, parse_payload
from evenstring.wire.table import load_table
from evenstring.wire.unstuff import unstuff

__all__ = ["Batch", "ScanRows", "StreamDecoder"]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]

_MAX_PIECE = framing.encoded_size(load_table().max_frame) - 1
_BULK_CODES = frozenset(m.code for m in load_table().messages if m.bulk)
_SENDERS = ("board", "host")
_TEXT_SIZE = 8  # shorter text is damage: chance makes one random byte in 2.6 printable
_PRINTABLE = bytes(range(0x20, 0x7F)) + b"\t\n\r\x1b"
_CHUNK = 1 << 22  # bytes handled at once: large enough that numpy's cost of a call is shared by many frames


@dataclass(frozen=True, slots=True, eq=False)
class ScanRows:
    """Scans of one shape, in stream order.

    Attributes:
        ordinals: (k,) place of each among the pieces of the stream, damaged ones included.
        rows: (k,) structured array of `dtypes.bulk_dtype`.
        step_uv: what one step of a reading is worth, as the latest IDENT before them said.
    """

    ordinals: I64
    rows: NDArray[Any]
    step_uv: int = field(default_factory=lambda: load_table().reading_step_uv)


@dataclass(frozen=True, slots=True)
class Batch:
    """What one call of `feed` found."""

    scans: tuple[ScanRows, ...] = ()
    frames: tuple[Frame, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.scans or self.frames)


class _Seen:
    """The good frames among the pieces of one chunk, each at its place: whose count it is of, seq, uptime."""

    def __init__(self, first: int, pieces: int) -> None:
        self.first = first  # ordinal of the chunk's first piece
        self.sender = np.full(pieces, -1, np.int8)  # index into _SENDERS; -1: of no count, or no good frame
        self.seq, self.uptime = np.empty(pieces, np.int64), np.empty(pieces, np.int64)

    def add(self, ordinals: I64, heads: NDArray[Any]) -> None:
        """Headers of good frames of one code."""
        at = ordinals - self.first
        self.sender[at], self.seq[at], self.uptime[at] = (
            _sender(int(heads["code"][0])),
            heads["seq"],
            heads["uptime_ms"],
        )


class StreamDecoder:
    """Feed it bytes as they come; it keeps at most one maximal frame of unfinished input.

    Attributes:
        bytes_total, frames_good, frames_damaged, frames_lost, frames_unknown: counts so far.
        cut_on_joining: 1 where one damaged piece, counted as such, stands before the first frame of the board: whoever
            joins a board that is sending gets the end of a frame first. Nothing was lost that was ever there.
        console_pieces, console_bytes: what an interpreter or boot loader printed between frames; not damage.
    """

    def __init__(self) -> None:
        self.bytes_total = 0
        self.frames_good = 0
        self.frames_damaged = 0
        self.frames_lost = 0
        self.frames_unknown = 0
        self.cut_on_joining = 0
        self.console_pieces = 0
        self.console_bytes = 0
        self._rest = b""
        self._skipping = False  # inside a piece longer than any frame
        self._pieces = 0
        self._last: dict[str, tuple[int, int, int]] = {}  # sender -> ordinal, seq, uptime
        self._step_uv = load_table().reading_step_uv  # of a reading, until an IDENT says otherwise
        self._boot: tuple[str, int] | None = None  # board and boot that the latest IDENT stated
        self._begin: list[int] = []  # ordinals where the board's count begins anew, from its last good frame on
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
        return Batch(tuple(scans), tuple(sorted(frames, key=attrgetter("ordinal"))))

    def _whole_pieces(self, data: bytes | bytearray | memoryview) -> Iterator[memoryview]:
        """Cut the input into chunks that end with a delimiter; keep the rest."""
        data = self._rest + data if self._rest else bytes(data)  # no copy where it is bytes already
        self._rest, first = b"", 0
        while first < len(data):
            cut = data.rfind(b"\0", first, first + _CHUNK) + 1
            if not cut:
                self._keep(data[first : first + _CHUNK])
                first += _CHUNK
                continue
            if self._skipping:  # the end of an endless piece: it was counted when it grew too long
                first = data.index(b"\0", first) + 1
                self._skipping = False
            if first < cut:
                yield memoryview(data)[first:cut]
            first = cut

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

    def _damage_all(self, ordinals: I64) -> None:
        for ordinal in ordinals:
            self._damage(int(ordinal))

    def _decode(self, whole: memoryview, scans: list[ScanRows], frames: list[Frame]) -> None:
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
        seen = _Seen(self._pieces - len(sizes), len(sizes))
        good_count, known, decoded, damaged = 0, len(frames), len(scans), len(self._damaged_at)
        for size in np.flatnonzero(np.bincount(np.minimum(sizes, _MAX_PIECE + 1))):
            if size > _MAX_PIECE:
                self._damage_all(ordinals[sizes > _MAX_PIECE])
                continue
            pick = np.flatnonzero(sizes == size)
            for rows, which, sound in unstuff(buf, starts[pick], int(size)):
                where = ordinals[pick[which]]
                good = good_rows(rows) & sound
                if not good.all():
                    self._damage_all(where[~good])
                if good.any():
                    kept, at = (rows, where) if good.all() else (rows[good], where[good])
                    good_count += self._sort_out(kept, at, seen, scans, frames)
        self.frames_good += good_count
        if len(self._damaged_at) > damaged:
            self._sift_text(buf, starts, sizes, damaged)
        self._count_lost(seen, self._beginnings(frames[known:]))
        scans[decoded:] = self._with_steps(scans[decoded:], frames[known:])

    def _sift_text(self, buf: U8, starts: I64, sizes: I64, first: int) -> None:
        """Count the damaged pieces that are console text as such; `first`: the first one of this chunk."""
        damage = []
        for ordinal in self._damaged_at[first:]:
            k = ordinal - self._pieces  # from the end of this chunk's
            piece = buf[starts[k] : starts[k] + min(sizes[k], _MAX_PIECE + 1)].tobytes()
            if _TEXT_SIZE <= len(piece) <= _MAX_PIECE and not piece.translate(None, _PRINTABLE):
                self.console_pieces += 1
                self.console_bytes += len(piece)
            else:
                damage.append(ordinal)
        self.frames_damaged -= len(self._damaged_at) - first - len(damage)
        self._damaged_at[first:] = damage

    def _sort_out(self, rows: U8, ordinals: I64, seen: _Seen, scans: list[ScanRows], frames: list[Frame]) -> int:
        """Good rows of one width: bulk messages stay rows, the rest become frames."""
        good = 0
        width = rows.shape[1]
        # A frame holds at least a header; column 0 is the place of the first COBS code.
        if width < 1 + HEADER_SIZE + framing.CRC_SIZE:
            self._damage_all(ordinals)
            return 0
        codes = rows[:, 1]
        for code in np.flatnonzero(np.bincount(codes)):
            same = codes == code
            part, where = (rows, ordinals) if same.all() else (rows[same], ordinals[same])
            if int(code) in _BULK_CODES:
                good += self._bulk(int(code), part, where, seen, scans)
                continue
            good += self._singles(part, where, seen, frames)
        return good

    def _singles(self, rows: U8, ordinals: I64, seen: _Seen, frames: list[Frame]) -> int:
        """Rows of one code, each read by itself."""
        code, width = int(rows[0, 1]), rows.shape[1]
        head = rows.view(header_dtype(1, width)).reshape(-1)
        name = by_code()[code].name if code in by_code() else ""
        data, first, end = rows.tobytes(), 1 + HEADER_SIZE, width - framing.CRC_SIZE
        # All payloads here are of one length: without arrays and texts in the message, one look tells for all.
        fixed = fixed_size(code)
        if fixed is not None and end - first < fixed:
            self._damage_all(ordinals)
            return 0
        payloads = [data[at + first : at + end] for at in range(0, len(data), width)]
        parsed: list[dict[str, Any] | None] = [None] * len(rows)
        if fixed is None:
            # A board says who it is again and again, in the same words.
            read = {payload: parse_payload(code, payload) for payload in set(payloads)}
            sound = np.array([read[payload] is not None for payload in payloads])
            self._damage_all(ordinals[~sound])
            head, ordinals = head[sound], ordinals[sound]
            payloads = [payload for payload in payloads if read[payload] is not None]
            parsed = [read[payload] for payload in payloads]
        columns = (head["seq"].tolist(), head["uptime_ms"].tolist(), payloads, ordinals.tolist(), parsed)
        frames += map(Frame._make, zip(repeat(code), repeat(name), *columns, strict=False))
        self.frames_unknown += len(head) if not name else 0
        if len(head):
            seen.add(ordinals, head)
        return len(head)

    def _bulk(self, code: int, rows: U8, ordinals: I64, seen: _Seen, scans: list[ScanRows]) -> int:
        width = rows.shape[1]
        head = fixed_dtype(code, pad=1)
        if width - framing.CRC_SIZE < head.itemsize:
            self._damage_all(ordinals)
            return 0
        names = count_fields(code)
        offsets = [head.fields[name][1] for name in names] if head.fields else []
        good = 0
        while len(rows):
            counts = rows[0, offsets]
            same = np.ones(len(rows), np.bool_)
            for at, value in zip(offsets, counts, strict=True):
                same &= rows[:, at] == value
            part, where = (rows, ordinals) if same.all() else (np.ascontiguousarray(rows[same]), ordinals[same])
            shape = tuple(int(v) for v in counts)
            if _fits(code, shape, width - framing.CRC_SIZE):
                items = part.view(bulk_dtype(code, shape, 1, width)).reshape(-1)
                scans.append(ScanRows(where, items))
                seen.add(where, items)
                good += len(items)
            else:
                self._damage_all(where)
            rows, ordinals = rows[~same], ordinals[~same]
        return good

    def _with_steps(self, scans: list[ScanRows], frames: list[Frame]) -> list[ScanRows]:
        """The scans with the step that was in force; rows on both sides of a change come apart."""
        stated = [(f.ordinal, f.values["reading_step_uv"]) for f in frames if f.name == "IDENT"]
        before, changes = self._step_uv, []
        for ordinal, step_uv in sorted(stated):
            if step_uv not in (0, self._step_uv):
                self._step_uv = step_uv
                changes.append(ordinal)
        if not changes:
            return [ScanRows(s.ordinals, s.rows, before) for s in scans]
        steps = dict(stated) | {-1: before}
        parts = []
        for s in scans:
            of = np.searchsorted(changes, s.ordinals)  # how many changes stand before each row
            for k in np.unique(of):
                step_uv = steps[changes[k - 1] if k else -1]
                parts.append(ScanRows(s.ordinals[of == k], s.rows[of == k], step_uv))
        return parts

    def _beginnings(self, frames: list[Frame]) -> list[int]:
        """Ordinals from which the board's count begins anew: another boot, or a recorder that starts to listen."""
        found = []
        opened = load_table().enums["link_event"]["opened"]
        for frame in sorted((f for f in frames if f.name in ("IDENT", "MARK_LINK")), key=lambda f: f.ordinal):
            values = frame.values
            if frame.name == "MARK_LINK":
                if values["event"] == opened:
                    found.append(frame.ordinal)
                continue
            boot = (values["board_id"], values["boot_count"])
            if self._boot not in (None, boot):
                found.append(frame.ordinal)
            self._boot = boot
        return found

    def _count_lost(self, seen: _Seen, beginnings: list[int]) -> None:
        """Gaps in each sender's sequence, less the damaged pieces that stand in the gap."""
        damaged, self._damaged_at = self._damaged_at, []
        if beginnings:
            self._begin = [*self._begin, *beginnings]
        at = np.sort(np.array(damaged, np.int64))
        for k, name in enumerate(_SENDERS):
            mine = np.flatnonzero(seen.sender == k)
            if len(mine):
                self._gaps(name, mine + seen.first, seen.seq[mine], seen.uptime[mine], at)
        last = self._last.get("board")
        self._damaged_at = damaged
        if last:
            self._damaged_at = [d for d in damaged if d > last[0]]
            self._begin = [b for b in self._begin if b > last[0]]

    def _gaps(self, name: str, ordinals: I64, seqs: I64, uptimes: I64, damaged: I64) -> None:
        last = self._last.get(name)
        if name == "board" and not last:
            self.cut_on_joining = int(np.searchsorted(damaged, ordinals[0]) == 1)
        if last:
            ordinals, seqs, uptimes = (
                np.concatenate(([v], a)) for v, a in zip(last, (ordinals, seqs, uptimes), strict=True)
            )
        missing = (np.diff(seqs) - 1) & 0xFFFF
        missing[missing >= 0x8000] = 0  # repeated or out of order: nothing is known to be missing
        if name == "board":
            passed = np.diff(uptimes) & 0xFFFFFFFF
            missing[passed >= 1 << 31] = 0  # uptime fell, and not by its wrap: another run of the board
            missing[_between(np.array(self._begin, np.int64), ordinals, "right") > 0] = 0
            missing = np.maximum(missing - _between(damaged, ordinals, "left"), 0)
        self.frames_lost += int(missing.sum())
        self._last[name] = (int(ordinals[-1]), int(seqs[-1]), int(uptimes[-1]))


@cache
def _sender(code: int) -> int:
    """Whose count a frame of this code is of: an index into `_SENDERS`, or -1."""
    table = load_table()
    if table.command_codes[0] <= code <= table.command_codes[1]:
        return _SENDERS.index("host")
    # Several programs may add marks to one file; their count is no promise.
    return -1 if table.mark_codes[0] <= code <= table.mark_codes[1] else _SENDERS.index("board")


def _between(places: I64, ordinals: I64, side: Literal["left", "right"]) -> I64:
    """How many of `places` (sorted) stand between neighbouring ordinals; "right" counts the later one in."""
    return np.diff(np.searchsorted(places, ordinals, side)).astype(np.int64)


def _fits(code: int, counts: tuple[int, ...], size: int) -> bool:
    if by_code()[code].name == "SCAN":
        groups, passes, currents = counts[:3]
        if not (1 <= groups <= load_table().max_groups and passes in (1, 2) and currents in (0, 1, passes * groups)):
            return False
    return bulk_dtype(code, counts, pad=1).itemsize <= size  # column 0 is no part of the frame
