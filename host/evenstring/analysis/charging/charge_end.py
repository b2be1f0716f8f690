"""How each charge ended. Precedence: ceiling cut, uneven or charger low, full, interrupted in CV, stopped before CV.

A constant voltage holds the sum: one low group barely lifts the others, the current tapers all the same, and the light
comes on. So `full` also needs every group near full. That a charge ended *by itself* is claimed only when a group was
at its ceiling, within the meter's absolute uncertainty; who pulled the plug does not show in voltages. Nor does it
show, without a sensor, whether the charger is still there where the voltage is held to the end of the recording for
over an hour, or its end would leave no step: it may have gone while hardly any current flowed. Nor whether a charge
that stopped at full had been held for a while. Nor, with a sensor, whether a taper that was left between C/10 and
C/25 was interrupted or was done, where nobody gave the charger's light.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.charging.level_clues import PLATEAU_S, seen_for_s, slowed_for_s, start_jump_v, stop_step_v
from evenstring.analysis.charging.lowest_lag import lowest_lag_percent
from evenstring.analysis.results import Balancing, Charge, EndKind, Phase
from evenstring.analysis.series.arrays import column_means, rolling_median
from evenstring.analysis.series.charge_moved import charge_total_ah
from evenstring.analysis.series.rest import rest_current_a
from evenstring.analysis.series.rows_of_phase import rows_in
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.chemistry import CHEMISTRIES
from evenstring.ocv import default_curve
from evenstring.profile import PackProfile

__all__ = [
    "charge_spans",
    "done_light_a",
    "find_charges",
    "light_at_s",
    "near_full_v",
    "told_phases",
    "without_standstill",
]

F64 = NDArray[np.float64]
_NEAR_FULL_V, _NEAR_FULL_CHARGE = 0.030, 0.03  # every group this near to full, or the charge was not full: our choice
_EVEN_V = 0.010  # so near under the median, the target of balancing, a group is no uneven one: our choice
# Of a held current: what fell by no more is no taper; and a sensor's scale, or a light as given, is this far off: our
# choice
_FELL, _SCALED = 0.8, 1.4
_NEARLY = 0.9  # of the time after which a held voltage counts as full: our choice
_SMALL_STEP = 0.25  # of the jump with which a charge began: the current that ended was another: our choice
_LATE_S = 300.0  # at the end, for a current too small to be read at once: our choice
_EDGE_S = 10.0  # averaged at the end: our choice
# Absolute standard uncertainties: 99 of 100 cuts at the ceiling are read this near to it: published (normal
# distribution, 99 % two-sided: 2.576)
_AT_CEILING_U = 2.6
# A group this near to the highest, or lowest, may have been the cause: tuned on own sessions under 300,000
_CAUSE_V = 2.5e-3
_LEAST_MARGIN_V = 3e-3  # under the ceiling, at least: tuned on own sessions under 300,000
# A charger that goes in the very moment, or the row, in which a group would have met its ceiling was stopped by it: our
# choice
_MOMENT_S = 20.0
_FEW_ROWS = 5.5  # longer than that: a voltage held for so many is none yet: tuned on published cells (`withheld`)
_HIGHER_V = 10e-3  # of a group in the row that holds the cut, over its highest before: our choice
_TAPER_C, _ENDING = 1.0 / 25.0, 4  # of the capacity in A, and rows at the end: common practice
_EARLY_LIGHT_C = 1.0 / 10.0  # of the capacity in A: chargers end the taper there at the earliest: common practice
# Of the done light: above the first a charger delivers, under the second the taper is done, as a sensor with its gain
# and its zero reads it: our choice
_DELIVERS, _TAPERED = 1.2, 1.15
# Under full, of a mean group in charge, for a voltage that may be held; where the curve is steep at its top: our choice
_NEAR_HELD_V, _NEAR_HELD_BY_CHARGE_V = 0.010, 0.1
_MOSTLY = 0.9  # of a charge's rows have no greater current: our choice
_FAR_GREATER = 2.0  # times the light, of a current that tapered to it: our choice
_FALLEN = 0.86  # of the current in rows that fall one by one: a taper, and no swing: our choice
_FALLING = 6  # rows whose middle ratio tells how quickly the taper falls: our choice
_BENDS = 3.0  # a rise from row to row over the one before it, at most: our choice
_STOP_STEP_V = 5e-3  # of the level when a charger that delivered stops: tuned on own sessions under 300,000


def charge_spans(phases: tuple[Phase, ...]) -> list[tuple[Phase, ...]]:
    """Charges: runs of charge phases that follow on each other."""
    spans: list[list[Phase]] = []
    for phase in phases:
        if not phase.kind.startswith("charge"):
            continue
        follows = spans and phase.start_s - spans[-1][-1].end_s < 1e-6 and phase.kind == "charge_cv"
        if follows:
            spans[-1].append(phase)
        else:
            spans.append([phase])
    return [tuple(s) for s in spans]


def find_charges(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError
) -> tuple[Charge, ...]:
    """Every charge of the session, in order."""
    found = []
    for span in charge_spans(phases):
        inside = np.flatnonzero(rows_in(signals.time_s, *span))
        if np.isfinite(signals.volts_v[inside]).any():  # else a charge in which no group was read: nothing to say
            found.append(_one(signals, profile, span, meter, inside))
    return tuple(found)


def _one(
    signals: Signals, profile: PackProfile, span: tuple[Phase, ...], meter: MeterError, inside: NDArray[np.int64]
) -> Charge:
    read = inside[np.isfinite(signals.volts_v[inside]).any(axis=1)]
    volts, peak = _settled_end(signals, read)
    lowest, highest = int(np.nanargmin(volts)), int(np.nanargmax(peak))
    u = meter.absolute_v(profile.ceiling_v)
    ended, causes = _how(signals, profile, span, inside, volts, peak, _soon_v(signals, read), u)
    known_a = signals.current_a is not None
    amps = signals.current_a[inside] if signals.current_a is not None else None
    low = float(volts[lowest])
    return Charge(
        ended=ended,
        cause_group=causes[0] if causes else None,
        cause_groups=causes,
        lowest_group=lowest + 1,
        highest_group=highest + 1,
        pack_v_end=float(np.nansum(volts)),
        start_s=span[0].start_s,
        end_s=span[-1].end_s,
        by_itself=ended == "stopped_early",
        lowest_v_end=low,
        highest_v_end=float(peak[highest]),
        current_end_a=float(np.median(amps[-5:])) if known_a and amps is not None else None,
        charged_ah=None if amps is None else charge_total_ah(signals.time_s[inside], amps),
        short_ah=_short_ah(profile, low) if ended in ("ended_uneven", "stopped_early") else None,
        lowest_lag_percent=lowest_lag_percent(signals, profile, span, inside),
        light_at_s=light_at_s(signals, profile, span),
        done_light_a=None if amps is None else done_light_a(signals, profile, inside),
    )


def _may_have_gone_unseen(charge: Charge) -> bool:
    """Whether the charger may have gone from a held voltage, without a sensor, and left no step."""
    return charge.ended == "cannot_tell" and charge.current_end_a is None


def told_phases(phases: tuple[Phase, ...], charge: Charge, signals: Signals, profile: PackProfile) -> tuple[Phase, ...]:
    """Phases, less what is not told of a voltage held to the end: from where the charger may have gone unseen."""
    if not _may_have_gone_unseen(charge) or not phases or phases[-1].kind != "charge_cv":
        return phases
    held = phases[-1]
    began = replace(held, start_s=charge.start_s or held.start_s)
    sure_s = held.start_s + min(seen_for_s(signals, profile, (began, held)), held.end_s - held.start_s)
    why = "held by the charger, or left alone: without a current sensor this cannot be told"
    return (*phases[:-1], replace(held, end_s=sure_s), Phase("unknown", sure_s, held.end_s, why))


def without_standstill(balancing: Balancing, charge: Charge) -> Balancing:
    """No "never" where the charger may have gone unseen: a spread that stands still tells nothing then."""
    if not _may_have_gone_unseen(charge) or balancing.answer not in ("never", "over_24_h"):
        return balancing
    why = "the charger may have gone unseen before the end, so a spread that stands still tells nothing"
    return balancing.without_time("none", "not_reached", *balancing.reasons, why)


def _settled_end(signals: Signals, inside: NDArray[np.int64]) -> tuple[F64, F64]:
    """(g,) voltages at the end: mean of the last seconds, and each group's highest (median of three) there."""
    rows = inside[signals.time_s[inside] >= signals.time_s[inside[-1]] - _EDGE_S]
    mean = column_means(signals.volts_v[rows])
    # The very last row may hold readings from after the cut: the median of the three highest of a few rows counts.
    few = inside[signals.time_s[inside] >= signals.time_s[inside[-1]] - max(6.0, 3 * signals.step_s)]
    tail = np.sort(np.nan_to_num(signals.volts_v[few[-8:]], nan=-9.0), axis=0)
    return np.asarray(mean), np.asarray(np.fmax(tail[-min(2, len(tail))], mean))


