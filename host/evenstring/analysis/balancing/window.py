"""The end of a charge in a few dozen means, and what is known beforehand of each group: input of `top_fit`.

From up to three quarters of an hour before the constant voltage to its end. Charge is counted in hours of the charger's
full current ("CC hours"), so that nothing here needs a current sensor or the pack's capacity.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Phase
from evenstring.analysis.series.rows_of_phase import between
from evenstring.analysis.series.signals import Signals

__all__ = ["LEAD_H", "LEAD_SHARES", "SLOW_H", "Window", "make_window"]

F64 = NDArray[np.float64]
SLOW_H = 0.25  # time constant of slow polarisation (quarter of an hour, from memory), hours: common practice
# How the lead in charge of a particle's surface over its inside builds up: two time constants, hours, and the share of
# each, for diffusion in a sphere (a series of exponentials, Crank 1975, The Mathematics of Diffusion): tuned on
# published cells
LEAD_H, LEAD_SHARES = np.array([0.09, 0.025]), np.array([0.6, 0.4])
# Looked at before, and at most of, the constant voltage: tuned on own sessions under 300,000
_BEFORE_S, _HELD_S = 2700.0, 7200.0
# A mean is a multiple of this (boards that take turns do so by the minute); about so many: our choice
_STEP_S, _MOST = 120.0, 56
_LOW_V = 0.30  # under full: further down the curve is not looked at: our choice
_EDGE_S = 150.0  # around the turn to constant voltage a mean mixes two regimes: tuned on own sessions under 300,000
# After the charger came on: the quick part of polarisation is there, the rest rises evenly: tuned on own sessions
# under 300,000
_ONSET_S = (60.0, 300.0)
# Of relative resistance: as seen from the charger coming on, or not seen: tuned on own sessions under 300,000
_RHO_U, _RHO_UNKNOWN_U = 0.015, 0.06
_LEAST_STEP_V = 0.01  # of the level when the charger came on, from which resistances show: our choice
_JOINED_S = 5.0  # a phase that ends within this follows on: our choice
# Of full current, where it was not seen; from the quick part to all of it: our choice
_USUAL_POLAR_V, _QUICK_GROWS = 0.07, 1.4
_SETTLED_S, _LEAST_BEFORE_S = 300.0, 900.0  # after the charger came on; looked at before the hold, at least: our choice
_EDGE_WEIGHT = 0.1  # of a mean that mixes two regimes: our choice
_TAPER_S = 1800.0  # in which a taper that nobody measured falls to 1/e: common practice
# Where the charger's coming on was not recorded; relative, seen and not: our choice
_SINCE_H, _QUICK_V, _QUICK_U = 0.4, 0.05, (0.05, 0.6)


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """n means of g groups.

    Attributes:
        step_h: length of a mean, hours. held: (n,) at constant voltage. weight: (n,) of each mean, 0 to 1.
        volts_v: (n, g). share: (n,) current as a share of the charger's full current, or None without a sensor.
        set_v: a group's share of the voltage held. full_current_a: or None.
        slow0: slow polarisation at the first mean, as a share of its final value. lead0: (2,) the same of the lead.
        rho, rho_u: (g,) relative resistance departures as far as seen before, and their standard uncertainty.
        quick_v, quick_u: polarisation of full current without its slow part, V, and its relative uncertainty.
    """

    step_h: float
    held: NDArray[np.bool_]
    weight: F64
    volts_v: F64
    share: F64 | None
    set_v: float
    full_current_a: float | None
    slow0: float
    lead0: F64
    rho: F64
    rho_u: float
    quick_v: float
    quick_u: float

    @property
    def before(self) -> int:
        """Means before the constant voltage."""
        return int((~self.held).sum())

    def thinned(self) -> Window:
        """Every second mean, for a first look."""
        share = None if self.share is None else self.share[1::2]
        return replace(self, step_h=2.0 * self.step_h, held=self.held[1::2], weight=self.weight[1::2],
                       volts_v=self.volts_v[1::2], share=share)  # fmt: skip


def make_window(signals: Signals, phases: tuple[Phase, ...], held: Phase, full_v: float) -> Window | None:
    """The window that ends with `held`; None where too little was read."""
    joined = [p for p in phases if p.kind == "charge_cc" and abs(p.end_s - held.start_s) < _JOINED_S]
    start = max(held.start_s, held.end_s - _HELD_S)
    seen = _onset(signals, phases, joined[-1]) if joined else None
    if joined and start == held.start_s:
        start = max(start - _BEFORE_S, joined[-1].start_s + _SETTLED_S)
        polar_v = _USUAL_POLAR_V if seen is None else seen[2] * _QUICK_GROWS
        high = signals.time_s[(signals.level_v > full_v - _LOW_V + polar_v) & (signals.time_s > start)]
        start = min(max(start, float(high[0]) if len(high) else start), max(start, held.start_s - _LEAST_BEFORE_S))
    rows = np.flatnonzero(between(signals.time_s, start, held.end_s) & np.isfinite(signals.volts_v).all(axis=1))
    step_s = _STEP_S * max(1.0, np.ceil((held.end_s - start) / _STEP_S / _MOST))
    n = int((held.end_s - start) / step_s)
    if n < 5 or len(rows) < 10:
        return None
    which = n - 1 - np.floor((held.end_s - signals.time_s[rows]) / step_s).astype(np.int64)
    rows, which = rows[which >= 0], which[which >= 0]
    volts, weight = _means(signals.volts_v[rows], which, n)
    middle = held.end_s - (n - 0.5 - np.arange(n)) * step_s
    is_held = middle > held.start_s
    weight = np.where(np.abs(middle - held.start_s) < _EDGE_S, _EDGE_WEIGHT, 1.0) * weight
    share, full = None, None
    if signals.current_a is not None:
        amps = _means(signals.current_a[rows, None], which, n)[0][:, 0]
        before = np.median(amps[~is_held]) if (~is_held).sum() > 3 else _before_a(signals, joined)
        full = max(float(amps.max() if before is None else before), 1e-3)
        share = amps / full
    groups = volts.shape[1]
    since_h = (middle[0] - joined[-1].start_s) / 3600.0 if joined else _SINCE_H
    flowed = 1.0  # of full current, at the first mean
    if start > held.start_s:
        flowed = float(np.exp(-(start - held.start_s) / _TAPER_S)) if share is None else float(np.clip(share[0], 0, 1))
    return Window(
        step_h=step_s / 3600.0,
        held=is_held,
        weight=weight,
        volts_v=volts,
        share=share,
        set_v=float(np.median(volts[is_held].mean(axis=1))),
        full_current_a=full,
        slow0=float(-flowed * np.expm1(-since_h / SLOW_H)),
        lead0=-flowed * np.expm1(-since_h / LEAD_H),
        rho=np.zeros(groups) if seen is None else seen[0],
        rho_u=_RHO_UNKNOWN_U if seen is None else seen[1],
        quick_v=_QUICK_V if seen is None else seen[2],
        quick_u=_QUICK_U[1 if seen is None else 0],
    )


def _before_a(signals: Signals, joined: list[Phase]) -> float | None:
    """Full current, A, of the charge before the hold; None where that was not recorded."""
    if not joined or signals.current_a is None:
        return None
    rows = between(signals.time_s, joined[-1].end_s - _BEFORE_S, joined[-1].end_s)
    rows &= signals.time_s >= joined[-1].start_s
    known_a = signals.current_a[rows & np.isfinite(signals.current_a)]
    return float(np.median(known_a)) if len(known_a) else None


def _means(values: F64, which: NDArray[np.int64], n: int) -> tuple[F64, F64]:
    """(n, c) means of rows by number, holes filled from the neighbours; (n,) 1 where there were rows, else 0."""
    count = np.bincount(which, minlength=n)
    known = count > 0
    total = np.column_stack([np.bincount(which, values[:, k], minlength=n) for k in range(values.shape[1])])
    means = total / np.maximum(count, 1)[:, None]
    at = np.arange(n)
    if not known.all():
        means = np.column_stack([np.interp(at, at[known], column[known]) for column in means.T])
    return np.asarray(means), known.astype(np.float64)


def _onset(signals: Signals, phases: tuple[Phase, ...], charge: Phase) -> tuple[F64, float, float] | None:
    """Relative resistances, their uncertainty and the quick polarisation, from the charger coming on after a rest."""
    if not any(p.kind == "rest" and abs(p.end_s - charge.start_s) < _JOINED_S for p in phases):
        return None
    since = signals.time_s - charge.start_s
    before = np.flatnonzero((since > -60.0) & (since < -8.0))
    after = np.flatnonzero((since > _ONSET_S[0]) & (since < _ONSET_S[1]))
    if len(before) < 5 or len(after) < 5:
        return None
    # A straight line back to the moment it came on: what the charge has added by then does not count.
    line = np.linalg.lstsq(np.column_stack([np.ones(len(after)), since[after]]), signals.volts_v[after], rcond=None)[0]
    step = line[0] - signals.volts_v[before].mean(axis=0)
    middle = float(step.mean())
    if not np.isfinite(step).all() or middle < _LEAST_STEP_V:
        return None
    # The line's end is 2.8 times as uncertain as a mean of its readings (from 60 to 300 s back to 0).
    random = signals.reading_noise_v * np.sqrt(1.0 / len(before) + 8.0 / len(after)) / middle
    return step / middle - 1.0, float(np.hypot(_RHO_U, random)), middle
