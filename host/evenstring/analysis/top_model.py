"""A string near the top of its charge: the voltages that a set of parameters would give.

Group k holds charge q + lambda_k (1: full current for an hour), less what its bleeder took. Its voltage is
OCV(charge) + (1 + rho_k) x polarisation + the meter's offset; polarisation is quick and slow resistance (G. Plett,
Battery Management Systems, Vol. I, 2015: equivalent circuit) times the current through the group. At constant voltage
without a sensor the current is what keeps the string's mean at the voltage held. The curve is a base (`top_curves`)
whose slope is free at some voltages: a charge runs through its own curve, and no table knows it as well. A bleeder
pulls its own group down, so near its limit it flickers, and the mean of minutes sees a part of it.

Everything is computed for many parameter sets at once: leading axis p.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.top_window import SLOW_H, Window

__all__ = [
    "ABOVE_LOWEST_V", "BLEED", "GRID_V", "KNOTS_V", "LEVEL", "NC", "NG", "QUICK", "SLOW", "SOFT_V", "SPEED",
    "THRESHOLD", "Common", "Curves", "Drive", "Guess", "Parts", "curves_of", "run", "split",
]  # fmt: skip

F64 = NDArray[np.float64]
KNOTS_V = np.array(
    [
        -0.38,
        -0.28,
        -0.22,
        -0.18,
        -0.15,
        -0.13,
        -0.115,
        -0.10,
        -0.085,
        -0.07,
        -0.055,
        -0.04,
        -0.025,
        -0.01,
        0.005,
        0.03,
        0.08,
    ]
)  # of full
_K = len(KNOTS_V)
# Common parameters: logarithm of the slope over the base's, at the knots; then these.
SPEED, QUICK, SLOW, BLEED, THRESHOLD, LEVEL = range(_K, _K + 6)
NC = _K + 6
NG = 5  # parameters of a group: lambda, rho, kappa (of charge moved), meter's offset, board's own sensing
ABOVE_LOWEST_V = 0.005  # boards leave groups this near to the lowest alone (our choice, from memory)
SOFT_V = 0.0012  # a board's check is a step in time; a mean of minutes sees it blurred
GRID_V = np.arange(-0.5, 0.1601, 0.0025)  # of full: where a base's slope is kept
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
    """p curves on even nodes of charge: table_v (p, m) V; first, width (p,) of the nodes."""

    table_v: F64
    first: F64
    width: F64

    def look_up(self, charge: F64) -> tuple[F64, F64]:
        """V and V per CC hour at charge (p, g); beyond the table its last stretch goes on."""
        place = (charge - self.first[:, None]) / self.width[:, None]
        k = np.clip(place, 0, self.table_v.shape[1] - 2).astype(np.int64)
        rows = np.arange(len(self.first))[:, None]
        low = self.table_v[rows, k]
        rise = self.table_v[rows, k + 1] - low
        return low + (place - k) * rise, rise / self.width[:, None]


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """(p, n) what all groups share: charge, slow average of the current (of full), polarisation in V."""

    charge: F64
    slow: F64
    polar_v: F64


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """(p, n, g) each: voltages as read, charge, slope of the curve there, share of the mean that it bled.

    bled: (p, g) slow average of the bleeding at the end.
    """

    volts_v: F64
    charge: F64
    slope: F64
    on: F64
    bled: F64


def split(x: F64, groups: int) -> tuple[Common, F64]:
    """Parameters (p, NC + NG g) as the common ones, and (p, NG, g); lambda without its mean, which is q's."""
    own = x[:, NC:].reshape(len(x), NG, groups).copy()
    own[:, 0] -= own[:, 0].mean(axis=1, keepdims=True)
    slow = np.clip(x[:, SLOW], 0.02, 0.8)
    return Common(np.exp(x[:, QUICK]) / (1.0 - slow), slow, np.exp(x[:, BLEED]), x[:, THRESHOLD]), own


def curves_of(w: Window, x: F64, guess: Guess) -> Curves:
    """The curves of parameters (p, ...); charge 0 is where the window starts, at the level less its polarisation."""
    grid = guess.full_v + GRID_V
    common, _ = split(x, w.volts_v.shape[1])
    if w.before > 3:
        level = w.volts_v[0].mean() - common.full_v * (1.0 - common.slow * (1.0 - w.slow0))
    else:
        level = np.full(len(x), w.set_v - _TAIL_V)
    out = np.empty((len(x), _NODES))
    first, width = np.empty(len(x)), np.empty(len(x))
    for p, row in enumerate(x):
        log_slope = guess.log_slope
        if guess.polar_v is not None:
            log_slope = np.interp(GRID_V + common.full_v[p] - guess.polar_v, GRID_V, log_slope)
        hours_per_v = np.exp(-log_slope - row[SPEED] - np.interp(GRID_V, KNOTS_V, row[:_K]))
        charge = np.concatenate([[0.0], np.cumsum((hours_per_v[1:] + hours_per_v[:-1]) / 2.0 * np.diff(grid))])
        charge -= np.interp(level[p] + row[LEVEL], grid, charge)
        nodes = np.linspace(charge[0], charge[-1], _NODES)
        out[p] = np.interp(nodes, charge, grid)
        first[p], width[p] = nodes[0], nodes[1] - nodes[0]
    return Curves(out, first, width)


