"""The pack's own sag as a stand-in for the current, where no sensor was fitted.

Two things can be had from the voltages alone:

* *Relative resistance*: from one scan to the next all groups see the same change of current, so the changes of two
  groups stand to each other as their resistances (step response dV/dI: G. Plett, Battery Management Systems, Vol. I,
  2015, with the current cancelled). The groups are read one after another, so each is compared with the ones read just
  before and after it, by a straight line through them in time: a mean over the scan would make a false gradient.
* *Charge moved, as a share of the capacity*: the voltage is OCV(SoC) + r i with the rate i in capacities an hour and r
  the resistance times the capacity. Given r, an observer steps SoC along: i is what explains the voltage, SoC is its
  sum. It forgets a wrong start within a quarter of an hour. r is the value for which SoC meets the curve at the rests.

No ampere, ohm or ampere-hour comes out of this: only shares and ratios.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import Phase
from evenstring.analysis.series.arrays import column_medians, one_way
from evenstring.analysis.series.charge_moved import counted_steps_s
from evenstring.analysis.series.lag import kept
from evenstring.analysis.series.resistance import UNKNOWN, both_passes_v, elsewhere
from evenstring.analysis.series.rest import REST_S
from evenstring.analysis.series.rows_of_phase import rows_of_kind
from evenstring.analysis.series.signals import Signals
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["Implied", "implied_rate", "relative_resistance", "resistance_by_charger"]

F64 = NDArray[np.float64]

# Step response of a typical cell: at once, within seconds, within a quarter of an hour (shares from memory): common
# practice.
_AT_ONCE, _QUICK, _SLOW = 1.0, 0.8, 0.8
_QUICK_S, _SLOW_S = 20.0, 600.0  # time constants of the latter two: common practice
_R_VH = np.geomspace(0.03, 0.6, 25)  # resistance times capacity, V h: 12 mohm and 20 Ah are 0.24: our choice
_R_USUAL_VH = 0.14  # where nothing tells: our choice
_MOST_C = 8.0  # no ride takes more than eight capacities an hour: our choice
_STEP_V = 0.010  # a change between two scans that counts: our choice
_NEAR = 4  # groups to either side: tuned on own packs under 100,000
# Rows to either side of where a charger starts, how far apart, and what settles or climbs in them, of a ratio
# and of what it is beyond 1: our choice
_EDGE_ROWS, _EDGE_S, _EDGE_FLOOR, _EDGE_SHARE = 4, 15.0, 0.03, 0.15
_ROUNDS = 400  # our choice
_LEAST_STEPS = 30  # of the load, or it hardly changed: our choice
# Of the ratio: ripple of the current between two readings, worst at the ends of the string: tuned on own packs
# under 100,000
_RATIO_FLOOR = 0.012
_STEP_S = 2.0  # between rows of the observer: our choice
_NEAR_S, _MOST_STEP_V = 5.0, 1.0  # two scans further apart are no step; a larger change is a contact: our choice
# Of a meter that states none; what a reading moves from scan to scan: tuned on own packs under 100,000
_NOISE_V, _NOISE_TIMES, _NOISE_BESIDE_V = 0.0005, 1.5, 0.0002
_U_TIMES = 3.0  # the ratios' errors hang together along the string: tuned on own packs under 100,000
# Of the resistance, a logarithm, against a miss of the curve, of SoC: tuned on own packs under 100,000
_BELIEF, _BELIEF_SOC = 1.5, 0.01
# Of SoC between two rests, and how far rates may be stretched to it: tuned on own packs under 100,000
_LEAST_MOVED, _STRETCH = 0.05, (0.6, 1.6)


@dataclass(frozen=True, slots=True, eq=False)
class Implied:
    """Rates (m,) in capacities an hour, charging positive, at the rows of `Signals`; SoC (m,); resistance x capacity.

    `anchored`: number of rests (or ends of charge) at which SoC was held to the curve.
    """

    rate_c: F64
    soc: F64
    r_vh: float
    anchored: int


def relative_resistance(session: Session) -> tuple[F64, F64] | None:
    """Resistance of each group over that of the median group, with standard uncertainty, (g,) each; no unit.

    None with fewer than six groups, or when the load hardly changed.
    """
    if session.groups < 6 or session.scans < _LEAST_STEPS:
        return None
    gram, steps = np.zeros((session.groups, session.groups)), 0
    for volts in both_passes_v(session):
        dv = np.diff(volts, axis=0)
        largest = np.abs(dv).max(axis=1)  # NaN where one was not read; where it is small, the median is
        use = (largest > _STEP_V) & (largest < _MOST_STEP_V) & (np.diff(session.time_s) < _NEAR_S)
        dv = dv[use].astype(np.float64)
        middle = np.median(dv, axis=1)
        dv = dv[(np.abs(middle) > _STEP_V) & one_way(dv, middle)]
        gram += dv.T @ dv
        steps += len(dv)
    if steps < _LEAST_STEPS:
        return None
    ratio = _against_neighbours(gram)
    noise_v = _NOISE_TIMES * (session.meter.noise_v or _NOISE_V) + _NOISE_BESIDE_V
    u = np.sqrt(2.0) * noise_v / np.sqrt(np.diag(gram)) * ratio
    return ratio, np.hypot(_U_TIMES * u, _RATIO_FLOOR)


def _against_neighbours(gram: F64) -> F64:
    """(g,) ratios that explain each group's changes by a line through its neighbours'; `gram`: (g, g) sums of products.

    A ratio that rises steadily along the string makes lines of lines, so nothing in the comparison holds it: from round
    to round noise would move it on without end. It stays as it is in the changes by themselves.
    """
    groups = len(gram)
    near, place = _weights(groups), np.arange(groups) - (groups - 1) / 2.0
    ratio = np.sqrt(np.diag(gram))
    ratio /= np.median(ratio)
    rises = place @ (1.0 / ratio) / (place @ place)
    for _ in range(_ROUNDS):
        mixed = near / ratio
        expected = np.einsum("gi,ij,gj->g", mixed, gram, mixed)
        inverse = expected / np.einsum("gi,ig->g", mixed, gram)
        inverse -= (place @ inverse / (place @ place) - rises) * place
        ratio = 1.0 / inverse
        ratio /= np.median(ratio)
    return ratio


def resistance_by_charger(session: Session, phases: tuple[Phase, ...]) -> tuple[F64, F64] | None:
    """The same, (g,) each, from where a charger starts after a rest: all groups take that step whole.

    Not from where one goes: bleeders' currents in the leads and a curve that gets steep are in that step. None where
    no step lifts the median group by `_STEP_V`, or with fewer than four groups.
    """
    starts = [cc.start_s for rest, cc in pairwise(phases) if (rest.kind, cc.kind) == ("rest", "charge_cc")]
    steps = []
    for at in np.searchsorted(session.time_s, starts):
        before, after = slice(max(0, at - 1 - _EDGE_ROWS), max(0, at - 1)), slice(at + 2, at + 2 + _EDGE_ROWS)
        rows = session.time_s[before.start : after.stop]
        if before.stop - before.start < _EDGE_ROWS or after.stop > session.scans or np.diff(rows).max() > _EDGE_S:
            continue
        sides = [column_medians(session.volts_v[side]) for side in (before, after)]
        step = sides[1] - sides[0]
        if np.isfinite(step).all() and np.median(step) > _STEP_V:
            steps.append(np.where(elsewhere(*(side - np.median(side) for side in sides)), np.nan, step))
    if not steps or session.groups < 4:
        return None
    middle = np.array([np.nanmedian(step) for step in steps])[:, None]
    known = np.isfinite(steps)
    power = np.sum(known * middle**2, axis=0)
    ratio = np.nansum(middle * np.array(steps), axis=0) / np.where(power > 0.0, power, np.nan)
    u = np.sqrt(2.0 / _EDGE_ROWS) * (session.meter.noise_v or _NOISE_V) / np.sqrt(np.maximum(power, _STEP_V**2))
    ratio /= np.nanmedian(ratio)
    u = np.sqrt(u**2 + _EDGE_FLOOR**2 + (_EDGE_SHARE * (np.nan_to_num(ratio, nan=1.0) - 1.0)) ** 2)
    return np.nan_to_num(ratio, nan=1.0), np.where(power > 0.0, u, UNKNOWN)


def _weights(groups: int) -> F64:
    """(g, g) weights of the straight line through a group's neighbours, read where the group itself stands."""
    out = np.zeros((groups, groups))
    for g in range(groups):
        others = np.array([j for j in range(max(0, g - _NEAR), min(groups, g + _NEAR + 1)) if j != g])
        design = np.column_stack([np.ones(len(others)), others - g])
        out[g, others] = np.linalg.pinv(design)[0]
    return out


