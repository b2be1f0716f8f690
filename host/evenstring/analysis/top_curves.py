"""Which published curves, fresh or aged, look most like the one that this charge ran along.

Under constant current charge grows evenly with time, so along the right curve the level, less its polarisation, gives a
straight line; those that come nearest are tried first.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.top_model import GRID_V
from evenstring.analysis.top_window import SLOW_H, Window
from evenstring.ocv import CURVES, OcvCurve, curve, slipped
from evenstring.profile import PackProfile

__all__ = ["SLOW_SHARE", "Near", "nearest"]

F64 = NDArray[np.float64]
SLOW_SHARE = 0.3  # of polarisation, to begin with (R after 30 s is 1.6 to 2.3 times R after 1 s in published pulses)
_SLIPS = (-0.04, -0.03, -0.02, -0.01, 0.0, 0.01, 0.02, 0.03, 0.04)  # ageing moves a cell's window along its curve
_TRIED = 2
_NEAR_V = 0.0015  # steps this near tell of one place on the curve
_ENOUGH_V = 0.004
_BACK_V = 0.04  # beyond what was charged along, a curve comes back to the published one over this
_FIT_U_V = 0.001  # how near the right curve is expected to come
_USUAL_PER_H, _USUAL_U = 0.22, 0.5  # full current over capacity where nothing tells it; logarithm
_KNOWN_U = 0.12  # the same where the current is measured: the capacity is not


@dataclass(frozen=True, slots=True, eq=False)
class Near:
    """log_slope on `GRID_V`, V per 1.0 of SoC; speed: full current over capacity along it, 1/h; off: its misfit.

    polar_v: polarisation at full current that it was read with (see `_as_charged`); None for a published curve alone.
    """

    log_slope: F64
    speed: float
    off: float
    polar_v: float | None = None


def nearest(w: Window, profile: PackProfile) -> list[Near]:
    """The published curves to try, nearest first: the best of each cell, fresh or aged."""
    families = _families(profile.chemistry == "lfp", profile.full_v)
    known = None if w.full_current_a is None else w.full_current_a / profile.capacity_ah
    if w.before < 6:
        return [Near(family[len(_SLIPS) // 2], known or _USUAL_PER_H, 0.0) for family in families]
    t = np.arange(w.before, dtype=np.float64) * w.step_h
    slow = 1.0 - (1.0 - w.slow0) * np.exp(-t / SLOW_H)
    polar = w.quick_v / (1.0 - SLOW_SHARE) * (1.0 - SLOW_SHARE * (1.0 - slow))
    level = np.asarray(w.volts_v[: w.before].mean(axis=1) - polar - profile.full_v, dtype=np.float64)
    best = [min((_off(row, t, level, known) for row in family), key=lambda near: near.off) for family in families]
    run = _as_charged(w, profile.full_v, polar, slow)
    return [_joined(near, run, float(polar[-1])) for near in sorted(best, key=lambda near: near.off)[:_TRIED]]


def _as_charged(w: Window, full_v: float, polar_v: F64, slow: F64) -> tuple[NDArray[np.int64], F64]:
    """What this charge itself says of its curve: (m,) places on `GRID_V`, and there log of V per CC hour.

    Under constant current every group runs along the curve, so its own rise in a step, less what polarisation still
    adds, is the slope there; all groups' steps are averaged over `_NEAR_V`.
    """
    volts = w.volts_v[: w.before] - polar_v[:, None] * (1.0 + w.rho) - full_v
    good = (w.weight[: w.before] > 0.5)[:, None] & np.ones_like(volts, dtype=bool)
    good = good[1:] & good[:-1]
    rise = np.diff(volts, axis=0)
    share = np.ones(w.before) if w.share is None else w.share[: w.before]
    hours = np.broadcast_to(((share[1:] + share[:-1]) / 2.0 * w.step_h)[:, None], rise.shape)
    middle = (volts[1:] + volts[:-1]) / 2.0
    at, rise, hours = middle[good], rise[good], hours[good]
    # Charge over voltage, both summed over the same neighbourhood: a dip in the slope keeps its charge.
    near = np.exp(-0.5 * ((GRID_V[:, None] - at) / _NEAR_V) ** 2)
    gained, took = near @ rise, near @ hours
    there = (gained > _ENOUGH_V) & (took > 0.0)
    return np.flatnonzero(there), np.log(gained[there] / took[there])


def _joined(near: Near, run: tuple[NDArray[np.int64], F64], polar_v: float) -> Near:
    """A published curve with the stretch that was charged along put in its place; further on it comes back to its own."""
    where, log_rise = run
    if len(where) < 4:
        return near
    own = log_rise - near.log_slope[where]
    speed = float(np.median(own))  # away from dips curves are alike
    more = np.interp(GRID_V, GRID_V[where], own - speed)
    away = np.maximum(GRID_V[where[0]] - GRID_V, GRID_V - GRID_V[where[-1]]).clip(0.0)
    return Near(near.log_slope + more * np.exp(-away / _BACK_V), float(np.exp(speed)), near.off, polar_v)


def _off(log_slope: F64, t_h: F64, level_v: F64, known: float | None) -> Near:
    per_v = np.exp(-log_slope)
    soc = np.concatenate([[0.0], np.cumsum((per_v[1:] + per_v[:-1]) / 2.0 * np.diff(GRID_V))])
    line = np.polyfit(t_h, np.interp(level_v, GRID_V, soc), 1)
    speed = float(np.clip(line[0], 0.03, 1.5))
    away = float(np.sqrt(np.mean((np.interp(np.polyval(line, t_h), soc, GRID_V) - level_v) ** 2))) / _FIT_U_V
    told = np.log(speed / (known or _USUAL_PER_H)) / (_KNOWN_U if known else _USUAL_U)
    return Near(log_slope, speed, float(np.hypot(away, told)))


@cache
def _families(iron_phosphate: bool, full_v: float) -> tuple[tuple[F64, ...], ...]:
    alike = [curve(c) for c in CURVES if c.endswith("lfp") == iron_phosphate]
    return tuple(tuple(_log_slope(slipped(c, by), full_v) for by in _SLIPS) for c in alike)


def _log_slope(of: OcvCurve, full_v: float) -> F64:
    return np.asarray(np.log(of.slope_v(of.soc(full_v + GRID_V))))