def _soon_v(signals: Signals, inside: NDArray[np.int64]) -> F64:
    """(g,) V that each group would still have risen by in the moment, or row, after the last row of a charge.

    By a line through its last rows, where that rises clearly; by as many times its last rise as that was of the one
    before, where a row takes longer than a moment (a curve that bends up); by its own reading in the row of the cut,
    where that is higher by far.
    """
    last = inside[-1]
    rows = inside[signals.time_s[inside] >= signals.time_s[last] - max(_MOMENT_S, 3 * signals.step_s)]
    t = signals.time_s[rows] - signals.time_s[rows].mean()
    volts = signals.volts_v[rows].astype(np.float64)
    volts = np.nan_to_num(volts - column_means(volts))
    if len(rows) < 3 or not t.any():
        return np.zeros(volts.shape[1])
    slope = t @ volts / (t @ t)
    slope = np.where(slope > 3.0 * signals.reading_noise_v / np.sqrt(t @ t), slope, 0.0)
    soon = slope * max(_MOMENT_S, signals.step_s)
    if signals.step_s > _MOMENT_S:
        before, rise = np.diff(volts[-3:], axis=0)
        times = np.clip(rise / np.maximum(before, 1e-6), 1.0, _BENDS)
        soon = np.fmax(soon, np.where(rise > before, times * rise, 0.0) * (slope > 0.0))
    cut = signals.volts_v[last + 1 : last + 2] - np.nanmax(np.nan_to_num(signals.volts_v[rows], nan=-9.0), axis=0)
    seen = np.nan_to_num(cut[0]) if len(cut) else np.zeros(len(soon))
    return np.where(seen > _HIGHER_V, np.fmax(soon, seen), soon)


