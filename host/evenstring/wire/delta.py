"""DELTA and DELTA2 blocks to scans. The bit format is defined in the specification, "The delta block".

Within a block each value hangs on the one before, but blocks are independent of each other: all blocks of one shape are
decoded in step, one value of every block at a time, in numpy. Bits that make no sense give no exception and no scan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.wire.delta_bits import BlockBits
from evenstring.wire.delta_models import FirstModel, Model, SecondModel, Shape
from evenstring.wire.dtypes import scan_dtype
from evenstring.wire.stream import ScanRows
from evenstring.wire.structs import Frame
from evenstring.wire.table import load_table

__all__ = ["DELTA_NAMES", "Extremes", "block_extremes", "decode_blocks"]

_BATCH = 512  # blocks decoded in step: bounds the memory; our choice
_MAX_TEMPS = 16  # more than any front end has, and a bound on what a few bits can ask for; our choice
_CODES = ("no_reading", "over_negative", "lead_open", "over_positive")
DELTA_NAMES = ("DELTA", "DELTA2")


@dataclass(frozen=True, slots=True, eq=False)
class Extremes:
    """Lowest and highest single readings of one block, full resolution; int16 steps and reading codes, shape (g,)."""

    uptime_ms: int
    low: NDArray[np.int16]
    high: NDArray[np.int16]


def block_extremes(frame: Frame) -> Extremes:
    """The extremes that a frame of a block states."""
    low, high = (np.array(frame.values[name], np.int16) for name in ("low", "high"))
    return Extremes(frame.uptime_ms, low, high)


def decode_blocks(frames: Sequence[Frame]) -> list[ScanRows]:
    """Scans of all frames of blocks, as rows of SCAN with one pass.

    A mean of two passes belongs to the middle of its scan: the row's time is that middle, its readings count as taken
    at one instant. Frames of other messages are passed over; a block whose bits end early gives the scans before that.
    """
    shapes: dict[tuple[str, Shape], list[Frame]] = {}
    for frame in frames:
        if frame.name in DELTA_NAMES and _sound(frame):
            v = frame.values
            shape = Shape(v["groups"], v["currents"], v["packs"], v["temps"])
            shapes.setdefault((frame.name, shape), []).append(frame)
    found: list[ScanRows] = []
    for (name, shape), same in shapes.items():
        # Blocks of like length side by side: short ones do not wait for long ones.
        same.sort(key=lambda f: -_scans_at_most(f, name, shape))
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
        and v["temps"] <= _MAX_TEMPS
        and v["scans"] > 0
        and v["step_uv"] > 0
        and v["step_uv"] % load_table().reading_step_uv == 0
    )


def _scans_at_most(frame: Frame, name: str, shape: Shape) -> int:
    """Scans that the block can hold: what it states, but no more than its bits have room for.

    Each value takes a bit or more; in DELTA2 a time step and temperatures that stay take one bit together. The first
    scan has no such bit, hence the one more.
    """
    codes = sum(shape) + 2  # groups, current, pack voltage, temperatures, time step, common step
    least = codes if name == "DELTA" else codes - shape.temps
    values = frame.values
    return min(int(values["scans"]), len(values["bits"]) * 8 // least + 1)


def _model(frames: list[Frame], shape: Shape) -> Model:
    """The predictor of blocks of one kind and shape."""
    if frames[0].name == "DELTA":
        return FirstModel(shape, len(frames))
    drop = np.array([f.values["drop"] for f in frames], np.int64)
    follow = np.array([f.values["follow"] for f in frames], np.int64).T
    step = np.array([f.values["step_uv"] // load_table().reading_step_uv for f in frames], np.int64)
    return SecondModel(shape, drop, follow, step)


class _Batch:
    """Blocks of one kind and shape, longest first. Arrays are (values, blocks)."""

    def __init__(self, frames: list[Frame], shape: Shape) -> None:
        self.frames = frames
        self.shape = shape
        self.groups, *self.extras = shape
        side = 1 + sum(self.extras)
        blocks = len(frames)
        self.count = np.array([_scans_at_most(f, frames[0].name, shape) for f in frames])
        self.bits = BlockBits([f.values["bits"] for f in frames], side + 1 + self.groups)
        longest = int(self.count[0])
        self.out = np.zeros((longest, self.groups, blocks), np.int32)
        self.out_code = np.zeros((longest, self.groups, blocks), np.uint8)
        self.out_side = np.zeros((longest, side, blocks), np.int32)
        self.whole = np.zeros(blocks, np.int64)  # scans that lie within the bits

    def scans(self) -> list[ScanRows]:
        """Decode and make rows, one `ScanRows` a block."""
        model = _model(self.frames, self.shape)
        for t in range(int(self.count[0])):
            live = int(np.searchsorted(-self.count, -t, side="left"))  # blocks with more than t scans
            if t and (self.whole[:live] < t).all():
                break  # all of them ended early
            side, x, code = model.scan(self.bits, live)
            self.out_side[t, :, :live] = side
            self.out[t, :, :live] = np.clip(x, -32768, 32767)
            self.out_code[t, :, :live] = code
            self.whole[:live] += self.bits.within(live)
        return [self._rows(b) for b in range(len(self.frames)) if self.whole[b]]

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