def run(
    w: Window, curves: Curves, common: Common, own: F64, guess: Guess, given: tuple[Drive, F64] | None = None
) -> tuple[Drive, Parts, F64]:
    """Step through the window.

    Args:
        w: the window, n means of g groups.
        curves: p curves, as `curves_of` gives them.
        common: p sets, as `split` gives them.
        own: (p, NG, g), likewise.
        guess: the board's rule.
        given: a drive and a lowest (p, n) that stay as they are while a group's own parameters vary.

    Returns:
        The drive, the groups' parts, and the lowest group as the board sees it (p, n).
    """
    (p, _, g), n = own.shape, len(w.held)
    sense = own[:, 4] - own[:, 3]  # what the board senses more than the meter
    lowest = (w.volts_v[None] + sense[:, None, :]).min(axis=2) if given is None else given[1]
    drive = np.zeros((3, p, n)) if given is None else None
    volts, held, slopes, on = (np.empty((p, n, g)) for _ in range(4))
    q, s, taken = np.zeros(p), np.full(p, w.slow0), np.zeros((p, g))
    decay = float(np.exp(-w.step_h / SLOW_H))
    ratio, more, bleed = 1.0 + own[:, 1], 1.0 + own[:, 2], common.bleed[:, None]
    full, late, seen = common.full_v[:, None], common.slow[:, None], sense + own[:, 3]
    bled, pull = np.zeros((p, g)), np.zeros((p, g))  # slow average of the bleeding, and what it takes from the voltage
    for k in range(n):
        if given is not None:
            q, polar = given[0].charge[:, k], given[0].polar_v[:, k]
        held[:, k] = q[:, None] * more + own[:, 0] - bleed * taken
        open_v, slopes[:, k] = curves.look_up(held[:, k])
        if drive is not None:
            # What bleeds pulls the mean down, and the charger makes up for it.
            without = (open_v - pull).mean(axis=1)
            share, move = _current(w, common, k, without, slopes[:, k].mean(axis=1), s)
            polar = common.full_v * ((1.0 - common.slow) * share + common.slow * s)
            drive[:, :, k] = q, s, polar
            q = q + move * w.step_h
            s = move + (s - move) * decay
        idle = open_v + ratio * (polar[:, None] - full * late * bleed * bled)
        on[:, k] = _on(common, idle + seen, lowest[:, k], guess)
        volts[:, k] = idle + own[:, 3] - ratio * full * (1.0 - late) * bleed * on[:, k]
        taken = taken + on[:, k] * w.step_h
        bled = on[:, k] + (bled - on[:, k]) * decay
        pull = ratio * full * bleed * ((1.0 - late) * on[:, k] + late * bled)
    whole = Drive(*drive) if drive is not None else given[0]  # type: ignore[index]  # one of the two is there
    return whole, Parts(volts, held, slopes, on, bled), lowest


def _current(w: Window, common: Common, k: int, open_v: F64, slope: F64, slow: F64) -> tuple[F64, F64]:
    """(p,) share of full current at mean k, and its average until the next."""
    p = len(open_v)
    if w.share is not None:
        after = w.share[min(k + 1, len(w.share) - 1)]
        return np.full(p, w.share[k]), np.full(p, 0.5 * (w.share[k] + after))
    if not w.held[k]:
        return np.ones(p), np.ones(p)
    left = (w.set_v - open_v) / common.full_v - common.slow * slow
    now = np.clip(left / (1.0 - common.slow), 0.0, 1.0)
    # Half a step on the level has risen: solved for, so that a long step does not overshoot.
    between = left / (1.0 - common.slow + slope * w.step_h / 2.0 / common.full_v)
    return now, np.clip(between, 0.0, 1.0)


def _on(common: Common, seen_v: F64, lowest_v: F64, guess: Guess) -> F64:
    """(p, g) share of the time that a group bleeds whose board would see (p, g) volts if it did not."""
    if guess.rule == "none":
        return np.zeros_like(seen_v)
    soft = guess.soft_v
    on = 0.5 * (1.0 + np.tanh((seen_v - common.threshold_v[:, None] + SOFT_V) / (2.0 * soft)))
    if guess.rule in ("above_lowest", "odd_even"):
        quick = (1.0 - common.slow) * common.full_v * common.bleed
        pull = (2.0 if guess.rule == "odd_even" else 1.0) * quick[:, None] + soft / 2.0
        on = on * _ramp((seen_v - lowest_v[:, None] - ABOVE_LOWEST_V) / pull, soft / 2.0 / pull)
    return np.asarray(on)


def _ramp(x: F64, soft: F64) -> F64:
    """From 0 to 1 between 0 and 1, its corners rounded."""
    return np.asarray(soft * (np.logaddexp(0.0, x / soft) - np.logaddexp(0.0, (x - 1.0) / soft)))
