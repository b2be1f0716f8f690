"""What a string near the top of its charge is described by, and the cells' curve that this gives.

Common to all groups: the curve, which is a base (`top_curves`) whose slope is free at some voltages (a charge runs
through its own curve, and no table knows it as well), the polarisation, the board's bleeding; then five of each group.
Everything is computed for many parameter sets at once: leading axis p.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.balancing.window import LEAD_SHARES, Window

__all__ = [
    "BLEED", "GRID_V", "KNOTS_V", "LEVEL", "NC", "NG", "QUICK", "SLOW", "SOFT_V", "SPEED", "THRESHOLD", "Common",
    "Curves", "Guess", "curves_of", "split",
]  # fmt: skip

F64 = NDArray[np.float64]
# Of full: where the slope of the curve is free: tuned on own sessions under 300,000
KNOTS_V = np.array([-0.38, -0.28, -0.22, -0.18, -0.15, -0.13, -0.115, -0.10, -0.085, -0.07, -0.055, -0.04, -0.025,
                    -0.01, 0.005, 0.03, 0.08])  # fmt: skip
_K = len(KNOTS_V)
# Common parameters: logarithm of the slope over the base's, at the knots; then these.
# Places of the other common parameters, after the knots': our choice
SPEED, QUICK, SLOW, BLEED, THRESHOLD, LEVEL = range(_K, _K + 6)
NC = _K + 6  # number of common parameters: our choice
NG = 5  # parameters of a group: lambda, rho, kappa (of charge moved), meter's offset, board's own sensing: our choice
# A board's check is a step in time; a mean of minutes sees it blurred: tuned on own sessions under 300,000
SOFT_V = 0.0012
GRID_V = np.arange(-0.5, 0.1601, 0.0025)  # of full: where a base's slope is kept: our choice
_BETWEEN_KNOTS = np.array([np.interp(GRID_V, KNOTS_V, one) for one in np.eye(_K)])  # (knots, grid): straight lines
_FAR = 30.0  # logarithm, of hours a volt: our choice
_LEAST = 1e-9  # steps; of a line that moves no charge: our choice
_STEPS = 1024  # of charge along a curve: our choice
_LEAD_OF_SLOW_H = 0.15  # lead at full current, CC hours, for a slow share of 1 in the circuit: tuned on published cells
_TAIL_V = 0.02  # polarisation somewhere in the constant voltage, where its start was not recorded: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Guess:
    """What is not fitted but tried: a board's rule, and a base for the curve.

    Attributes:
        rule: above_lowest; odd_even (the same, but groups take turns: the bleed current is the average, half of what
            pulls a group down); threshold; none (nothing bleeds).
        log_slope: of the curve on `GRID_V`, V per 1.0 of SoC.
        full_v: of a group.
        soft_v: how blurred a board's decision is seen.
        polar_v: polarisation at full current with which the base was read off: with another the base is shifted by the
            difference. None: the base stays where it is.
        lead: slow polarisation is a lead in charge of the particles' surface, which follows each group's own slope;
            else a voltage, alike in all groups.
    """

    rule: str
    log_slope: F64
    full_v: float
    soft_v: float = SOFT_V
    polar_v: float | None = None
    lead: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Common:
    """(p,) each: polarisation at full current in V, its slow share, bleed as a share of full current, threshold in V.

    lead_h: (p,) of the surface's charge at full current, CC hours.
    """

    full_v: F64
    slow: F64
    lead_h: F64
    bleed: F64
    threshold_v: F64


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """p curves for g groups each, as straight lines between nodes that are even in voltage.

    Charge is counted in even steps, all curves' one after the other, so that one number is a place on a curve. What
    line holds where a step begins is kept; of the few lines that may begin within it the right one is counted up to.

    Attributes:
        line: (c m,) the line that holds where a step begins.
        end, at_zero_v, rise_v: (c l,) of each line: the place where it ends, V at place 0, V per step.
        within: the most lines that begin within one step.
        low, high: (p, g) first and last step of the set's curve.
        zero: (p, g) place of charge 0.
        width: (p, g) of a step, CC hours.
    """

    line: NDArray[np.int64]
    end: F64
    at_zero_v: F64
    rise_v: F64
    within: int
    low: F64
    high: F64
    zero: F64
    width: F64

    @classmethod
    def of(cls, charge: F64, volts: F64, groups: int) -> Curves:
        """Charge (p, l + 1) CC hours, rising, at volts (l + 1,)."""
        p, lines = len(charge), charge.shape[1] - 1
        width = (charge[:, -1] - charge[:, 0]) / _STEPS
        low = np.arange(p) * float(_STEPS)
        node = (charge - charge[:, :1]) / width[:, None] + low[:, None]
        rise = np.diff(volts) / np.maximum(np.diff(node, axis=1), _LEAST)  # a line may have no length
        at_zero = volts[:-1] - rise * node[:, :-1]
        begun = np.bincount(node[:, 1:-1].astype(np.int64).ravel(), minlength=p * _STEPS).reshape(p, _STEPS)
        line = np.cumsum(begun, axis=1) - begun + np.arange(p)[:, None] * lines
        node[:, -1] = np.inf  # the last line goes on
        each = (low, low + (_STEPS - 1), low - charge[:, 0] / width, width)
        return cls(
            line.ravel(),
            node[:, 1:].ravel(),
            at_zero.ravel(),
            rise.ravel(),
            int(begun.max()),
            *(np.repeat(one[:, None], groups, axis=1) for one in each),
        )

    def sets(self, rows: NDArray[np.int64]) -> Curves:
        """For some of the sets, in another order or more than once; tables stay where they are."""
        each = {name: getattr(self, name)[rows] for name in ("low", "high", "zero", "width")}
        return replace(self, **each)

    def at(self, place: F64) -> tuple[F64, F64]:
        """V and V per step at places (p, g); beyond its ends a curve goes straight on."""
        line = self.line.take(np.minimum(np.maximum(place, self.low), self.high).astype(np.intp))
        for _ in range(self.within):
            line += place >= self.end.take(line)
        rise = self.rise_v.take(line)
        return self.at_zero_v.take(line) + rise * place, rise

    def place(self, charge: F64) -> F64:
        """(p, g) places of charge (p, g)."""
        return charge / self.width + self.zero

    def look_up(self, charge: F64) -> tuple[F64, F64]:
        """V and V per CC hour at charge (p, g)."""
        volts, rise = self.at(self.place(charge))
        return volts, rise / self.width


def split(x: F64, groups: int, lead: bool = False) -> tuple[Common, F64]:
    """Parameters (p, NC + NG g) as the common ones, and (p, NG, g); lambda without its mean, which is q's."""
    own = x[:, NC:].reshape(len(x), NG, groups).copy()
    own[:, 0] -= own[:, 0].mean(axis=1, keepdims=True)
    slow = np.clip(x[:, SLOW], 0.02, 0.8)
    lead_h = _LEAD_OF_SLOW_H * slow if lead else np.zeros(len(x))
    slow = np.zeros(len(x)) if lead else slow
    return Common(np.exp(x[:, QUICK]) / (1.0 - slow), slow, lead_h, np.exp(x[:, BLEED]), x[:, THRESHOLD]), own


