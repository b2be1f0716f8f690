"""A group that comes to the top of a charge long before the next, where a rest says nothing about it.

On the flat curve of iron phosphate groups look alike at rest whatever they hold, and one that is first to its steep end
stops the charge there. How much more it holds than the next is the charge that flowed since it stood where that one
stands at the end: time and current tell it, and no curve is needed. What it always read above the others under this
current, by its resistance or by the meter, is taken off first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.hazards.stays_above import OVER_V, SUSPECT_MOST, judged
from evenstring.analysis.results import Hazard, Phase
from evenstring.analysis.series.chances import chance_above
from evenstring.analysis.series.rows_of_phase import between
from evenstring.analysis.series.signals import Signals
from evenstring.chemistry import CHEMISTRIES
from evenstring.profile import PackProfile

__all__ = ["find_leads_at_top"]

F64 = NDArray[np.float64]
_LEAST_ROWS = 20  # our choice
_MIDDLE = (0.2, 0.6)  # part of the charge by which it is known what a group always reads above: our choice
_END_S = 4.0  # averaged over, at the end: our choice
_STANDS_V, _APART_V = 0.003, 0.012  # where it counts as above the next; and at the end, at least: our choice
_LEAD_PERCENT = 0.6  # of capacity, more than makers and boards leave: tuned on published cells (`tuned`, `withheld`)
_U, _BY_LABEL_U = 0.12, 0.25  # relative, of a lead: with a current sensor, and by the charger's label: our choice
_Z90 = 1.645  # published (normal distribution, 90 % two-sided)


@dataclass(frozen=True, slots=True)
class _Lead:
    """A group, counted from 0, that leads by so many seconds; its reading at the end, and above the next, V."""

    group: int
    seconds: float
    top_v: float
    above_v: float


def find_leads_at_top(signals: Signals, profile: PackProfile, phases: tuple[Phase, ...]) -> tuple[Hazard, ...]:
    """The group that leads at the end of the last charge, where that ended before its voltage was held."""
    charges = [p for p in phases if p.kind.startswith("charge")]
    flat = CHEMISTRIES[profile.chemistry].judged_by_charge
    if not flat or not charges or charges[-1].kind != "charge_cc" or not judged(signals, profile):
        return ()
    rows = np.flatnonzero(
        between(signals.time_s, charges[-1].start_s, charges[-1].end_s) & np.isfinite(signals.volts_v).all(axis=1)
    )[:-1]  # the last may lie half in the rest after it
    if len(rows) < _LEAST_ROWS:
        return ()
    amps = profile.charger_current_a if signals.current_a is None else float(np.median(signals.current_a[rows[-20:]]))
    if amps is None or not amps > 0.0:
        return ()
    lead = _lead(signals.time_s[rows], signals.volts_v[rows], signals.step_s)
    if lead is None or lead.above_v < _APART_V or lead.top_v < profile.threshold_v + OVER_V:
        return ()
    percent = 100.0 * amps * lead.seconds / 3600.0 / profile.capacity_ah
    relative = _BY_LABEL_U if signals.current_a is None else _U
    sure = round(min(chance_above(percent, relative * percent, _LEAD_PERCENT), SUSPECT_MOST), 3)
    if sure < 0.5:
        return ()
    low, high = percent * (1.0 - _Z90 * relative), percent * (1.0 + _Z90 * relative)
    return (Hazard("alone_above", lead.group + 1, percent, "%", low, high, sure, seen_mv=1e3 * lead.above_v),)


def _lead(time_s: F64, volts_v: F64, step_s: float) -> _Lead | None:
    """None where no group came from where the next one stands at the end."""
    away = volts_v - np.median(volts_v, axis=1, keepdims=True)
    first, last = (int(share * len(time_s)) for share in _MIDDLE)
    own = volts_v - np.median(away[first:last], axis=0)
    many = max(1, round(_END_S / step_s))
    end = own[-many:].mean(axis=0)
    g, above = int(end.argmax()), float(end.max() - np.sort(end)[-2])
    stood = np.flatnonzero(own[:, g] < end[g] - above + _STANDS_V)
    if not len(stood) or stood[-1] + 1 >= len(time_s):
        return None
    return _Lead(g, float(time_s[-1] - time_s[stood[-1] + 1]), float(volts_v[-many:, g].mean()), above)
