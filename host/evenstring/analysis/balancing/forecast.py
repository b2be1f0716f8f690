"""Carry a fitted string on, as it is, under its board's rule: when are all groups within the target?

Draws from the fit's posterior (JCGM 101:2008) are stepped together; bleeding follows each draw's true voltages and the
board's own sensing of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.balancing.map_fit import Fit
from evenstring.analysis.balancing.parameters import BLEED, SPEED, Common, Curves, curves_of, split
from evenstring.analysis.balancing.string_model import ABOVE_LOWEST_V, run
from evenstring.analysis.balancing.window import LEAD_H, LEAD_SHARES, SLOW_H, Window

__all__ = ["Forecast", "Target", "carry_on"]

F64 = NDArray[np.float64]
_CALM_H = 1.0 / 6.0  # balanced has to last this long: our choice
# Relative, of the bleeding: what the model itself is off by, for coverage, as a circuit and as a lead in charge: tuned
# on own sessions under 300,000, and on published cells
_MODEL_U = (0.13, 0.25)
_HYSTERESIS_V = 0.005  # of the board's threshold: common practice
_STEPS = ((2.0, 1.0 / 30.0), (12.0, 1.0 / 12.0), (48.0, 1.0 / 6.0), (168.0, 0.5))  # until, step: hours: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """For p draws: hours until balanced (inf: not within a week), and closing rate over the last hour."""

    hours: F64
    closing_v_h: F64
    bleeding: NDArray[np.bool_]  # (p, g) now


@dataclass(frozen=True, slots=True)
class Target:
    """What counts as balanced: a spread in V, or, where given, a gap in charge as a share of capacity."""

    volts_v: float
    share: float | None = None


@dataclass(slots=True, eq=False)
class _State:
    speed: F64  # (p,) full current over capacity, 1/h
    curves: Curves
    common: Common
    rule: str
    rho: F64  # (p, g)
    sense_v: F64  # (p, g)
    set_v: float
    charge: F64  # (p, g)
    slow: F64  # (p,)
    bled: F64  # (p, g)
    on: NDArray[np.bool_]  # (p, g)
    lead: F64  # (p, g, 2)


def carry_on(w: Window, fit: Fit, target: Target, draws: int) -> Forecast:
    """Draws of one explanation, stepped until balanced or for a week."""
    state, closing = _begin(w, fit, draws)
    hours, since, now = np.full(draws, np.inf), np.full(draws, np.nan), 0.0
    first = state.on.copy()
    for until, step in _STEPS:
        while now < until and np.isinf(hours).any():
            gap = np.ptp(state.charge, axis=1) * state.speed
            spread = np.ptp(_advance(state, step), axis=1)
            inside = (spread if target.share is None else gap) <= (
                target.volts_v if target.share is None else target.share
            )
            since = np.where(inside, np.where(np.isnan(since), now, since), np.nan)
            done = inside & (now - since >= _CALM_H) & np.isinf(hours)
            hours[done] = since[done]
            now += step
    return Forecast(hours, closing, first)


def _begin(w: Window, fit: Fit, draws: int) -> tuple[_State, F64]:
    """The state at the window's end, and how fast the highest closed on the lowest by then, V/h."""
    rng = np.random.default_rng(21)  # the same recording gives the same report
    spread = np.linalg.solve(fit.root.T, rng.normal(size=(len(fit.z), draws)))
    x = fit.mean + fit.sd * (fit.z[:, None] + spread).T
    x[:, BLEED] += _MODEL_U[fit.guess.lead] * rng.normal(size=draws)
    common, own = split(x, w.volts_v.shape[1], fit.guess.lead)
    curves = curves_of(w, x, fit.guess)
    parts = run(w, curves, common, own, fit.guess)
    true = parts.volts_v[:, -1] - own[:, 3]
    on, rows = parts.on[:, -1], np.arange(draws)
    high, low = true.argmax(axis=1), true.argmin(axis=1)
    falls = parts.slope[:, -1] * common.bleed[:, None] * on
    closing = falls[rows, high] - falls[rows, low]
    state = _State(
        np.exp(x[:, SPEED]),
        curves,
        common,
        fit.guess.rule,
        own[:, 1],
        own[:, 4],
        w.set_v,
        parts.charge[:, -1],
        parts.slow,
        parts.bled,
        on > 0.5,
        parts.lead,
    )
    return state, closing


def _advance(s: _State, step_h: float) -> F64:
    """Voltages (p, g) now; the state moves on by a step."""
    common = s.common
    bleed, late = common.bleed[:, None], common.slow[:, None]
    fall = (1.0 + s.rho) * common.full_v[:, None] * bleed * ((1.0 - late) * s.on + late * s.bled)
    open_v, slope = s.curves.look_up(s.charge + common.lead_h[:, None] * (s.lead @ LEAD_SHARES))
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
    flows = share[:, None] - bleed * s.on
    s.charge = s.charge + step_h * flows
    s.lead = flows[..., None] + (s.lead - flows[..., None]) * np.exp(-step_h / LEAD_H)
    decay = np.exp(-step_h / SLOW_H)
    s.slow = share + (s.slow - share) * decay
    s.bled = s.on + (s.bled - s.on) * decay
    return np.asarray(volts)