def _how(
    signals: Signals,
    profile: PackProfile,
    span: tuple[Phase, ...],
    inside: NDArray[np.int64],
    volts: F64,
    peak: F64,
    soon_v: F64,
    u: float,
) -> tuple[EndKind, tuple[int, ...]]:
    if inside[-1] >= len(signals.time_s) - 2:
        if _no_current_shows(signals, profile, inside):  # the charger may have gone in the last minutes
            done = _when_tapered(profile, volts)
            sure = done[0] == "full" or done[0] == _when_tapered(profile, volts + max(u, _LEAST_MARGIN_V))[0]
            return done if sure else ("cannot_tell", ())
        return "cannot_tell" if _end_may_hide(signals, profile, span) else "still_charging", ()
    met = peak + soon_v
    first = int(np.nanargmax(met))
    top = float(met[first])
    wanted = span[-1].kind != "charge_cv" or _wanted_more(signals, profile, inside)
    least_v = profile.ceiling_v - max(_AT_CEILING_U * u, _LEAST_MARGIN_V)
    # A light that nobody gave is read off this very end: what was read at its ceiling there has ended it.
    read_off = done_light_a(signals, profile, inside) > profile.done_light_a
    if (wanted and top >= least_v) or (read_off and float(np.nanmax(peak)) >= least_v):
        # Any group within two uncertainties of a difference of the highest may have been the one; what it would still
        # have risen by was not measured.
        return "stopped_early", _nearest_first(met, top - _CAUSE_V - float(soon_v[first]) / 2)
    if span[-1].kind != "charge_cv" and not _done_unseen(signals, profile, inside):
        return _before_cv(signals, profile, inside, float(np.nanmax(peak))), ()
    if not _tapered(signals, profile, span):
        cut = signals.current_a is None and top >= least_v  # by a board, of a current too small to leave a clear step
        return "cannot_tell" if cut or _may_be_another(signals, profile, span, inside) else "interrupted_in_cv", ()
    return _when_tapered(profile, volts)


def _no_current_shows(signals: Signals, profile: PackProfile, inside: NDArray[np.int64]) -> bool:
    """Whether the end of a charge has no more current than counts as rest, by a sensor."""
    if signals.current_a is None:
        return False
    late = inside[signals.time_s[inside] > signals.time_s[inside[-1]] - _LATE_S]
    return abs(float(np.median(signals.current_a[late]))) <= rest_current_a(profile)


