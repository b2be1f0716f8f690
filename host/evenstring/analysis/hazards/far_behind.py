"""A group far behind in charge, by the top of a charge or the rest after it, whatever cause it is given.

A gap this wide does not come from scatter or from a few missed charges: a board bleeds some tenths of a percent an hour
(50 mA of 20 Ah: a quarter), so it was months in the making or came at once. What made it is found before more charging.
"""

from __future__ import annotations

import numpy as np

from evenstring.analysis.results import Balancing, Charge, Hazard, Phase, Weakness
from evenstring.analysis.series.chances import chance_above
from evenstring.analysis.series.curve_slope import SLOPE_SCALE_U, slope_at_level_v
from evenstring.analysis.series.rows_of_phase import between
from evenstring.analysis.series.signals import Signals
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile

__all__ = ["far_behind_by_cause", "find_far_behind"]

# Of capacity: more than a string that is used and charged to its end comes to, and 30 h of 50 mA for 20 Ah: our choice
_FAR_PERCENT = 8.0
_U = 0.2  # standard uncertainty of the gap, for the curve is seldom this cell's own: our choice
_REST_S, _LATE = 300.0, 3  # of rest after the charge, and the last part in so many of it counts: our choice
_FLAT_V = 0.3  # V per 1.0 of SoC: under it volts say little of charge: our choice
_Z90 = 1.645  # published (normal distribution, 90 % two-sided)
_SURELY = 0.7  # of the cause, which is likely then: our choice
_MOST = 0.95  # the highest confidence that is stated: our choice


def find_far_behind(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], balancing: Balancing, charge: Charge
) -> tuple[Hazard, ...]:
    """The lowest group at the end of the charge, where its gap is more likely than not beyond what is let pass.

    A charge that a high group ended before the others were full has no held end: then by the rest after it.
    """
    if balancing.gap_percent is not None and charge.lowest_group is not None:
        return _behind(charge.lowest_group, abs(balancing.gap_percent), _U, balancing.spread_mv)
    if charge.ended != "stopped_early" or len(phases) < 2 or phases[-1].kind != "rest":
        return ()
    rest = phases[-1]
    length_s = rest.end_s - rest.start_s
    late = between(signals.time_s, rest.end_s - length_s / _LATE, rest.end_s) & np.isfinite(signals.volts_v).all(axis=1)
    if length_s < _REST_S or not phases[-2].kind.startswith("charge") or not late.any():
        return ()
    volts = signals.volts_v[late].mean(axis=0)
    lowest = int(volts.argmin())
    if slope_at_level_v(profile, float(volts[lowest])) < _FLAT_V:
        return ()
    curve = default_curve(profile.chemistry)
    gap = 100.0 * float(curve.soc(volts.max()) - curve.soc(volts[lowest]))  # of the fullest, as at a held end
    return _behind(lowest + 1, gap, SLOPE_SCALE_U, 1e3 * float(np.ptp(volts)))


def far_behind_by_cause(weakness: tuple[Weakness, ...], told: tuple[Hazard, ...]) -> tuple[Hazard, ...]:
    """Groups that are likely to lack so much charge, of which no hazard is told yet."""
    known = {h.group for h in told}
    less = [w for w in weakness if w.cause == "charge_offset" and w.size < 0 and w.confidence >= _SURELY]
    found = [_behind(w.group, -w.size, (w.size_high - w.size_low) / (2.0 * _Z90 * -w.size), None)
             for w in less if w.group not in known]  # fmt: skip
    return tuple(h for hazards in found for h in hazards)


def _behind(group: int, gap: float, relative: float, seen_mv: float | None) -> tuple[Hazard, ...]:
    """`gap`: percent of capacity behind; `relative`: its standard uncertainty."""
    sure = chance_above(gap, relative * gap, _FAR_PERCENT)
    if sure < 0.5:
        return ()
    half = _Z90 * relative * gap
    low, sure = max(gap - half, 0.0), round(min(sure, _MOST), 3)
    return (Hazard("far_behind", group, gap, "%", low, gap + half, sure, seen_mv=seen_mv),)