def curves_of(w: Window, x: F64, guess: Guess) -> Curves:
    """The curves of parameters (p, ...); charge 0 is where the window starts, at the level less its polarisation."""
    groups = w.volts_v.shape[1]
    common, _ = split(x, groups, guess.lead)
    if w.before > 3:
        level = w.volts_v[0].mean() - common.full_v * (1.0 - common.slow * (1.0 - w.slow0))
    else:
        level = np.full(len(x), w.set_v - _TAIL_V)
    log_slope = guess.log_slope
    if guess.polar_v is not None:
        moved = common.full_v - guess.polar_v
        log_slope = np.interp(GRID_V + moved[:, None], GRID_V, log_slope)
    # A far draw of a poorly known parameter must not make a curve of no length: its steps would have no width.
    hours_per_v = np.exp(np.clip(-log_slope - x[:, SPEED, None] - x[:, :_K] @ _BETWEEN_KNOTS, -_FAR, _FAR))
    charge = np.zeros((len(x), len(GRID_V)))
    np.cumsum((hours_per_v[:, 1:] + hours_per_v[:, :-1]) / 2.0 * np.diff(GRID_V), axis=1, out=charge[:, 1:])
    charge -= [[np.interp(v, GRID_V, row)] for v, row in zip(level + x[:, LEVEL] - guess.full_v, charge, strict=True)]
    if w.before > 3:
        charge += (common.lead_h * (LEAD_SHARES @ w.lead0))[:, None]  # the level is that of the surface
    return Curves.of(charge, GRID_V + guess.full_v, groups)
