"""The curve that a charge ran along: read off the charge itself, and beyond that a published one.

Under constant current charge grows evenly with time, so how fast each group rises is the slope of its curve, place by
place: incremental capacity, dQ/dV (M. Dubarry et al., J. Power Sources 196 (2011) 3420; cited from memory). Above the
level at which the voltage is held nothing is told; there the published curve goes on, fresh or aged, that the rest
looks most like: along it the level, less its polarisation, gives the straightest line over time.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.balancing.parameters import GRID_V
from evenstring.analysis.balancing.window import SLOW_H, Window
from evenstring.chemistry import curves_like
from evenstring.ocv import CURVES, OcvCurve, curve, slipped
from evenstring.profile import PackProfile

__all__ = ["SLOW_SHARE", "Base", "bases"]

F64 = NDArray[np.float64]
# Of polarisation, to begin with (R after 30 s is 1.6 to 2.3 times R after 1 s in published pulses): our choice
SLOW_SHARE = 0.3
# Ageing moves a cell's window along its curve, by as much of SoC as these: our choice
_SLIPS = (-0.04, -0.03, -0.02, -0.01, 0.0, 0.01, 0.02, 0.03, 0.04)
_LEAST = 6  # means before the constant voltage without which nothing is read off: our choice
# Width of a place on the curve, and voltage gained there that it takes: tuned on own sessions under 300,000
_PLACE_V, _ENOUGH_V = 0.0015, 0.004
# Beyond what was charged along, a departure from the published curve fades over this: tuned on own sessions under
# 300,000
_BACK_V = 0.04
_FIT_U_V = 0.001  # how near the right curve is expected to come: tuned on own sessions under 300,000
_USUAL_PER_H, _USUAL_U = 0.22, 0.5  # full current over capacity where nothing tells it; logarithm: our choice
_KNOWN_U = 0.12  # the same where the current is measured: the capacity is not: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Base:
    """A curve to fit along.

    Attributes:
        log_slope: on `GRID_V`, of V per 1.0 of SoC.
        speed: full current over capacity along it, 1/h.
        polar_v: polarisation at full current with which it was read off, or None for a published curve.
    """

    log_slope: F64
    speed: float
    polar_v: float | None = None


def bases(w: Window, profile: PackProfile, lead: bool = False) -> list[Base]:
    """The curve to fit along; where the charge came to constant voltage before it was recorded, those to try."""
    families = _families(tuple(c for c in CURVES if c in curves_like(profile.chemistry)), profile.full_v)
    known = None if w.full_current_a is None else w.full_current_a / profile.capacity_ah
    if w.before < _LEAST:
        return [Base(family[len(_SLIPS) // 2], known or _USUAL_PER_H) for family in families]
    t = np.arange(w.before, dtype=np.float64) * w.step_h
    slow = 1.0 - (1.0 - w.slow0) * np.exp(-t / SLOW_H)
    late = 0.0 if lead else SLOW_SHARE  # a lead in charge is on the curve
    polar = w.quick_v / (1.0 - late) * (1.0 - late * (1.0 - slow))
    level = np.asarray(w.volts_v[: w.before].mean(axis=1) - polar - profile.full_v, dtype=np.float64)
    tried = [(_misfit(row, t, level, known), row) for family in families for row in family]
    (_, speed), like = min(tried, key=lambda each: each[0][0])
    where, log_rise = _as_charged(w, profile.full_v, polar)
    if len(where) < _LEAST:
        return [Base(like, speed)]
    return [_spliced(like, where, log_rise, float(polar[-1]))]


def _as_charged(w: Window, full_v: float, polar_v: F64) -> tuple[NDArray[np.int64], F64]:
    """(m,) places on `GRID_V` that the groups came through at constant current, and there log of V per CC hour."""
    volts = w.volts_v[: w.before] - polar_v[:, None] * (1.0 + w.rho) - full_v
    whole = w.weight[: w.before] > 0.5
    used = whole[1:] & whole[:-1]
    share = np.ones(w.before) if w.share is None else w.share[: w.before]
    hours = ((share[1:] + share[:-1]) / 2.0 * w.step_h)[used].repeat(volts.shape[1])
    gained = np.diff(volts, axis=0)[used].ravel()
    middle = ((volts[1:] + volts[:-1]) / 2.0)[used].ravel()
    # Charge over voltage, each summed over the same place: a narrow dip of the slope keeps its charge.
    near = np.exp(-0.5 * ((GRID_V[:, None] - middle) / _PLACE_V) ** 2)
    rise, took = near @ gained, near @ hours
    there = (rise > _ENOUGH_V) & (took > 0.0)
    return np.flatnonzero(there), np.log(rise[there] / took[there])


def _spliced(like: F64, where: NDArray[np.int64], log_rise: F64, polar_v: float) -> Base:
    """What was read off, and beyond it the published curve, to which its departure fades."""
    own = log_rise - like[where]
    log_speed = float(np.median(own))  # away from their dips curves are alike
    departure = np.interp(GRID_V, GRID_V[where], own - log_speed)
    beyond_v = np.maximum(GRID_V[where[0]] - GRID_V, GRID_V - GRID_V[where[-1]]).clip(0.0)
    return Base(like + departure * np.exp(-beyond_v / _BACK_V), float(np.exp(log_speed)), polar_v)


def _misfit(log_slope: F64, t_h: F64, level_v: F64, known: float | None) -> tuple[float, float]:
    """How far the level is from a straight run along a curve, in standard uncertainties, and the run's speed."""
    per_v = np.exp(-log_slope)
    soc = np.concatenate([[0.0], np.cumsum((per_v[1:] + per_v[:-1]) / 2.0 * np.diff(GRID_V))])
    line = np.polyfit(t_h, np.interp(level_v, GRID_V, soc), 1)
    speed = float(np.clip(line[0], 0.03, 1.5))
    away = float(np.sqrt(np.mean((np.interp(np.polyval(line, t_h), soc, GRID_V) - level_v) ** 2))) / _FIT_U_V
    told = np.log(speed / (known or _USUAL_PER_H)) / (_KNOWN_U if known else _USUAL_U)
    return float(np.hypot(away, told)), speed


@cache
def _families(names: tuple[str, ...], full_v: float) -> tuple[tuple[F64, ...], ...]:
    """Log slopes on `GRID_V` of each published curve, fresh and aged."""
    return tuple(tuple(_log_slope(slipped(curve(name), by), full_v) for by in _SLIPS) for name in names)


def _log_slope(of: OcvCurve, full_v: float) -> F64:
    return np.asarray(np.log(of.slope_v(of.soc(full_v + GRID_V))))
