"""Carry a fitted string on, as it is, under its board's rule: when are all groups within the target?

Draws from the fit's posterior (JCGM 101:2008) are stepped together; bleeding follows each draw's true voltages and the
board's own sensing of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.top_fit import Fit
from evenstring.analysis.top_model import ABOVE_LOWEST_V, Board, Common, Curves, curves_of, run, split
from evenstring.analysis.top_window import SLOW_H, Window

__all__ = ["Forecast", "carry_on"]

F64 = NDArray[np.float64]
_CALM_H = 1.0 / 6.0  # balanced has to last this long
_HYSTERESIS_V = 0.005  # of the board's threshold (from memory)
_LIMIT_H = 48.0
_STEPS = ((2.0, 1.0 / 30.0), (12.0, 1.0 / 12.0), (_LIMIT_H, 1.0 / 6.0))  # until, step: hours


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """For p draws: hours until balanced (inf: not within two days), spread now and closing rate over the last hour."""

    hours: F64
    spread_v: F64
    closing_v_h: F64
    bleeding: NDArray[np.bool_]  # (p, g) now


@dataclass(slots=True, eq=False)
class _State:
    curves: Curves
    common: Common
    rule: str
    rho: F64  # (p, g)
    sense_v: F64  # (p, g)
    set_v: float
    charge: F64  # (p, g)
    slow: F64  # (p,)
    on: NDArray[np.bool_]  # (p, g)


def carry_on(w: Window, fit: Fit, full_v: float, target_v: float, draws: int) -> Forecast:
    """Draws of one explanation, stepped until balanced or for two days."""
    state, closing = _begin(w, fit, full_v, draws)
    hours, since, now = np.full(draws, np.inf), np.full(draws, np.nan), 0.0
    first = state.on.copy()
    spread_now = np.zeros(draws)
    for until, step in _STEPS:
        while now < until and np.isinf(hours).any():
            spread = np.ptp(_advance(state, step), axis=1)
            if now == 0.0:
                spread_now = spread
            inside = spread <= target_v
            since = np.where(inside, np.where(np.isnan(since), now, since), np.nan)
            done = inside & (now - since >= _CALM_H) & np.isinf(hours)
            hours[done] = since[done]
            now += step
    return Forecast(hours, spread_now, closing, first)


def _begin(w: Window, fit: Fit, full_v: float, draws: int) -> tuple[_State, F64]:
    """The state at the window's end, and how fast the highest closed on the lowest by then, V/h."""
    rng = np.random.default_rng(21)  # the same recording gives the same report
    spread = np.linalg.solve(fit.root.T, rng.normal(size=(len(fit.z), draws)))
    x = fit.mean + fit.sd * (fit.z[:, None] + spread).T
    common, own = split(x, w.volts_v.shape[1])
    curves = curves_of(w, x, full_v)
    drive, parts, _ = run(w, curves, common, own, Board(fit.rule))
    true = parts.volts_v[:, -1] - own[:, 3]
    on, rows = parts.on[:, -1], np.arange(draws)
    high, low = true.argmax(axis=1), true.argmin(axis=1)
    falls = parts.slope[:, -1] * common.bleed[:, None] * on
    closing = falls[rows, high] - falls[rows, low]
    state = _State(
        curves, common, fit.rule, own[:, 1], own[:, 4], w.set_v, parts.charge[:, -1], drive.slow[:, -1], on > 0.5
    )
    return state, closing


def _advance(s: _State, step_h: float) -> F64:
    """Voltages (p, g) now; the state moves on by a step."""
    common = s.common
    fall = (common.bleed * common.full_v)[:, None] * s.on * (1.0 + s.rho)
    open_v, slope = s.curves.look_up(s.charge)
    share = (s.set_v - (open_v - fall).mean(axis=1)) / common.full_v - common.slow * s.slow
    # Half a step ahead: the level rises while the current falls, and a long step must not overshoot.
    stiff = (1.0 - common.slow) + slope.mean(axis=1) * step_h / 2.0 / common.full_v
    share = np.clip(share / stiff, 0.0, 1.0)
    polar = common.full_v * ((1.0 - common.slow) * share + common.slow * s.slow)
    volts = open_v + (1.0 + s.rho) * polar[:, None] - fall
    if s.rule != "none":
        seen = volts + s.sense_v
        s.on = seen > common.threshold_v[:, None] - _HYSTERESIS_V * s.on
        if s.rule != "threshold":
            s.on &= seen > seen.min(axis=1, keepdims=True) + ABOVE_LOWEST_V
    s.charge = s.charge + step_h * (share[:, None] - common.bleed[:, None] * s.on)
    s.slow = share + (s.slow - share) * np.exp(-step_h / SLOW_H)
    return np.asarray(volts)
