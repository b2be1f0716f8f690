"""What the pack holds: capacity from the charge moved between two rests."""

from __future__ import annotations

import numpy as np

from evenstring.analysis.results import Capacity, Phase, Unknown
from evenstring.analysis.series.charge_moved import charge_total_ah
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile

__all__ = ["find_capacity"]


_MODEL_SOC_U = 0.02  # standard uncertainty of a state of charge read from an assumed curve: our choice
_LEAST_DEPTH = 0.3  # between two rests, of the pack, for its capacity: our choice
_FLAT_V = 0.2  # V per 1.0 of SoC: our choice
_RELAXED_S = 1800.0  # a rest from which charge is read: common practice
_USUAL_V = 3.8  # at which the absolute uncertainty is taken: our choice


def _relaxed(phase: Phase) -> bool:
    return phase.kind == "rest" and phase.end_s - phase.start_s >= _RELAXED_S


def find_capacity(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError
) -> tuple[Capacity | None, Unknown | None]:
    """Charge moved between two relaxed rests over the change of the median group's state of charge."""
    record = "a rest of half an hour, a ride or charge over a third of the pack or more, and another rest, with current"
    if signals.current_a is None:
        return None, Unknown("capacity", "without a current sensor only ratios between groups show", record)
    if profile.parallel_strings > 1:
        return None, Unknown("capacity", "parallel strings exchange current: the charge is not this string's", record)
    rests = [p for p in phases if _relaxed(p)]
    if len(rests) < 2:
        return None, Unknown("capacity", "fewer than two rests of half an hour", record)
    curve = default_curve(profile.chemistry)
    ends = [int(np.flatnonzero(signals.time_s <= p.end_s)[-1]) for p in (rests[0], rests[-1])]
    soc = [float(curve.soc(float(np.median(signals.level_v[max(0, k - 20) : k + 1])))) for k in ends]
    depth = abs(soc[1] - soc[0])
    part = slice(ends[0], ends[1] + 1)
    if depth < _LEAST_DEPTH or signals.gap_after[part].any():
        return None, Unknown(
            "capacity", f"the two rests lie only {depth:.0%} of the pack apart, or the record has a gap", record
        )
    slopes = [float(curve.slope_v(s)) for s in soc]
    if min(slopes) < _FLAT_V:
        return None, Unknown("capacity", "at one of the rests the curve is too flat to tell the charge", record)
    moved = abs(charge_total_ah(signals.time_s[part], signals.current_a[part]))
    ah = moved / depth
    u_soc = np.sqrt(2 * _MODEL_SOC_U**2 + sum((meter.absolute_v(_USUAL_V) / s) ** 2 for s in slopes))
    u = ah * float(np.hypot(u_soc / depth, 0.01))
    return Capacity(ah, ah - 2 * u, ah + 2 * u, depth, profile.capacity_ah), None
