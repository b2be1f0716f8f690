"""Every two neighbouring scans of a block as one: their mean, with the lowest and the highest reading kept.

A row that stands for several scans holds what a slower meter would have read, and beside it what that would have
missed. Scans on two sides of a hole are not joined. Trouble of a lead or of the range in either counts, as with two
passes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from evenstring.io.blocks.scan_block import ScanBlock
from evenstring.session import Quality

__all__ = ["fold"]

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]

_NEIGHBOURS = 2.0  # times the usual distance, up to which two scans are joined: our choice
_ZERO_V, _CELL_V = 0.005, 1.5  # 0 V beside a cell's voltage is no reading: as in `evenstring.io.plausibility`
_FAR_MV = 255  # the next reading is this much or more away, or there is none


def fold(block: ScanBlock) -> ScanBlock:
    """A block of about half as many rows."""
    starts = _starts(block)
    volts = _without_zeros(block.volts_v, starts)
    quality = _quality(np.where(np.isnan(volts) & (block.quality == 0), Quality.NO_READING, block.quality), starts)
    mean = _mean(volts, starts)
    lowest, low_gap, highest, high_gap = _edges(block, volts)
    lowest, low_gap = _lowest_two(lowest, low_gap, starts)
    highest, high_gap = _lowest_two(-highest, high_gap, starts)
    return ScanBlock(
        ordinals=block.ordinals[starts],
        uptime_ms=_mean_time(block.uptime_ms, starts),
        gap_before=block.gap_before[starts],
        quiet=block.quiet[starts],
        step_s=block.step_s[starts],
        turn_s=block.turn_s[starts],
        span_s=block.span_s[starts],
        volts_v=np.where(quality == Quality.OK, mean, np.float32(np.nan)),
        quality=quality,
        out_back_v=_maybe(block.out_back_v, starts),
        current_a=_maybe(block.current_a, starts),
        current_out_a=_maybe(block.current_out_a, starts),
        current_back_a=_maybe(block.current_back_a, starts),
        pack_v=_maybe(block.pack_v, starts),
        temps_c=_maybe(block.temps_c, starts),
        lowest_v=lowest,
        highest_v=-highest,
        low_gap_mv=low_gap,
        high_gap_mv=high_gap,
    )


def _starts(block: ScanBlock) -> I64:
    """First scans of the rows to come: every other one, and each that does not follow the one before it."""
    n = len(block.uptime_ms)
    step = np.diff(block.uptime_ms)
    rising = step[step > 0]
    usual = float(np.median(rising)) if len(rising) else 0.0
    joined = np.zeros(n, np.bool_)
    near = (step > 0) & (step <= _NEIGHBOURS * usual) & ~block.gap_before[1:] & (block.quiet[1:] == block.quiet[:-1])
    joined[1::2] = near[::2]
    return np.flatnonzero(~joined)


def _without_zeros(volts_v: F32, starts: I64) -> F32:
    zero = np.abs(volts_v) <= _ZERO_V
    if not zero.any():
        return volts_v
    size = np.diff(starts, append=len(volts_v))
    beside = np.repeat(np.fmax.reduceat(volts_v, starts, axis=0), size, axis=0) > _CELL_V
    return np.where(zero & beside, np.float32(np.nan), volts_v)


def _mean_time(uptime_ms: I64, starts: I64) -> I64:
    size = np.diff(starts, append=len(uptime_ms))
    return np.asarray(np.add.reduceat(uptime_ms, starts) // size)


def _maybe(values: F32 | None, starts: I64) -> F32 | None:
    return None if values is None else _mean(values, starts)


def _mean(values: F32, starts: I64) -> F32:
    """Means of what is known, NaN where nothing is."""
    known = np.isfinite(values)
    size = np.diff(starts, append=len(values)).astype(np.float32)
    if known.all():
        total = np.add.reduceat(values, starts, axis=0)
        return np.asarray(total / (size if values.ndim == 1 else size[:, None]))
    count = np.add.reduceat(known.astype(np.float32), starts, axis=0)
    total = np.add.reduceat(np.where(known, values, np.float32(0)), starts, axis=0)
    with np.errstate(invalid="ignore"):
        return np.asarray(total / count)


def _quality(quality: U8, starts: I64) -> U8:
    if not quality.any():
        return quality[starts]
    trouble = np.maximum.reduceat(np.where(quality == Quality.NO_READING, 0, quality), starts, axis=0)
    missing = np.logical_and.reduceat(quality == Quality.NO_READING, starts, axis=0)
    return np.where(trouble > 0, trouble, np.where(missing, Quality.NO_READING, 0)).astype(np.uint8)


def _edges(block: ScanBlock, volts_v: F32) -> tuple[F32, U8, F32, U8]:
    """Lowest and highest of each row, each with the gap to the next; of a scan as it was read, of its two passes."""
    if block.lowest_v is not None and block.highest_v is not None:
        assert block.low_gap_mv is not None  # noqa: S101  # the four come together
        assert block.high_gap_mv is not None  # noqa: S101
        return block.lowest_v, block.low_gap_mv, block.highest_v, block.high_gap_mv
    if block.out_back_v is None:
        far = np.full(volts_v.shape, _FAR_MV, np.uint8)
        return volts_v, far, volts_v, far
    half = (np.abs(np.nan_to_num(block.out_back_v)) / 2).astype(np.float32)
    gap = _gap_mv(np.abs(block.out_back_v))
    return volts_v - half, gap, volts_v + half, gap


def _gap_mv(volts: F32) -> U8:
    """Rounded up, so that what is said to be near was as near as that."""
    return np.ceil(np.minimum(np.nan_to_num(volts, nan=np.inf, posinf=np.inf) * 1000, _FAR_MV)).astype(np.uint8)


def _lowest_two(lowest_v: F32, gap_mv: U8, starts: I64) -> tuple[F32, U8]:
    """The lowest reading of each row, and how far above it the next one is."""
    size = np.diff(starts, append=len(lowest_v))
    pair = np.flatnonzero(size == 2)
    one, other = lowest_v[starts[pair]], lowest_v[starts[pair] + 1]
    low, gap = lowest_v[starts], gap_mv[starts]
    low[pair] = np.fmin(one, other)
    own = np.where((one <= other) | np.isnan(other), gap_mv[starts[pair]], gap_mv[starts[pair] + 1])
    gap[pair] = np.minimum(own, _gap_mv(np.abs(one - other)))
    return low, gap