def _end_may_hide(signals: Signals, profile: PackProfile, span: tuple[Phase, ...]) -> bool:
    """Whether a voltage held to the end of the recording may be that of a pack whose charger went unseen."""
    held = span[-1]
    seen_s = seen_for_s(signals, profile, span)
    return signals.current_a is None and held.kind == "charge_cv" and held.end_s - held.start_s > seen_s


def near_full_v(profile: PackProfile) -> float:
    """Voltage from which a group at the end of a charge counts as full: 30 mV under full, or by charge within 3 %.

    The latter where the curve is so steep at its top that millivolts say nothing (lithium iron phosphate).
    """
    if not CHEMISTRIES[profile.chemistry].judged_by_charge:
        return profile.full_v - _NEAR_FULL_V
    curve = default_curve(profile.chemistry)
    return float(curve.voltage_v(curve.soc(profile.full_v) - _NEAR_FULL_CHARGE))


def _when_tapered(profile: PackProfile, volts: F64) -> tuple[EndKind, tuple[int, ...]]:
    """The taper ran its course: full, or not, by where the groups stand."""
    low = float(np.nanmin(volts))
    least = near_full_v(profile)
    if float(np.nanmedian(volts)) < least:
        return "charger_low", ()
    if low < min(least, float(np.nanmedian(volts)) - _EVEN_V):
        return "ended_uneven", _nearest_first(-volts, -low - _CAUSE_V)
    return "full", ()


def _nearest_first(values: F64, least: float) -> tuple[int, ...]:
    order = np.argsort(-np.nan_to_num(values, nan=-np.inf))
    return tuple(int(k) + 1 for k in order if np.isfinite(values[k]) and values[k] >= least)


def _wanted_more(signals: Signals, profile: PackProfile, inside: NDArray[np.int64]) -> bool:
    """Whether the charger was still delivering: by its current, else by the step when it stopped."""
    if signals.current_a is not None:
        light_a = done_light_a(signals, profile, inside)
        return bool(np.median(signals.current_a[inside[-4:]]) > _DELIVERS * light_a)
    step_v = stop_step_v(signals, inside)
    return step_v is not None and step_v > _STOP_STEP_V


def _before_cv(signals: Signals, profile: PackProfile, inside: NDArray[np.int64], top_v: float) -> EndKind:
    """How a charge ended in which no held voltage was found, and no group read at its ceiling; `top_v`: the highest."""
    by_charge, sparse = CHEMISTRIES[profile.chemistry].judged_by_charge, signals.step_s > _MOMENT_S
    if by_charge and sparse:
        return "cannot_tell"  # between two rows a group shoots up to its ceiling
    if signals.current_a is not None and sparse and _falls(signals.current_a[inside]):
        return "interrupted_in_cv"
    # So near to full the voltage may have been held for a while; a board whose ceiling nobody gave may have had enough
    # of a group above full; on a curve that shoots up, one met its ceiling between two rows.
    last = signals.volts_v[inside[-4:]] if by_charge else signals.level_v[inside[-4:], None]
    near_v = _NEAR_HELD_BY_CHARGE_V if by_charge else _NEAR_HELD_V
    near = float(np.nan_to_num(column_means(last)).max()) >= profile.full_v - near_v
    if near or (top_v >= profile.full_v and "limits.ceiling_v" in profile.defaults):
        return "cannot_tell"
    if signals.current_a is not None:
        return "stopped_before_cv"
    # Where a small step ends it, a charger may be left.
    jump_v = start_jump_v(signals, float(signals.time_s[inside[0]]))
    step_v = stop_step_v(signals, inside)
    small = jump_v is not None and step_v is not None and step_v < _SMALL_STEP * jump_v
    return "cannot_tell" if small else "stopped_before_cv"


def _falls(amps: F64) -> bool:
    """Whether the last rows fall one by one, and far in all: a taper of which so few rows are no phase."""
    rows = np.maximum(amps, 1e-6)
    down = np.append(0, np.flatnonzero(rows[1:] >= rows[:-1]) + 1)[-1]
    return len(rows) - down >= _ENDING and bool(rows[-1] <= _FALLEN * rows[down])


def _done_unseen(signals: Signals, profile: PackProfile, inside: NDArray[np.int64]) -> bool:
    """Whether a current that was far greater had fallen to the light that the owner gave, though nothing looks held."""
    if signals.current_a is None or "charger.done_light_a" in profile.defaults:
        return False
    amps = signals.current_a[inside]
    return bool(np.median(amps[-3:]) <= profile.done_light_a < np.quantile(amps, _MOSTLY) / _FAR_GREATER)


