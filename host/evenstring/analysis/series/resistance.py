"""Resistance: each group's at once, from the steps of the current, and how the string's grows while a load lasts.

A report holds one resistance of each group: the voltage step over the current step, dV/dI, of all steps of a recording
by least squares (the pulse test: G. Plett, Battery Management Systems, Vol. I, Artech House 2015). Loads that last get
the median group's step response over it: a constant and exponentials, fitted to the ride.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.series.arrays import median_group_v, scaled
from evenstring.analysis.series.lag import lagged
from evenstring.session import Session

__all__ = ["UNKNOWN", "StepResponse", "both_passes_v", "elsewhere", "group_resistance", "step_response"]

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]
_ROWS = 50_000  # scans looked at together: our choice
_LEAST_STEP_A = 1.0  # of the current, from which a change counts: our choice
_MOST_STEP_V = 1.0  # a larger change of a group is a contact, not its resistance: our choice
_NEAR_S = 5.0  # two scans further apart are no step: our choice
_LEAST_POWER_A2 = 100.0  # sum of squares: a handful of real steps: our choice
_NOISE_V = 0.0005  # of a meter that states none: our choice
# How much more than its own noise a reading moves from scan to scan: times, and V beside; tuned on own simulated packs.
_NOISE_TIMES, _NOISE_BESIDE_V = 1.5, 0.0003
# So far from the median group on both sides of a step, and hardly moved against it by it: a group elsewhere on its
# curve, as when nearly empty, where its resistance is another one: our choice
_ELSEWHERE_V, _HARDLY_MOVED = 0.06, 0.2
UNKNOWN = 3.0  # of the median group's resistance: standard uncertainty where no step tells: our choice
_TAUS_S = (3.0, 30.0, 300.0)  # of the step response, a decade apart: common practice
_BENDS = 6  # polynomial in the charge moved that stands for the curve under a ride: our choice
_LEAST_ROWS, _LEAST_SPREAD_A = 60, 1.0  # seconds, and the current's standard deviation, that tell: our choice


@dataclass(frozen=True, slots=True, eq=False)
class StepResponse:
    """Median group: ohm at once and of each exponential; left_v, the standard deviation that the fit leaves, in V."""

    ohm: F64
    left_v: float

    def after(self, seconds: float) -> float:
        """Resistance, ohm, after a steady current of so long."""
        grown = -np.expm1(-seconds / np.array(_TAUS_S))
        return float(self.ohm[0] + self.ohm[1:] @ grown)


def both_passes_v(session: Session) -> list[F32]:
    """(n, g) V of the way out and of the way back, where a scan has both; else of the one pass there is."""
    if session.out_back_v is None:
        return [session.volts_v]
    half = np.float32(0.5) * session.out_back_v
    return [session.volts_v + half, session.volts_v - half]


def group_resistance(session: Session) -> tuple[F64, F64] | None:
    """Resistance of each group from one scan to the next, at the group's own instants; ohm, with standard uncertainty.

    Each pass is taken for itself, with the current of that very reading: a mean over the scan would make a gradient
    along the string where there is none. What the steps of a group disagree by beyond the noise is part of its
    uncertainty: of the two steps of a charge one may fall where its curve is steep. None without a sensor, or when the
    current hardly changed.
    """
    if session.current_a is None:
        return None
    top, power, squares, count = (np.zeros(session.groups) for _ in range(4))
    for first in range(0, session.scans, _ROWS):
        for dv, di in _steps(session, slice(first, first + _ROWS + 1)):
            top += np.sum(dv * di, axis=0, dtype=np.float64)
            power += np.sum(di * di, axis=0, dtype=np.float64)
            squares += np.sum(dv * dv, axis=0, dtype=np.float64)
            count += np.count_nonzero(di, axis=0)
    told = power >= _LEAST_POWER_A2
    if 2 * told.sum() < len(told):
        return None
    power = np.maximum(power, _LEAST_POWER_A2)
    ohm = np.where(told, top / power, np.median((top / power)[told]))
    noise_v = np.sqrt(2.0) * (_NOISE_TIMES * (session.meter.noise_v or _NOISE_V) + _NOISE_BESIDE_V)
    left_v = np.sqrt(np.maximum(squares - top**2 / power, 0.0) / np.maximum(count - 1.0, 1.0))
    u_ohm = np.maximum(noise_v, left_v) / np.sqrt(power)
    return ohm, np.where(told, u_ohm, UNKNOWN * np.median(ohm[told]))


def elsewhere(before_v: NDArray[Any], after_v: NDArray[Any]) -> NDArray[np.bool_]:
    """Whether a group stood far from the median one on both sides of a step, which hardly moved it there.

    Departures in V, of any one shape. What resistance makes goes and comes with the current.
    """
    least = np.minimum(np.abs(before_v), np.abs(after_v))
    return np.asarray((least > _ELSEWHERE_V) & (np.abs(after_v - before_v) < _HARDLY_MOVED * least))


def _steps(session: Session, part: slice) -> Iterator[tuple[F32, F32]]:
    """Steps of voltage and current of each pass in the scans that have any; 0 where a group has none."""
    assert session.current_a is not None  # noqa: S101  # checked by the caller
    volts_v, half_v = session.volts_v[part], None if session.out_back_v is None else session.out_back_v[part]
    near = (np.diff(session.time_s[part]) < _NEAR_S)[:, None]
    for sign, own in ((1, session.current_out_a), (-1, session.current_back_a))[: 1 if half_v is None else 2]:
        if own is None and session.current_out_a is not None:
            continue  # of this pass no current is known
        di = np.diff(session.current_a[part, None] if own is None else own[part], axis=0)
        rows = np.flatnonzero(((np.abs(di) > _LEAST_STEP_A) & near).any(axis=1))  # mostly a small part of all
        before, after = (
            volts_v[at] if half_v is None else volts_v[at] + sign * (np.float32(0.5) * half_v[at])
            for at in (rows, rows + 1)
        )
        dv, di = after - before, di[rows]
        known = np.isfinite(dv) & np.isfinite(di) & (np.abs(di) > _LEAST_STEP_A) & (np.abs(dv) < _MOST_STEP_V)
        known &= ~elsewhere(*(volts - median_group_v(volts)[:, None] for volts in (before, after)))
        yield np.where(known, dv, np.float32(0)), np.where(known, di, np.float32(0))


def step_response(second: NDArray[np.int64], amps: F64, volts_v: F64) -> StepResponse | None:
    """The median group's response, from means (n,) of seconds of a ride; None where the load hardly changed.

    Voltage is the current at once and through lags, and a polynomial in the charge moved for the curve underneath.
    """
    good = np.isfinite(volts_v)
    if good.sum() < _LEAST_ROWS or np.std(amps) < _LEAST_SPREAD_A:
        return None
    lags = lagged(second.astype(np.float64), amps, _TAUS_S)
    x = scaled(np.cumsum(amps))
    design = np.column_stack([amps, lags, *(x**k for k in range(_BENDS))])[good]
    found, *_ = np.linalg.lstsq(design, volts_v[good], rcond=None)
    left = float(np.std(volts_v[good] - design @ found))
    return StepResponse(np.maximum(found[: 1 + len(_TAUS_S)], 0.0), left)
