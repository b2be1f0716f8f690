"""What a string near the top of its charge is described by, and the cells' curve that this gives.

Common to all groups: the curve, which is a base (`top_curves`) whose slope is free at some voltages (a charge runs
through its own curve, and no table knows it as well), the polarisation, the board's bleeding; then five of each group.
Everything is computed for many parameter sets at once: leading axis p.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.top_window import Window

__all__ = [
    "BLEED", "GRID_V", "KNOTS_V", "LEVEL", "NC", "NG", "QUICK", "SLOW", "SOFT_V", "SPEED", "THRESHOLD", "Common",
    "Curves", "Guess", "curves_of", "split",
]  # fmt: skip

F64 = NDArray[np.float64]
KNOTS_V = np.array([-0.38, -0.28, -0.22, -0.18, -0.15, -0.13, -0.115, -0.10, -0.085, -0.07, -0.055, -0.04, -0.025,
                    -0.01, 0.005, 0.03, 0.08])  # of full  # fmt: skip
_K = len(KNOTS_V)
# Common parameters: logarithm of the slope over the base's, at the knots; then these.
SPEED, QUICK, SLOW, BLEED, THRESHOLD, LEVEL = range(_K, _K + 6)
NC = _K + 6
NG = 5  # parameters of a group: lambda, rho, kappa (of charge moved), meter's offset, board's own sensing
SOFT_V = 0.0012  # a board's check is a step in time; a mean of minutes sees it blurred
GRID_V = np.arange(-0.5, 0.1601, 0.0025)  # of full: where a base's slope is kept
_BETWEEN_KNOTS = np.array([np.interp(GRID_V, KNOTS_V, one) for one in np.eye(_K)])  # (knots, grid): straight lines
_NODES = 640
_TAIL_V = 0.02  # polarisation somewhere in the constant voltage, where its start was not recorded


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
    """

    rule: str
    log_slope: F64
    full_v: float
    soft_v: float = SOFT_V
    polar_v: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Common:
    """(p,) polarisation at full current in V, its slow share, bleed as a share of full current, threshold in V."""

    full_v: F64
    slow: F64
    bleed: F64
    threshold_v: F64


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """p curves for g groups each, as straight lines between m even nodes of charge.

    All their nodes stand in one row, so that one number is a place on a curve and one look finds it.

    Attributes:
        at_zero_v, rise_v: (c m,) the line that holds from a node on, V, and V per node.
        low, high: (p, g) first node, and last with a line, of the set's curve.
        zero: (p, g) place of charge 0.
        width: (p, g) of the nodes, CC hours.
    """

    at_zero_v: F64
    rise_v: F64
    low: F64
    high: F64
    zero: F64
    width: F64

    @classmethod
    def of(cls, table_v: F64, first: F64, width: F64, groups: int) -> Curves:
        """table_v (p, m) V on even nodes of charge; first node and width (p,)."""
        p, m = table_v.shape
        rise = np.diff(table_v, axis=1, append=0.0)  # no line holds from the last node on
        at_zero = table_v - rise * np.arange(p * m).reshape(p, m)
        low = np.arange(p) * float(m)
        each = (np.repeat(one[:, None], groups, axis=1) for one in (low, low + (m - 2), low - first / width, width))
        return cls(at_zero.ravel(), rise.ravel(), *each)

    def sets(self, rows: NDArray[np.int64]) -> Curves:
        """For some of the sets, in another order or more than once; tables stay where they are."""
        return Curves(self.at_zero_v, self.rise_v, self.low[rows], self.high[rows], self.zero[rows], self.width[rows])

    def at(self, place: F64) -> tuple[F64, F64]:
        """V and V per node at places (p, g); beyond the table its last line goes on."""
        node = np.minimum(np.maximum(place, self.low), self.high).astype(np.intp)
        rise = self.rise_v.take(node)
        return self.at_zero_v.take(node) + rise * place, rise

    def place(self, charge: F64) -> F64:
        """(p, g) places of charge (p, g)."""
        return charge / self.width + self.zero

    def look_up(self, charge: F64) -> tuple[F64, F64]:
        """V and V per CC hour at charge (p, g)."""
        volts, rise = self.at(self.place(charge))
        return volts, rise / self.width


def split(x: F64, groups: int) -> tuple[Common, F64]:
    """Parameters (p, NC + NG g) as the common ones, and (p, NG, g); lambda without its mean, which is q's."""
    own = x[:, NC:].reshape(len(x), NG, groups).copy()
    own[:, 0] -= own[:, 0].mean(axis=1, keepdims=True)
    slow = np.clip(x[:, SLOW], 0.02, 0.8)
    return Common(np.exp(x[:, QUICK]) / (1.0 - slow), slow, np.exp(x[:, BLEED]), x[:, THRESHOLD]), own


def curves_of(w: Window, x: F64, guess: Guess) -> Curves:
    """The curves of parameters (p, ...); charge 0 is where the window starts, at the level less its polarisation."""
    groups = w.volts_v.shape[1]
    common, _ = split(x, groups)
    if w.before > 3:
        level = w.volts_v[0].mean() - common.full_v * (1.0 - common.slow * (1.0 - w.slow0))
    else:
        level = np.full(len(x), w.set_v - _TAIL_V)
    log_slope = guess.log_slope
    if guess.polar_v is not None:
        moved = common.full_v - guess.polar_v
        log_slope = np.interp(GRID_V + moved[:, None], GRID_V, log_slope)
    hours_per_v = np.exp(-log_slope - x[:, SPEED, None] - x[:, :_K] @ _BETWEEN_KNOTS)
    charge = np.zeros((len(x), len(GRID_V)))
    np.cumsum((hours_per_v[:, 1:] + hours_per_v[:, :-1]) / 2.0 * np.diff(GRID_V), axis=1, out=charge[:, 1:])
    charge -= [[np.interp(v, GRID_V, row)] for v, row in zip(level + x[:, LEVEL] - guess.full_v, charge, strict=True)]
    nodes = np.linspace(charge[:, 0], charge[:, -1], _NODES, axis=1)
    table = np.array([np.interp(at, row, GRID_V) for at, row in zip(nodes, charge, strict=True)]) + guess.full_v
    return Curves.of(table, nodes[:, 0], nodes[:, 1] - nodes[:, 0], groups)