def _tapered(signals: Signals, profile: PackProfile, span: tuple[Phase, ...]) -> bool:
    if signals.current_a is None:
        return span[-1].end_s - span[-1].start_s >= PLATEAU_S
    inside = np.flatnonzero(rows_in(signals.time_s, span[-1]))
    amps = signals.current_a[inside]
    light_a = done_light_a(signals, profile, inside)
    return bool(len(amps) and _ended_a(amps) <= _TAPERED * light_a) or light_at_s(signals, profile, span) is not None


def _may_be_another(signals: Signals, profile: PackProfile, span: tuple[Phase, ...], inside: NDArray[np.int64]) -> bool:
    """Whether a taper that was left may have been done, or none.

    Without a sensor a voltage may have been held for longer than it looks flat, since leads hide its corner, and a few
    rows of a minute look flat where a curve does for a while. With one, its scale may be off, or the light that was
    given; and what hardly fell may be a stage or a swing of the charger.
    """
    if signals.current_a is None:
        few = signals.step_s > _MOMENT_S and span[-1].end_s - span[-1].start_s < _FEW_ROWS * signals.step_s
        return few or slowed_for_s(signals, inside) >= _NEARLY * PLATEAU_S
    held_a = signals.current_a[rows_in(signals.time_s, span[-1])]
    ended_a = _ended_a(signals.current_a[inside])
    fell = len(held_a) > 0 and ended_a < _FELL * float(np.quantile(held_a, _MOSTLY))
    near = ended_a <= _SCALED * done_light_a(signals, profile, inside)
    return not fell or near or _light_may_be(signals, profile, inside)


def _ended_a(amps: F64) -> float:
    """What a current came to by the row after the last: at a scan a minute a taper falls on by more than a margin."""
    last = np.maximum(amps[-_FALLING:], 1e-6)
    falls = min(1.0, float(np.median(last[1:] / last[:-1]))) if len(amps) >= _FALLING else 1.0
    return float(np.median(amps[-3:])) * falls**2


def done_light_a(signals: Signals, profile: PackProfile, inside: NDArray[np.int64]) -> float:
    """The charger's done light: as its owner says, else where this charge's taper ended, where that may be one.

    Chargers end the taper between a tenth and a fiftieth of the capacity in A, as a large pack's half an ampere is not
    (common practice). A taper that ended at C/25 or less is taken for one that the charger ended.
    """
    assumed = "charger.done_light_a" in profile.defaults
    if not assumed or signals.current_a is None or len(inside) < _ENDING:
        return profile.done_light_a
    ended_a = _ended_a(signals.current_a[inside])
    return max(profile.done_light_a, ended_a) if ended_a <= _TAPER_C * profile.capacity_ah else profile.done_light_a


def _light_may_be(signals: Signals, profile: PackProfile, inside: NDArray[np.int64]) -> bool:
    """Whether a charge that left its taper may have been ended by a charger whose light nobody gave."""
    if signals.current_a is None or "charger.done_light_a" not in profile.defaults:
        return False
    return _ended_a(signals.current_a[inside]) <= _EARLY_LIGHT_C * profile.capacity_ah


def light_at_s(signals: Signals, profile: PackProfile, span: tuple[Phase, ...]) -> float | None:
    """When the taper crossed the done-light threshold for good; None without current or before it."""
    if signals.current_a is None or span[-1].kind != "charge_cv":
        return None
    inside = np.flatnonzero(rows_in(signals.time_s, span[-1]))
    # The last row may hold the charger's going: one row under the light is no taper.
    amps = rolling_median(signals.current_a[inside], 3, "reflect")
    over = np.flatnonzero(amps > done_light_a(signals, profile, inside))
    if not len(inside) or (len(over) and over[-1] >= len(inside) - 1):
        return None
    return float(signals.time_s[inside[int(over[-1]) + 1 if len(over) else 0]])


def _short_ah(profile: PackProfile, low_v: float) -> float:
    """Charge from `low_v` to full by the assumed curve; the current's drop is not taken off, so this is a least."""
    curve = default_curve(profile.chemistry)
    return float(curve.soc(profile.full_v) - curve.soc(min(low_v, profile.full_v))) * profile.capacity_ah
