"""Does the pack profile fit what was recorded? Capacity, and chemistry; and what is withheld when one does not.

*Capacity*: the charge moved between two places whose state of charge is known (a rest, by the assumed curve; the end of
a charge at constant voltage, full) over the change of state of charge (G. Plett, Battery Management Systems, Vol. II,
2016, on total capacity from two such places). *Chemistry*: the string's voltage over the charge moved is fitted with
each chemistry's curve, capacity and start left free, sag by least squares; a profile whose best fit is far worse than
another's is called wrong. Without a current the voltages at which a charge is held must do.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.results import CapacityCheck, ChemistryCheck, Phase, ProfileCheck, Unknown
from evenstring.analysis.series.charge_moved import charge_moved_ah
from evenstring.analysis.series.lag import lagged
from evenstring.analysis.series.rows_of_phase import rows_in
from evenstring.analysis.series.signals import Signals
from evenstring.analysis.series.uncertainty import MeterError
from evenstring.chemistry import CHEMISTRIES, Chemistry
from evenstring.ocv import curve, default_curve
from evenstring.profile import PackProfile

__all__ = ["check_profile"]

F64 = NDArray[np.float64]

_RELAXED_S = 1200.0  # a rest whose end is a place of known charge: our choice
_CURVE_U, _FULL_U, _LEFT_V = 0.025, 0.015, 0.004  # of SoC, of SoC, and of what is left of a relaxation, V: our choice
_SENSOR_U = 0.01  # relative, of the current: common practice
_LEAST_DEPTH = 0.25  # between two places, of the capacity: our choice
_SIGMAS, _LEAST_OFF = 2.6, 0.10  # off by so many uncertainties and by this share: our choice
_ROW_S, _SLOW_S = 60.0, 900.0  # length of a row, and time constant of slow sag: our choice
# A curve that misses by more, and by so many times another's, does not fit: tuned on own sessions under 300,000
_MISFIT_V, _BETTER = 0.015, 2.5
_LIKE_V = 0.05  # chemistries whose full voltages are nearer than this are not told apart: our choice
# V per 1.0 of SoC; 95 % interval: published (normal distribution, 95 % two-sided), the former our choice
_FLAT_V, _Z95 = 0.2, 1.96
_DONE_C, _FULL_V = 1.0 / 15.0, 0.03  # C rate and V under full to which a charge is done: our choice
# Of constant voltage; how far from this chemistry's full, how near another's: our choice
_HELD_S, _FAR_V, _CLOSE_V = 300.0, 0.25, 0.08
_ABOVE_V = 0.05  # above the ceiling: our choice


def check_profile(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError
) -> tuple[ProfileCheck, tuple[Unknown, ...]]:
    """The check, and for everything withheld the reason and what to do."""
    chemistry = _chemistry(signals, profile, phases)
    if chemistry.verdict == "does_not_fit":
        capacity = CapacityCheck("not_told", profile.capacity_ah, why="the curve is not this pack's")
    else:
        capacity = _capacity(signals, profile, phases, meter)
    lines, withheld = [], []
    if chemistry.verdict == "does_not_fit":
        withheld = ["reserve", "repair", "capacity", "weakness"]
        lines.append(f"The profile says {chemistry.profile}, but {chemistry.why}")
    elif capacity.verdict == "off":
        withheld = ["reserve", "repair"]
        lines.append(
            f"The profile says {profile.capacity_ah:g} Ah, but the charge moved fits {capacity.seen_ah:.1f} Ah"
            f" ({capacity.low_ah:.1f} to {capacity.high_ah:.1f}): the pack has aged, or the profile is not its own"
        )
    found = ProfileCheck(capacity, chemistry, tuple(withheld), tuple(lines))
    todo = "correct [pack] chemistry and [limits]" if chemistry.verdict == "does_not_fit" else ""
    if capacity.verdict == "off":
        todo = f"set [pack] capacity_ah to about {capacity.seen_ah:.1f} and make the report again"
    unknown = [Unknown(what, lines[0], todo) for what in withheld]
    for key, check in (("profile_check.capacity", capacity), ("profile_check.chemistry", chemistry)):
        if check.verdict == "not_told":
            unknown.append(
                Unknown(key, check.why, "a rest, a ride below half, a rest and a whole charge, with current")
            )
    return found, tuple(unknown)


def _capacity(signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError) -> CapacityCheck:
    nameplate = profile.capacity_ah

    def open_because(why: str) -> CapacityCheck:
        return CapacityCheck("not_told", nameplate, why=why)

    if signals.current_a is None:
        return open_because("without a current sensor no ampere-hours are known")
    if profile.parallel_strings > 1:
        return open_because("parallel strings share the current")
    places = _places(signals, profile, phases, meter)
    moved_ah = _moved_ah(signals)
    best: tuple[float, float, float] | None = None  # relative uncertainty, Ah, depth
    for i, (row, soc, u) in enumerate(places):
        for other, other_soc, other_u in places[i + 1 :]:
            depth = other_soc - soc
            if abs(depth) < _LEAST_DEPTH or signals.gap_after[row:other].any():
                continue
            ah = float(moved_ah[other] - moved_ah[row]) / depth
            relative = float(np.hypot(np.hypot(u, other_u) / depth, _SENSOR_U))
            if ah > 0 and (best is None or relative < best[0]):
                best = (relative, ah, abs(depth))
    if best is None:
        return open_because("no two places of known charge a quarter of the capacity apart, with no gap between")
    relative, ah, depth = best
    off = abs(ah - nameplate) > nameplate * max(_SIGMAS * relative, _LEAST_OFF)
    u = _Z95 * relative * ah
    return CapacityCheck("off" if off else "agrees", nameplate, round(ah, 2), round(ah - u, 2), round(ah + u, 2),
                         round(depth, 3))  # fmt: skip


def _places(
    signals: Signals, profile: PackProfile, phases: tuple[Phase, ...], meter: MeterError
) -> list[tuple[int, float, float]]:
    """(row, SoC, standard uncertainty) at ends of rests and of charges, in order of time."""
    assumed = default_curve(profile.chemistry)
    out = []
    for p in phases:
        row = int(np.searchsorted(signals.time_s, p.end_s, side="right")) - 1
        around = signals.level_v[max(0, row - 20) : row + 1]
        level = float(np.median(around)) if len(around) else 0.0
        if p.kind == "rest" and p.end_s - p.start_s >= _RELAXED_S:
            soc = float(assumed.soc(level))
            slope = float(assumed.slope_v(soc))
            if 0.02 < soc < 1.02 and slope > _FLAT_V:
                u = np.hypot(_CURVE_U, np.hypot(_LEFT_V, meter.absolute_v(level) / np.sqrt(2.0)) / slope)
                out.append((row, soc, float(u)))
        tail = None if signals.current_a is None else float(np.median(signals.current_a[max(0, row - 20) : row + 1]))
        done = tail is not None and tail < profile.capacity_ah * _DONE_C
        if p.kind == "charge_cv" and done and level > profile.full_v - _FULL_V:
            out.append((row, 1.0, _FULL_U))
    return sorted(out)


def _moved_ah(signals: Signals) -> F64:
    amps = np.zeros_like(signals.time_s) if signals.current_a is None else signals.current_a
    return charge_moved_ah(signals.time_s, amps)


def _likely(profile: PackProfile) -> dict[str, Chemistry]:
    """The profile's own chemistry, and those common enough to be suspected."""
    return {key: row for key, row in CHEMISTRIES.items() if row.guessed or key == profile.chemistry}


