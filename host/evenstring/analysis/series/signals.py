"""The few series that all findings work on, in steps of about a second: many scans become one row, gaps stay gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.arrays import median_group_v, white_noise
from evenstring.analysis.series.charge_moved import silent_after
from evenstring.session import Session

__all__ = ["Signals", "make_signals", "trusted_scans"]

F64 = NDArray[np.float64]
_STEP_S = 1.0  # length of a row: our choice
_SKEW_LIMIT_V = 3e-3  # a scan in which a group moved by more supports no spread: our choice
_NOISE_V = 0.0005  # of a meter that states none: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Signals:
    """Rows of about one second (or one scan, where scans are rarer).

    Attributes:
        time_s: (m,) mean time of the row.
        level_v: (m,) the mean group, or the median group where readings are missing.
        volts_v: (m, g) mean readings; NaN where none.
        current_a: (m,) charging positive, or None without a sensor.
        trusted: (m,) every scan of the row can support a spread.
        step_s: usual distance of two rows.
        noise_v: standard deviation of one row's `level_v` against the next, from the quiet half of the rows.
        reading_noise_v: the same of a single group's reading in one row.
        gap_after: (m,) True where nothing was measured for long after this row.
    """

    time_s: F64
    level_v: F64
    volts_v: F64
    current_a: F64 | None
    trusted: NDArray[np.bool_]
    step_s: float
    noise_v: float
    reading_noise_v: float
    gap_after: NDArray[np.bool_]


def make_signals(session: Session) -> Signals:
    """Average the scans of each second. Cost and memory are linear in the scans."""
    t = session.time_s
    first = np.flatnonzero(np.diff(np.floor(t / _STEP_S), prepend=-np.inf) > 0)
    count = np.diff(np.append(first, len(t)))
    time = np.add.reduceat(t, first) / count
    good = trusted_scans(session)
    volts = _mean_rows(session.volts_v, first, count)
    current = None
    if session.current_a is not None and session.has_current:
        current = _filled(_mean_rows(session.current_a[:, None], first, count)[:, 0])
    missing = bool(np.isnan(volts).any())
    level = _filled(median_group_v(volts.astype(np.float32)).astype(np.float64)) if missing else volts.mean(axis=1)
    step = float(np.median(np.diff(time))) if len(time) > 1 else 1.0
    single = volts - level[:, None]
    return Signals(
        time_s=time,
        level_v=level,
        volts_v=volts,
        current_a=current,
        trusted=np.logical_and.reduceat(good, first),
        step_s=step,
        noise_v=white_noise(level),
        reading_noise_v=max(white_noise(single[:, k]) for k in range(single.shape[1])) if single.shape[1] > 1 else 0.0,
        gap_after=silent_after(time),
    )


def trusted_scans(session: Session) -> NDArray[np.bool_]:
    """(n,) True where the string stood still enough during the scan, and two groups or more were measured."""
    enough: NDArray[np.bool_] = np.isfinite(session.volts_v).sum(axis=1) >= min(2, session.groups)
    noise = session.meter.noise_v or _NOISE_V
    if session.folded is not None:  # still in all scans of the row; the range of many readings is wider than a step
        ranges = np.nan_to_num(session.folded.highest_v - session.folded.lowest_v)
        return np.asarray(enough & (ranges.max(axis=1, initial=0.0) <= _SKEW_LIMIT_V + 7 * noise))
    if session.out_back_v is not None:
        moved = np.abs(session.out_back_v) > _SKEW_LIMIT_V + 5 * noise  # not where a pass is missing
        return np.asarray(enough & ~moved.any(axis=1))
    if not session.span_s.any():
        return enough
    # One pass: the median group's change from scan to scan stands in for its change within a scan.
    v = median_group_v(session.volts_v)
    change = np.abs(np.diff(v, prepend=v[:1]))
    change = np.maximum(change, np.append(change[1:], change[-1:]))
    return np.asarray(enough & (change <= _SKEW_LIMIT_V + 3 * noise))


def _mean_rows(values: NDArray[np.float32], first: NDArray[np.int64], count: NDArray[np.int64]) -> F64:
    known = np.isfinite(values)
    if known.all():
        return np.asarray(np.add.reduceat(values, first, axis=0, dtype=np.float64) / count[:, None])
    total = np.add.reduceat(np.where(known, values, np.float32(0)), first, axis=0, dtype=np.float64)
    number = np.add.reduceat(known, first, axis=0, dtype=np.int64)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(number > 0, total / number, np.nan))


def _filled(values: F64) -> F64:
    """Missing rows take the value between their neighbours, so that no step is made where nothing was read."""
    known = np.isfinite(values)
    if known.all() or not known.any():
        return np.nan_to_num(values)
    at = np.arange(len(values))
    return np.interp(at, at[known], values[known])
