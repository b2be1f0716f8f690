"""The charger: what it holds, how that lies to full and to the bleed threshold, and how long it stayed after its light.

A charger set a little low never lets the string balance; one set high eats into the ceiling. The decision hangs on a
few millivolts a group of 4.2 V, so it is made only where the meter's absolute uncertainty is at most half the margin.
"""

from __future__ import annotations

import numpy as np

from evenstring.analysis.charging.charge_end import charge_spans, done_light_a, light_at_s
from evenstring.analysis.results import Balancing, Charger, ChargerSetting, Phase
from evenstring.analysis.series.rows_of_phase import rows_in
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.profile import PackProfile

__all__ = ["find_charger", "without_charger"]

_RIGHT_V = 0.010  # a group: the band in which a set point counts as right: our choice

# Of the done light: a charger that goes with it goes from about there, one that is held tapers on: our choice
_AT_LIGHT = (0.5, 1.5)
_GONE = 0.2  # of the done light: no current flows any more: our choice
_GONE_ROWS = 6  # looked at after the end, from the second on: our choice


def find_charger(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError, balancing: Balancing
) -> Charger | None:
    """From the last charge that reached its constant-voltage part; None without one."""
    spans = [s for s in charge_spans(phases) if s[-1].kind == "charge_cv" and s[-1].end_s - s[-1].start_s >= 60.0]
    if not spans:
        return None
    span = spans[-1]
    inside = rows_in(signals.time_s, span[-1])
    read = signals.volts_v[inside]
    read = read[np.isfinite(read).any(axis=1)]
    if not len(read):
        return None
    mean = float(np.median(np.nanmean(read, axis=1)))
    # The mean of many groups: offsets average out, the common gain does not.
    groups = signals.volts_v.shape[1]
    u = float(np.hypot(meter.channel_v / np.sqrt(groups), meter.gain * mean))
    light = light_at_s(signals, profile, span)
    hold = None if light is None else max(0.0, span[-1].end_s - light)
    needed = None
    if light is not None and balancing.at_s is not None:
        if balancing.state == "balanced":
            needed = 0.0
        elif balancing.remaining_s is not None:
            needed = max(0.0, balancing.at_s + balancing.remaining_s - light)
    return Charger(
        plateau_v=mean * groups,
        plateau_per_group_v=mean,
        set=_set(mean - profile.full_v, u),
        hold_after_light_s=hold,
        hold_needed_s=needed,
        current_a=_constant_current(signals, span),
        reaches_balancer=_reaches(mean - profile.threshold_v, u),
        u_per_group_v=u,
        leaves_with_light=_leaves(signals, profile, span),
    )


def without_charger(balancing: Balancing, charger: Charger | None) -> Balancing:
    """The answer "never, as it is" where the charger goes with its light: nothing is left that balances."""
    if charger is None or not charger.leaves_with_light or balancing.state != "converging":
        return balancing
    why = "the charger leaves with its light, and what balances goes with it"
    return balancing.without_time("never", "not_converging", why)


def _leaves(signals: Signals, profile: PackProfile, span: tuple[Phase, ...]) -> bool | None:
    """Whether the current fell from about the done light to nothing at once; None where that cannot be seen."""
    if signals.current_a is None:
        return None
    inside = np.flatnonzero(rows_in(signals.time_s, span[-1]))
    amps = signals.current_a
    light_a = done_light_a(signals, profile, inside)
    flowing = inside[amps[inside] > _GONE * light_a]
    if not len(flowing) or flowing[-1] + 2 >= len(amps):
        return None
    before = float(np.median(amps[flowing[-4:-1]])) if len(flowing) > 3 else float(amps[flowing[-1]])
    after = amps[flowing[-1] + 2 : flowing[-1] + 2 + _GONE_ROWS]
    low, high = (share * light_a for share in _AT_LIGHT)
    return bool(low <= before <= high and np.nanmax(np.abs(after)) < _GONE * light_a)


def _set(away_v: float, u: float) -> ChargerSetting:
    margin = abs(abs(away_v) - _RIGHT_V)
    if u > margin / 2:
        return "unknown"
    if abs(away_v) <= _RIGHT_V:
        return "right"
    return "low" if away_v < 0 else "high"


def _reaches(away_v: float, u: float) -> bool | None:
    return None if abs(away_v) < 2 * u else away_v > 0


def _constant_current(signals: Signals, span: tuple[Phase, ...]) -> float | None:
    if signals.current_a is None or span[0].kind != "charge_cc":
        return None
    inside = rows_in(signals.time_s, span[0])
    return float(np.median(signals.current_a[inside])) if inside.any() else None
