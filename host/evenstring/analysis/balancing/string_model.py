"""A string near the top of its charge: the voltages that a set of parameters would give.

Group k holds charge q + lambda_k (1: full current for an hour), less what its bleeder took. Its voltage is
OCV(charge) + (1 + rho_k) x polarisation + the meter's offset; polarisation is quick and slow resistance (G. Plett,
Battery Management Systems, Vol. I, 2015: equivalent circuit) times the current through the group. At constant voltage
without a sensor the current is what keeps the string's mean at the voltage held. A bleeder pulls its own group down, so
near its limit it flickers, and the mean of minutes sees a part of it.

Everything is computed for many parameter sets at once, under whichever rule each: leading axis p. A report takes some
fifty steps a hundred times, with arrays so small that a call costs more than its sums: what does not change from step
to step is worked out first, and for each group. `tests/host/analysis/balancing/test_string_model.py` has the same model
written out plainly.
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
class Sets:
    """What holds for each of p parameter sets besides its numbers.

    Attributes:
        rule: the board's, one for all or (p,) of them.
        keeps_to: (p,) the set to whose current and lowest group each keeps, mostly its own: where a group's own
            parameters are varied, what all share stays as it is. None: each to its own.
        pieces: rows that belong together. A product with a matrix is rounded by how many rows it has, and a fit may
            hang on the last bit: so each piece has its own, and does not depend on what is computed beside it.
    """

    rule: str | NDArray[np.str_]
    keeps_to: NDArray[np.intp] | None = None
    pieces: tuple[slice, ...] = (slice(None),)


_Some = NDArray[np.intp] | slice


def _some(which: NDArray[np.intp], of: int) -> _Some:
    """The same rows; all of them as a slice, which copies nothing."""
    return slice(None) if len(which) == of else which


@dataclass(frozen=True, slots=True, eq=False)
class _Board:
    """The boards' rules, and what of them stays from mean to mean.

    Attributes:
        bleeding: the sets whose boards bleed at all.
        closing: of those, by their place among them, the sets in which the lowest group is left alone, c of b.
        level_v: (b, g) by the threshold, a group of this voltage bleeds half of the time.
        floor_v: (n, c, g) up to here a group counts among the lowest.
        per_v: steepness of a decision.
        most: (c, g) further above the floor, times per_v, nothing changes.
        back: (c, g) exp(-how far a group that bleeds pulls itself down, times per_v).
        scale: (b, g) of the product in `on`; of sets that close it is worked out anew from `among`, (c, g).
    """

    bleeding: _Some
    closing: _Some
    level_v: F64
    floor_v: F64
    per_v: float
    most: F64
    back: F64
    scale: F64
    among: F64

    @classmethod
    def of(cls, w: Window, common: Common, own: F64, soft_v: float, sets: Sets) -> _Board:
        """See `run`."""
        rules = np.broadcast_to(np.asarray(sets.rule), len(own))
        sensed = w.volts_v[:, None] + (own[:, 4] - own[:, 3])  # the meter's readings, as the board has them
        lowest = sensed.min(axis=2)  # (n, p)
        if sets.keeps_to is not None:
            lowest = lowest[:, sets.keeps_to]
        bleeding = np.flatnonzero(rules != "none")
        closing = np.flatnonzero(np.isin(rules[bleeding], CLOSING))
        close = bleeding[closing]
        turns = np.where(rules[close] == "odd_even", 2.0, 1.0)
        pull = 1.0 + turns * ((1.0 - common.slow) * common.full_v * common.bleed)[close] * (2.0 / soft_v)
        pull = np.repeat(pull[:, None], own.shape[2], axis=1)
        return cls(
            _some(bleeding, len(own)),
            _some(closing, len(bleeding)),
            (common.threshold_v[:, None] - SOFT_V - own[:, 4])[bleeding],
            lowest[:, close, None] + (ABOVE_LOWEST_V - own[close, 4]),
            2.0 / soft_v,
            np.minimum(pull + 40.0, 700.0),
            np.exp(-pull),
            np.full((len(bleeding), own.shape[2]), 0.5),
            0.5 / pull,
        )

    def on(self, idle_v: F64, k: int, out: F64) -> None:
        """(p, g) share of mean k that a group bleeds whose voltage would be idle_v if it did not, into `out`."""
        idle = idle_v[self.bleeding]
        above = np.tanh((idle - self.level_v) * (self.per_v / 4.0))
        if self.among.size:
            # From 0 to 1 while a group comes up by what it pulls itself down, corners rounded.
            far = np.exp(np.minimum((idle[self.closing] - self.floor_v[k]) * self.per_v, self.most))
            self.scale[self.closing] = self.among * (np.log1p(far) - np.log1p(far * self.back))
        out[self.bleeding] = self.scale + self.scale * above


@dataclass(slots=True, eq=False)
class _Charger:
    """The current, mean by mean, and the slow part of the polarisation that it leaves.

    Attributes:
        known: (n,) share of full current at a mean and its average until the next; None: what keeps the string's level.
        evenly: (g,) weights of the string's mean.
        quick_v, late_v: (p,) polarisation of full current.
        half: (p,) charge of half a mean at full current, in steps of a curve.
        slow: (p,) slow average of the current, of full.
        keeps_to, pieces: see `Sets`.
    """

    known: list[tuple[float, float] | None]
    evenly: F64
    set_v: float
    quick_v: F64
    late_v: F64
    half: F64
    slow: F64
    decay: float
    keeps_to: NDArray[np.intp] | None
    pieces: tuple[slice, ...]

    @classmethod
    def of(cls, w: Window, common: Common, curves: Curves, sets: Sets) -> _Charger:
        """See `run`."""
        known: list[tuple[float, float] | None] = [None if held else (1.0, 1.0) for held in w.held]
        if w.share is not None:
            known = list(zip(w.share, 0.5 * (w.share + np.append(w.share[1:], w.share[-1])), strict=True))
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
            sets.keeps_to,
            sets.pieces,
        )

    def _means(self, of: F64) -> F64:
        """(p,) over the groups."""
        out = np.empty(len(of))
        for piece in self.pieces:
            np.matmul(of[piece], self.evenly, out=out[piece])
        return out

    def step(self, k: int, open_v: F64, rise: F64) -> tuple[F64, F64]:
        """(p,) polarisation at mean k in V, and the average current until the next, of full.

        open_v, rise: (p, g) voltages without polarisation, and V per step of the curve there.
        """
        known, late = self.known[k], self.late_v * self.slow
        if known is None:
            level, rising = self._means(open_v), self._means(rise)
            if self.keeps_to is not None:
                level, rising = level[self.keeps_to], rising[self.keeps_to]
            left = np.maximum(self.set_v - level - late, 0.0)
            polar = np.minimum(left, self.quick_v) + late
            # Half a step on the level has risen: solved for, so that a long step does not overshoot.
            moved = np.minimum(left / (self.quick_v + rising * self.half), 1.0)
        else:
            polar, moved = self.quick_v * known[0] + late, np.full(len(late), known[1])
        self.slow = moved + (self.slow - moved) * self.decay
        return polar, moved


def run(w: Window, curves: Curves, common: Common, own: F64, guess: Guess, sets: Sets | None = None) -> Parts:
    """Step through the window.

    Args:
        w: the window, n means of g groups.
        curves: p curves, as `curves_of` gives them.
        common: p sets, as `split` gives them.
        own: (p, NG, g), likewise.
        guess: the board's rule, and how blurred it is seen; how slow polarisation is.
        sets: what differs from set to set besides, the rule too.
    """
    (p, _, g), n = own.shape, len(w.held)
    sets = sets or Sets(guess.rule)
    board, charger = _Board.of(w, common, own, guess.soft_v, sets), _Charger.of(w, common, curves, sets)
    bleed, ratio, decay = common.bleed[:, None], 1.0 + own[:, 1], charger.decay
    down_quick, down_late = ratio * charger.quick_v[:, None] * bleed, ratio * charger.late_v[:, None] * bleed
    down_late *= 1.0 - decay
    place, more, takes = curves.place(own[:, 0]), (1.0 + own[:, 2]) / curves.width, w.step_h * bleed / curves.width
    more *= w.step_h
    volts, places, rises, on = np.zeros((4, n, p, g))
    # Leads have their two parts in front, (2, p, g): long rows are quick to add up.
    lead, fades = np.broadcast_to(w.lead0[:, None, None], (2, p, g)), np.exp(-w.step_h / LEAD_H)[:, None, None]
    lead_places = common.lead_h[:, None] / curves.width * LEAD_SHARES[:, None, None]
    pull, late = np.zeros((2, p, g))  # what its bleeding takes from a group's voltage, and the slow part of that
    for k in range(n):
        places[k], slow = place, charger.slow
        open_v, rises[k] = curves.at(place + (lead_places * lead).sum(axis=0) if guess.lead else place)
        # What bleeds pulls the mean down, and the charger makes up for it.
        polar, moved = charger.step(k, open_v - pull, rises[k])
        idle = open_v + ratio * polar[:, None] - late
        board.on(idle, k, on[k])
        quick = down_quick * on[k]
        volts[k] = idle - quick
        place = place + moved[:, None] * more - takes * on[k]
        if guess.lead:
            flows = moved[:, None] - bleed * on[k]
            lead = flows + (lead - flows) * fades
        late = late * decay + down_late * on[k]
        pull = quick + late
    bled = np.tensordot((1.0 - decay) * decay ** np.arange(n - 1, -1, -1), on, axes=1)
    parts = volts + own[:, 3], (places - curves.zero) * curves.width, rises / curves.width, on
    volts, charge, slope, on = (np.swapaxes(part, 0, 1) for part in parts)
    return Parts(volts, charge, slope, on, bled, slow, np.ascontiguousarray(np.moveaxis(lead, 0, 2)))