def _chemistry(signals: Signals, profile: PackProfile, phases: tuple[Phase, ...]) -> ChemistryCheck:
    by_limits = _by_limits(signals, profile, phases)
    if by_limits is not None or signals.current_a is None:
        why = "without a current sensor only the voltage that a charge is held at would tell"
        return by_limits or ChemistryCheck("not_told", profile.chemistry, why=why)
    moved = _moved_ah(signals)
    if np.ptp(moved) < _LEAST_DEPTH * profile.capacity_ah or len(moved) < 100:
        return ChemistryCheck("not_told", profile.chemistry, why="less than a quarter of the capacity was moved")
    misfits: dict[str, float] = {}
    rows = _rows(signals, moved)
    for kind, chemistry in _likely(profile).items():
        misfits[kind] = min(_misfit_v(name, *rows, profile.capacity_ah) for name in chemistry.curves)
    own = misfits[profile.chemistry]
    full_v = CHEMISTRIES[profile.chemistry].full_v
    others = {k: v for k, v in misfits.items() if abs(CHEMISTRIES[k].full_v - full_v) > _LIKE_V}
    likelier = min(others, key=lambda k: others[k])
    shown = ChemistryCheck("fits", profile.chemistry, None, round(1e3 * own, 1), round(1e3 * others[likelier], 1))
    if own > max(_MISFIT_V, _BETTER * others[likelier]):
        why = (
            f"its curve misses the string's voltage by {1e3 * own:.0f} mV a group; {likelier} by"
            f" {1e3 * others[likelier]:.0f} mV"
        )
        return replace(shown, verdict="does_not_fit", likelier=likelier, why=why)
    return shown