def implied_rate(signals: Signals, profile: PackProfile, phases: tuple[Phase, ...]) -> Implied | None:
    """The rate of charge or discharge that explains the string's voltage; None when too little was recorded."""
    t, level = signals.time_s, signals.level_v
    if len(t) < 300:
        return None
    rows = _thinned(t)
    resting = rows_of_kind(t, phases, "rest")
    ends = [p.end_s for p in phases if p.kind == "rest" and p.end_s - p.start_s >= REST_S]
    anchors = [int(np.searchsorted(t[rows], end, side="right")) - 1 for end in ends]
    table = default_curve(profile.chemistry).table_v
    soc, rate, surface = _observe(t[rows], level[rows], resting[rows], table)
    r = _best_resistance(soc, surface, anchors)
    one_rate, one_soc = rate[:, r], soc[:, r]
    one_rate = _held_to(one_rate, one_soc, surface[:, r], anchors)
    return Implied(np.interp(t, t[rows], one_rate), np.interp(t, t[rows], one_soc), float(_R_VH[r]), len(anchors))


def _thinned(t: F64) -> NDArray[np.int64]:
    """Rows at least two seconds apart: enough for a sum, and half the work."""
    return np.flatnonzero(np.diff(np.floor(t / _STEP_S), prepend=-1.0) > 0)


