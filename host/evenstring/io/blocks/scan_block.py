"""Rows of SCAN as the arrays of a session, one block for each chunk of a file: the rows themselves are let go."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.io.scan_volts import scan_currents, scan_volts
from evenstring.wire.stream import ScanRows
from evenstring.wire.table import load_table

__all__ = ["ScanBlock", "block_of"]

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class ScanBlock:
    """k scans of g groups, in stream order; fields as in `Session`, and what their times are made of.

    Attributes:
        ordinals: (k,) place of each among the pieces of the stream.
        uptime_ms: (k,) of the board, as sent.
        gap_before, quiet: (k,) what the scan's flags say.
        step_s, turn_s: (k,) from reading to reading, and from the way out to the way back.
        lowest_v, highest_v, low_gap_mv, high_gap_mv: (k, g) as in `Folded`; of folded scans alone.
    """

    ordinals: I64
    uptime_ms: I64
    gap_before: NDArray[np.bool_]
    quiet: NDArray[np.bool_]
    step_s: F32
    turn_s: F32
    span_s: F32
    volts_v: F32
    quality: U8
    out_back_v: F32 | None = None
    current_a: F32 | None = None
    current_out_a: F32 | None = None
    current_back_a: F32 | None = None
    pack_v: F32 | None = None
    temps_c: F32 | None = None
    lowest_v: F32 | None = None
    highest_v: F32 | None = None
    low_gap_mv: U8 | None = None
    high_gap_mv: U8 | None = None

    def __len__(self) -> int:
        return len(self.ordinals)

    @classmethod
    def empty(cls) -> ScanBlock:
        """Of no scan and no group."""
        whole, number, flag = np.zeros(0, np.int64), np.zeros(0, np.float32), np.zeros(0, np.bool_)
        volts, quality = np.zeros((0, 0), np.float32), np.zeros((0, 0), np.uint8)
        return cls(whole, whole, flag, flag, number, number, number, volts, quality)


def block_of(scans: ScanRows) -> ScanBlock:
    """Everything that a session takes from scans of one shape."""
    rows = scans.rows
    flags = load_table().flags["scan"]
    groups, passes = int(rows["groups"][0]), int(rows["passes"][0])
    decoded = scan_volts(rows, scans.step_uv)
    turn_us = rows["turn_us"] * 1e-6 if passes == 2 else 0
    amps, mean_a = scan_currents(rows) or (None, None)
    each = amps is not None and amps.shape[1] > 1
    return ScanBlock(
        ordinals=scans.ordinals,
        uptime_ms=rows["uptime_ms"].astype(np.int64),
        gap_before=(rows["flags"] & (1 << flags["gap_before"])) > 0,
        quiet=(rows["flags"] & (1 << flags["quiet"])) > 0,
        step_s=(rows["step_us"] * 1e-6).astype(np.float32),
        turn_s=(rows["turn_us"] * 1e-6).astype(np.float32),
        span_s=(rows["step_us"] * ((groups - 1) * passes * 1e-6) + turn_us).astype(np.float32),
        volts_v=decoded.volts_v,
        quality=decoded.quality,
        out_back_v=decoded.out_back_v,
        current_a=mean_a,
        current_out_a=amps[:, :groups] if amps is not None and each else None,
        current_back_a=amps[:, groups:] if amps is not None and each and passes == 2 else None,
        pack_v=_hundredths(rows, "pack", 65535),
        temps_c=_hundredths(rows, "temp", -32768),
    )


def _hundredths(rows: NDArray[Any], name: str, missing: int) -> F32 | None:
    if not rows[name + "s"][0]:
        return None
    return np.where(rows[name] == missing, np.nan, rows[name] * np.float32(0.01)).astype(np.float32)
