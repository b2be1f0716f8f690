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
_FIT_U_V = 0.001  # how near the right curve is expected to come
_USUAL_PER_H, _USUAL_U = 0.22, 0.5  # full current over capacity where nothing tells it; logarithm
_KNOWN_U = 0.12  # the same where the current is measured: the capacity is not


@dataclass(frozen=True, slots=True, eq=False)
class Near:
    """log_slope on `GRID_V`, V per 1.0 of SoC; speed: full current over capacity along it, 1/h; off: its misfit."""

    log_slope: F64
    speed: float
    off: float


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
    return sorted(best, key=lambda near: near.off)[:_TRIED]


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