def _by_limits(signals: Signals, profile: PackProfile, phases: tuple[Phase, ...]) -> ChemistryCheck | None:
    """A charge held far from this chemistry's full voltage and near another's; or a level that no such cell reaches."""
    full_v = CHEMISTRIES[profile.chemistry].full_v
    held = [p for p in phases if p.kind == "charge_cv" and p.end_s - p.start_s > _HELD_S]
    if held:
        inside = rows_in(signals.time_s, held[-1])
        level = float(np.median(signals.level_v[inside])) if inside.any() else full_v
        near = {k: abs(level - c.full_v) for k, c in _likely(profile).items()}
        likelier = min(near, key=lambda k: near[k])
        if abs(level - full_v) > _FAR_V and near[likelier] < _CLOSE_V:
            why = f"the charge is held at {level:.2f} V a group, as for {likelier}"
            return ChemistryCheck("does_not_fit", profile.chemistry, likelier, why=why)
    known = signals.level_v[np.isfinite(signals.level_v)]
    if len(known) > 60 and float(np.quantile(known, 0.5)) > CHEMISTRIES[profile.chemistry].ceiling_v + _ABOVE_V:
        level = float(np.quantile(known, 0.5))
        why = f"the string stands at {level:.2f} V a group, above that chemistry's ceiling"
        return ChemistryCheck("does_not_fit", profile.chemistry, None, why=why)
    return None


def _rows(signals: Signals, moved: F64) -> tuple[F64, F64, F64]:
    """Means of a minute: level, charge moved in Ah, and (b, 2) current with its slow average."""
    amps = np.zeros_like(moved) if signals.current_a is None else signals.current_a
    first = np.flatnonzero(np.diff(np.floor(signals.time_s / _ROW_S), prepend=-1.0) > 0)
    count = np.diff(np.append(first, len(moved)))
    t, level, q, i = (np.add.reduceat(x, first) / count for x in (signals.time_s, signals.level_v, moved, amps))
    return level, q, np.column_stack([i, lagged(t, i, (_SLOW_S,))])


def _misfit_v(name: str, level: F64, moved_ah: F64, drives: F64, nameplate_ah: float) -> float:
    """Least standard deviation of a curve, over capacities, places at the start, and resistances of 0 or more."""
    of = curve(name)
    solve = np.linalg.pinv(drives)
    best = np.inf
    for capacity in nameplate_ah * np.geomspace(0.5, 2.0, 13):
        q = moved_ah / capacity
        starts = np.arange(max(0.0, -q.min()), min(1.0, 1.03 - q.max()) + 1e-9, 0.02)
        if not len(starts):
            continue
        left = level[:, None] - of.voltage_v(np.clip(starts[None, :] + q[:, None], 0.0, 1.0))
        found = np.maximum(solve @ left, 0.0)
        best = min(best, float(np.sqrt(np.mean((left - drives @ found) ** 2, axis=0).min())))
    return best
