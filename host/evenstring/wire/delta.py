"""DELTA blocks to scans. The bit format is defined in the specification, "The delta block".

Within a block each value hangs on the one before, but blocks are independent of each other: all blocks of one shape are
decoded in step, one value of every block at a time, in numpy. Bits that make no sense give no exception and no scan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.wire.dtypes import scan_dtype
from evenstring.wire.stream import ScanRows
from evenstring.wire.structs import Frame
from evenstring.wire.table import load_table

__all__ = ["Extremes", "block_extremes", "decode_blocks"]

I64 = NDArray[np.int64]
U64 = NDArray[np.uint64]

_ESCAPE = 12  # ones before 18 plain bits
_SPECIAL = 0x3FFFC  # first of the four plain values that stand for reading codes
_BATCH = 512  # blocks decoded in step: bounds the memory
_CODES = ("no_reading", "over_negative", "lead_open", "over_positive")

# Leading ones of 12 bits; bit length of a number below 2^13.
_ONES = np.array([(f"{v:012b}" + "0").index("0") for v in range(4096)], np.int64)
_LENGTH = np.array([v.bit_length() for v in range(8192)], np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Extremes:
    """Lowest and highest single readings of one block, full resolution; int16 steps and reading codes, shape (g,)."""

    uptime_ms: int
    low: NDArray[np.int16]
    high: NDArray[np.int16]


def block_extremes(frame: Frame) -> Extremes:
    """The extremes that a DELTA frame states."""
    low, high = (np.array(frame.values[name], np.int16) for name in ("low", "high"))
    return Extremes(frame.uptime_ms, low, high)


def decode_blocks(frames: Sequence[Frame]) -> list[ScanRows]:
    """Scans of all DELTA frames, as rows of SCAN with one pass.

    A mean of two passes belongs to the middle of its scan: the row's time is that middle, its readings count as taken
    at one instant. Frames of other messages are passed over; a block whose bits end early gives the scans before that.
    """
    shapes: dict[tuple[int, ...], list[Frame]] = {}
    for frame in frames:
        if frame.name == "DELTA" and _sound(frame):
            v = frame.values
            shapes.setdefault((v["groups"], v["currents"], v["packs"], v["temps"]), []).append(frame)
    found: list[ScanRows] = []
    for shape, same in shapes.items():
        # Blocks of like length side by side: short ones do not wait for long ones.
        same.sort(key=lambda f: -f.values["scans"])
        for first in range(0, len(same), _BATCH):
            part = same[first : first + _BATCH]
            found += _Batch(part, shape).scans()
    return found


def _sound(frame: Frame) -> bool:
    v = frame.values
    groups = load_table().max_groups
    return (
        1 <= v["groups"] <= groups
        and v["passes"] in (1, 2)
        and v["currents"] <= 1
        and v["packs"] <= 1
        and v["scans"] > 0
        and v["step_uv"] > 0
        and v["step_uv"] % load_table().reading_step_uv == 0
    )


class _Batch:
    """Blocks of one shape, longest first. Arrays are (values, blocks): a value of all blocks lies side by side."""

    def __init__(self, frames: list[Frame], shape: tuple[int, ...]) -> None:
        self.frames = frames
        self.groups, *self.extras = shape
        self.side = 1 + sum(self.extras)
        self.n = self.side + 1 + self.groups
        blocks = len(frames)
        self.count = np.array([f.values["scans"] for f in frames])
        self.windows, self.base, self.bits = _windows([f.values["bits"] for f in frames], self.n)
        self.pos = np.zeros(blocks, np.int64)
        self.busy = np.full((self.n, blocks), 256, np.int64)
        self.last = np.zeros((self.side, blocks), np.int64)
        self.level = np.zeros(blocks, np.int64)
        self.mean = np.zeros((self.groups, blocks), np.int64)
        self.code = np.zeros((self.groups, blocks), np.int64)
        longest = int(self.count[0])
        self.out = np.zeros((longest, self.groups, blocks), np.int32)
        self.out_code = np.zeros((longest, self.groups, blocks), np.uint8)
        self.out_side = np.zeros((longest, self.side, blocks), np.int32)
        self.whole = np.zeros(blocks, np.int64)  # scans that lie within the bits

    def scans(self) -> list[ScanRows]:
        """Decode and make rows, one `ScanRows` a block."""
        for t in range(int(self.count[0])):
            live = int(np.searchsorted(-self.count, -t, side="left"))  # blocks with more than t scans
            self._scan(t, live)
            within = self.pos[:live] <= self.bits[:live]
            np.minimum(self.pos[:live], self.bits[:live] + 1, out=self.pos[:live])
            self.whole[:live] += within
        return [self._rows(b) for b in range(len(self.frames)) if self.whole[b]]

    def _scan(self, t: int, live: int) -> None:
        k = _LENGTH[np.minimum(self.busy[:, :live] >> 5, 8191)]
        u = np.empty((self.n, live), np.int64)
        for i in range(self.side + 1):
            u[i] = self._value(k[i], live)
        special = np.asarray(self.code[:, :live].any(axis=1))
        for g in range(self.groups):
            i = self.side + 1 + g
            u[i] = self._marked(g, k[i], live) if special[g] else self._value(k[i], live)
        self._learn(t, u, live)

    def _value(self, k: I64, live: int) -> I64:
        """Read one code from each of the first `live` blocks."""
        pos = self.pos[:live]
        w = self.windows[self.base[:live] + (pos >> 3)] << (pos & 7).view(np.uint64)
        q = _ONES[(w >> np.uint64(52)).view(np.int64)]
        escaped = np.asarray(q == _ESCAPE)
        if escaped.any():
            size = np.where(escaped, 18, k)
            taken = q + ~escaped
            rest = ((w << taken.view(np.uint64)) >> np.uint64(1)) >> (63 - size).view(np.uint64)
            pos += taken + size
            q = np.where(escaped, 0, q << k)
            return np.asarray(rest.view(np.int64) | q, np.int64)
        taken = q + 1
        rest = ((w << taken.view(np.uint64)) >> np.uint64(1)) >> (63 - k).view(np.uint64)
        pos += taken + k
        return rest.view(np.int64) | (q << k)

    def _marked(self, g: int, k: I64, live: int) -> I64:
        """As `_value`, where some blocks hold a reading code for this group: a bit says whether it goes on (-1)."""
        held = self.code[g, :live] > 0
        pos = self.pos[:live]
        w = self.windows[self.base[:live] + (pos >> 3)] << (pos & 7).view(np.uint64)
        goes_on: NDArray[np.bool_] = np.asarray(held & ((w >> np.uint64(63)) == 0))
        pos += held
        before = pos.copy()
        u = self._value(k, live)
        pos[goes_on] = before[goes_on]
        return np.where(goes_on, -1, u)

    def _learn(self, t: int, u: I64, live: int) -> None:
        """From the codes of one scan to its values, and to what the next one is predicted from."""
        side = self.side
        moved = _unfold(u[: side + 1])
        now = moved[:side] + self.last[:, :live]
        self.last[:, :live] = now
        self.out_side[t, :, :live] = now
        codes = u[side + 1 :]
        special = codes >= _SPECIAL
        kept = codes < 0
        code = np.where(special, codes - _SPECIAL + 1, np.where(kept, self.code[:, :live], 0))
        number = code == 0
        if t == 0:
            x = np.cumsum(np.where(number, _unfold(codes), 0), axis=0)  # each as the one before it
            self.mean[:, :live] = x << 4
            self.busy[:, :live] = 32
        else:
            self.level[:live] += moved[side]
            mean = self.mean[:, :live]
            near = (mean + 8) >> 4
            r = _unfold(codes)
            np.negative(r, out=r, where=mean < near << 4)
            x = np.clip(self.level[:live] + near, -32768, 32767) + r
            mean += np.where(number, (((x - self.level[:live]) << 4) - mean) >> 3, 0)
            busy = self.busy[:, :live]
            learns = (u >= 0) & (u < _SPECIAL)
            busy += np.where(learns, np.minimum(u, 4095) - (busy >> 4), 0)
        self.code[:, :live] = code
        self.out[t, :, :live] = np.clip(x, -32768, 32767)
        self.out_code[t, :, :live] = code

    def _rows(self, b: int) -> ScanRows:
        frame, n = self.frames[b], int(self.whole[b])
        v = frame.values
        table = load_table()
        rows = np.zeros(n, scan_dtype(self.groups, 1, *self.extras))
        steps = self.out[:n, :, b].astype(np.int64) * (v["step_uv"] // table.reading_step_uv)
        # A number never falls on a value that is reserved for a code.
        steps = np.clip(steps, table.reading_codes["lead_open"] + 1, table.reading_codes["over_positive"] - 1)
        values = np.array([0, *(table.reading_codes[name] for name in _CODES)])
        code = self.out_code[:n, :, b]
        rows["reading"] = np.where(code > 0, values[code], steps)
        side = self.out_side[:n, :, b]
        self._fill_side(rows, side)
        middle = 0
        if v["passes"] == 2:
            middle = round(((v["groups"] - 1) * v["step_us"] + v["turn_us"] / 2) / 1000)
        else:
            rows["step_us"] = v["step_us"]
        rows["uptime_ms"] = (frame.uptime_ms + middle + np.cumsum(side[:, 0])) & 0xFFFFFFFF
        flags = table.flags["scan"]
        rows["flags"] = (v["passes"] == 2) << flags["simultaneous"]
        if v["flags"] >> table.flags["delta"]["unsettled"] & 1:
            rows["flags"] |= 1 << flags["unsettled"]
        if v["flags"] >> table.flags["delta"]["gap_before"] & 1:
            rows["flags"][0] |= 1 << flags["gap_before"]
        rows["code"], rows["groups"], rows["passes"] = table.message("SCAN").code, self.groups, 1
        return ScanRows(np.full(n, frame.ordinal), rows)

    def _fill_side(self, rows: NDArray[Any], side: NDArray[np.int32]) -> None:
        at = 1
        for name, count in zip(("current", "pack", "temp"), self.extras, strict=True):
            rows[name + "s"] = count
            if count:
                part = side[:, at : at + count]
                rows[name] = part.astype(np.uint16) if name == "pack" else part.astype(np.int16)
            at += count


def _unfold(u: I64) -> I64:
    """Undo the folding of signs: 0, 1, 2, 3, 4 become 0, 1, -1, 2, -2."""
    half = (u + 1) >> 1
    return np.where(u & 1, half, -half)


def _windows(parts: list[bytes], values: int) -> tuple[U64, I64, I64]:
    """The 64 bits that begin at each byte, of all blocks end to end; where each block begins; bits of each."""
    size = np.array([len(p) for p in parts])
    pad = values * 31 // 8 + 16  # a scan that begins within the bits ends within these
    joined = np.frombuffer(b"".join(p + bytes(pad) for p in parts) + bytes(8), np.uint8)
    windows = np.zeros(len(joined) - 8, np.uint64)
    for k in range(8):
        windows = (windows << np.uint64(8)) | joined[k : k + len(windows)]
    base = np.concatenate(([0], np.cumsum(size + pad)[:-1]))
    return windows, base, size * 8