def _observe(t: F64, level: F64, resting: NDArray[np.bool_], table_v: F64) -> tuple[F64, F64, F64]:
    """(m, k) SoC, rate and the SoC that the voltage shows, for each of the k resistances."""
    grid = np.linspace(0.0, 1.0, len(table_v))
    soc = np.full(len(_R_VH), float(np.interp(level[0], table_v, grid)))
    quick, slow = np.zeros(len(_R_VH)), np.zeros(len(_R_VH))
    step = counted_steps_s(t)
    keep_quick, keep_slow = kept(np.diff(t, prepend=t[0]), (_QUICK_S, _SLOW_S)).T
    shape = (len(t), len(_R_VH))
    all_soc, all_rate, all_surface = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for k in range(len(t)):
        left = _QUICK * quick + _SLOW * slow
        rate = np.zeros(len(_R_VH))
        if not resting[k]:
            rate = ((level[k] - np.interp(soc, grid, table_v)) / _R_VH - left) / _AT_ONCE
            rate = np.minimum(np.maximum(rate, -_MOST_C), _MOST_C)  # of so few numbers quicker than np.clip
        quick = rate + (quick - rate) * keep_quick[k]
        slow = rate + (slow - rate) * keep_slow[k]
        soc = np.minimum(np.maximum(soc + rate * (step[k] / 3600.0), 0.0), 1.0)
        all_rate[k], all_soc[k] = rate, soc
        all_surface[k] = level[k] - _R_VH * (_QUICK * quick + _SLOW * slow)
    return all_soc, all_rate, np.interp(all_surface, table_v, grid)


def _best_resistance(soc: F64, surface: F64, anchors: list[int]) -> int:
    """Column for which SoC meets the curve at the rests; the usual one where nothing tells."""
    inner = [k for k in anchors if k > 0.02 * len(soc)]
    if not inner:
        return int(np.argmin(np.abs(_R_VH - _R_USUAL_VH)))
    miss = np.sum((soc[inner] - surface[inner]) ** 2, axis=0)
    belief = (np.log(_R_VH / _R_USUAL_VH) / _BELIEF) ** 2 * _BELIEF_SOC**2
    return int(np.argmin(miss + belief))


def _held_to(rate: F64, soc: F64, surface: F64, anchors: list[int]) -> F64:
    """Rates between two rests, stretched so that they move the charge that the curve says."""
    out = rate.copy()
    for a, b in pairwise(anchors):
        moved = float(soc[b] - soc[a])
        wanted = float(surface[b] - surface[a])
        if abs(moved) > _LEAST_MOVED and _STRETCH[0] < wanted / moved < _STRETCH[1]:
            out[a + 1 : b + 1] *= wanted / moved
    return out
