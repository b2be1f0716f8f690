"""A string near the top of its charge: the voltages that a set of parameters would give.

Group k holds charge q + lambda_k (1: full current for an hour), less what its bleeder took. Its voltage is
OCV(charge) + (1 + rho_k) x polarisation + the meter's offset; polarisation is quick and slow resistance (G. Plett,
Battery Management Systems, Vol. I, 2015: equivalent circuit) times the current through the group. At constant voltage
without a sensor the current is what keeps the string's mean at the voltage held. A bleeder pulls its own group down, so
near its limit it flickers, and the mean of minutes sees a part of it.

Everything is computed for many parameter sets at once: leading axis p. A report takes some fifty steps hundreds of
times, with arrays so small that a call costs more than its sums: what does not change from step to step is worked out
first, and for each group. The same model written out plainly:
`tests/host/analysis/balancing/test_string_model.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.balancing.parameters import SOFT_V, Common, Curves, Guess
from evenstring.analysis.balancing.window import LEAD_H, LEAD_SHARES, SLOW_H, Window

__all__ = ["ABOVE_LOWEST_V", "CLOSING", "Parts", "run"]

F64 = NDArray[np.float64]
ABOVE_LOWEST_V = 0.005  # boards leave groups this near to the lowest alone: common practice
_UNSEEN = 0.007  # of full current: a sensor's zero is no better, and charge counted from it runs away: our choice
CLOSING = ("above_lowest", "odd_even")  # rules under which a string gets even: the lowest group is left alone


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """(p, n, g) each: voltages as read, charge, slope of the curve there, share of the mean that it bled.

    bled: (p, g) slow average of the bleeding at the end. slow: (p,) that of the current at the last mean's start.
    lead: (p, g, 2) current less bleeding, of full, as the lead in charge has built up from it, at the end.
    """

    volts_v: F64
    charge: F64
    slope: F64
    on: F64
    bled: F64
    slow: F64
    lead: F64


@dataclass(frozen=True, slots=True, eq=False)
class _Board:
    """A board's rule, and what of it stays from mean to mean.

    Attributes:
        bleeds: False: never.
        level_v: (p, g) by the threshold, a group of this voltage bleeds half of the time.
        floor_v: (n, p, g) up to here a group counts among the lowest; None where that does not matter.
        per_v: steepness of a decision.
        most: (p, g) further above the floor, times per_v, nothing changes.
        back: (p, g) exp(-how far a group that bleeds pulls itself down, times per_v).
        scale: (p, g) of the product in `on`.
    """

    bleeds: bool
    level_v: F64
    floor_v: F64 | None
    per_v: float
    most: F64
    back: F64
    scale: F64

    @classmethod
    def of(cls, w: Window, common: Common, own: F64, guess: Guess, follow: int) -> _Board:
        """See `run`."""
        closing, turns = guess.rule in CLOSING, 2.0 if guess.rule == "odd_even" else 1.0
        sensed = w.volts_v[:, None] + (own[:, 4] - own[:, 3])  # the meter's readings, as the board has them
        lowest = sensed.min(axis=2)  # (n, p)
        lowest[:, len(own) - follow :] = lowest[:, :1]
        pull = 1.0 + turns * (1.0 - common.slow) * common.full_v * common.bleed * (2.0 / guess.soft_v)
        pull = np.repeat(pull[:, None], own.shape[2], axis=1)
        return cls(
            guess.rule != "none",
            common.threshold_v[:, None] - SOFT_V - own[:, 4],
            lowest[:, :, None] + (ABOVE_LOWEST_V - own[:, 4]) if closing else None,
            2.0 / guess.soft_v,
            np.minimum(pull + 40.0, 700.0),
            np.exp(-pull),
            0.5 / pull if closing else np.full_like(pull, 0.5),
        )

    def on(self, idle_v: F64, k: int) -> F64:
        """(p, g) share of mean k that a group bleeds whose voltage would be idle_v if it did not."""
        if not self.bleeds:
            return np.zeros_like(idle_v)
        above = np.tanh((idle_v - self.level_v) * (self.per_v / 4.0))
        on = self.scale
        if self.floor_v is not None:
            # From 0 to 1 while a group comes up by what it pulls itself down, corners rounded.
            far = np.exp(np.minimum((idle_v - self.floor_v[k]) * self.per_v, self.most))
            on = on * (np.log1p(far) - np.log1p(far * self.back))
        return np.asarray(on + on * above)


@dataclass(slots=True, eq=False)
class _Charger:
    """The current, mean by mean, and the slow part of the polarisation that it leaves.

    Attributes:
        known: (n,) share of full current at a mean and its average until the next; None: what keeps the string's level.
        evenly: (g,) weights of the string's mean.
        quick_v, late_v: (p,) polarisation of full current.
        half: (p,) charge of half a mean at full current, in steps of a curve.
        slow: (p,) slow average of the current, of full.
        follow: see `run`.
    """

    known: list[tuple[float, float] | None]
    evenly: F64
    set_v: float
    quick_v: F64
    late_v: F64
    half: F64
    slow: F64
    decay: float
    follow: int

    @classmethod
    def of(cls, w: Window, common: Common, curves: Curves, follow: int) -> _Charger:
        """See `run`."""
        known: list[tuple[float, float] | None] = [None if held else (1.0, 1.0) for held in w.held]
        if w.share is not None:
            until_next = 0.5 * (w.share + np.append(w.share[1:], w.share[-1]))
            seen = ~w.held | (w.share >= _UNSEEN)
            known = [(now, after) if k else None for now, after, k in zip(w.share, until_next, seen, strict=True)]
        late = common.full_v * common.slow
        groups = w.volts_v.shape[1]
        return cls(
            known,
            np.full(groups, 1.0 / groups),
            w.set_v,
            common.full_v - late,
            late,
            w.step_h / 2.0 / curves.width[:, 0],
            np.full(len(late), w.slow0),
            float(np.exp(-w.step_h / SLOW_H)),
            follow,
        )

    def step(self, k: int, open_v: F64, rise: F64) -> tuple[F64, F64]:
        """(p,) polarisation at mean k in V, and the average current until the next, of full.

        open_v, rise: (p, g) voltages without polarisation, and V per step of the curve there.
        """
        known, late = self.known[k], self.late_v * self.slow
        if known is None:
            level, rising = open_v @ self.evenly, rise @ self.evenly
            behind = len(level) - self.follow
            level[behind:], rising[behind:] = level[0], rising[0]
            left = np.maximum(self.set_v - level - late, 0.0)
            polar = np.minimum(left, self.quick_v) + late
            # Half a step on the level has risen: solved for, so that a long step does not overshoot.
            moved = np.minimum(left / (self.quick_v + rising * self.half), 1.0)
        else:
            polar, moved = self.quick_v * known[0] + late, np.full(len(late), known[1])
        self.slow = moved + (self.slow - moved) * self.decay
        return polar, moved


def run(w: Window, curves: Curves, common: Common, own: F64, guess: Guess, follow: int = 0) -> Parts:
    """Step through the window.

    Args:
        w: the window, n means of g groups.
        curves: p curves, as `curves_of` gives them.
        common: p sets, as `split` gives them.
        own: (p, NG, g), likewise.
        guess: the board's rule.
        follow: so many of the last sets have the first's common parameters and curve, and keep to its current and its
            lowest group: a group's own parameters vary, and what all share stays as it is.
    """
    (p, _, g), n = own.shape, len(w.held)
    board, charger = _Board.of(w, common, own, guess, follow), _Charger.of(w, common, curves, follow)
    bleed, ratio, decay = common.bleed[:, None], 1.0 + own[:, 1], charger.decay
    down_quick, down_late = ratio * charger.quick_v[:, None] * bleed, ratio * charger.late_v[:, None] * bleed
    down_late *= 1.0 - decay
    place, more, takes = curves.place(own[:, 0]), (1.0 + own[:, 2]) / curves.width, w.step_h * bleed / curves.width
    more *= w.step_h
    volts, places, rises, on = np.empty((4, n, p, g))
    # Leads have their two parts in front, (2, p, g), and count in steps of the curve.
    fades = np.exp(-w.step_h / LEAD_H)[:, None, None]
    lead_places = common.lead_h[:, None] / curves.width * LEAD_SHARES[:, None, None]
    lead, builds_up = w.lead0[:, None, None] * lead_places, (1.0 - fades) * lead_places
    pull, late = np.zeros((2, p, g))  # what its bleeding takes from a group's voltage, and the slow part of that
    for k in range(n):
        places[k], slow = place, charger.slow
        open_v, rises[k] = curves.at(place + (lead[0] + lead[1]) if guess.lead else place)
        # What bleeds pulls the mean down, and the charger makes up for it.
        polar, moved = charger.step(k, open_v - pull, rises[k])
        idle = open_v + ratio * polar[:, None] - late
        on[k] = board.on(idle, k)
        quick = down_quick * on[k]
        volts[k] = idle - quick
        place = place + moved[:, None] * more - takes * on[k]
        if guess.lead:
            lead = lead * fades + builds_up * (moved[:, None] - bleed * on[k])
        late = late * decay + down_late * on[k]
        pull = quick + late
    bled = np.tensordot((1.0 - decay) * decay ** np.arange(n - 1, -1, -1), on, axes=1)
    parts = volts + own[:, 3], (places - curves.zero) * curves.width, rises / curves.width, on
    volts, charge, slope, on = (np.swapaxes(part, 0, 1) for part in parts)
    lead = lead / lead_places if guess.lead else np.broadcast_to(w.lead0[:, None, None], (2, p, g))
    return Parts(volts, charge, slope, on, bled, slow, np.ascontiguousarray(np.moveaxis(lead, 0, 2)))
