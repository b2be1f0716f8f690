"""How far down the pack can go: the SoC at which its weakest group would reach empty under the load of this ride.

SoC is that of the median group, counted from full. A group's voltage there under a current that lasts t seconds is
OCV(SoC + its own gap) + I R(t) (1 + its own excess), with R(t) from the ride (a step response in three exponentials:
G. Plett, Battery Management Systems, Vol. I, 2015) and with gap and excess from the evidence of `weakness_fit`. Below
what the ride visited R is believed to rise by a factor of about two towards empty (from memory; of sodium by more:
`Chemistry`), with as much uncertainty; the interval comes from 300 draws of all that is uncertain (JCGM 101:2008).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, RESISTANCE, Evidence, gather, sizes_drawn
from evenstring.analysis.results import DISPLAY_V, LoadLimit, Phase, Reserve, Unknown
from evenstring.analysis.series.arrays import median_group_v, rolling_mean
from evenstring.analysis.series.charge_moved import charge_moved_ah
from evenstring.analysis.series.resistance import step_response
from evenstring.analysis.series.rows_of_phase import rows_of_kind
from evenstring.chemistry import CHEMISTRIES
from evenstring.ocv import OcvCurve, default_curve
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["ACCELERATION_S", "HILL_S", "find_reserve", "ride_load", "soc_at_start"]

Anchor = Literal["full", "curve"]
F64 = NDArray[np.float64]

ACCELERATION_S, HILL_S = 5.0, 60.0  # loads that are asked for: a hard start, a hill: our choice
_DRAWS = 300  # of all that is uncertain: our choice
_GRID = np.linspace(-0.02, 1.0, 256)  # the last one: not even a full pack bears the load: our choice
_RIDE_ROWS = 7200  # seconds of riding looked at, the last ones: our choice
_FULL_U, _CURVE_U = 0.015, 0.03  # of SoC: how sure the anchor is: our choice
# Of SoC: how far an aged curve may be off, and how well that is seen: tuned on own packs under 100,000
_SLIP_MOST, _SLIP_U = 0.08, 0.012
_LEAST_U, _LEFT_PER_U = 0.03, 10.0  # of the resistance: at least, and from what the fit leaves: our choice
_FULL_V, _FULL_C = 0.03, 1.0 / 15.0  # under full, and C rate, to which the end of a charge is an anchor: our choice
# Moved, for the curve to be an anchor; further down R is a belief; of SoC: our choice
_CURVE_DEPTH, _BELIEVED = 0.15, 0.15
# Of SoC: curves of one chemistry differ by so much at their lower end, seen by the ride, not, and where they are flat:
# tuned on published cells
_END_U, _FLAT_END_U = (0.01, 0.03), (0.03, 0.06)
_SAID = 0.9  # quantile that is said: to be too hopeful is what throws a rider: our choice


def find_reserve(
    session: Session, profile: PackProfile, phases: tuple[Phase, ...], evidence: Evidence | None = None
) -> tuple[Reserve | None, Unknown | None]:
    """The reserve from the rides of a session, or why there is none; `evidence` is gathered where it is not given."""
    ride = "a ride with the current sensor, then a whole charge in the same recording"
    if session.current_a is None or not session.has_current:
        return None, Unknown("reserve", "sag needs the current, and none was recorded", ride)
    alone = "a ride with this string disconnected from the others, where the vehicle allows it"
    if profile.parallel_strings > 1:
        return None, Unknown("reserve", "strings in parallel share the current in a way not seen here", alone)
    riding = rows_of_kind(session.time_s, phases, "ride")
    evidence = evidence or gather(session, profile)
    if evidence is None or riding.sum() < 60:
        return None, Unknown("reserve", "no ride long enough was recorded", ride)
    load = ride_load(session, riding)
    moved = _moved(session, profile)
    anchor = _anchor(session, profile, phases, moved, evidence)
    if load is None or anchor is None:
        why = "the load hardly changed" if load is None else "the state of charge has no anchor in this recording"
        return None, Unknown("reserve", why, ride)
    place = (*anchor, moved, riding)
    found = _worked_out(session, profile, evidence, load, place)

    def limit(current_a: float, seconds: float) -> LoadLimit:
        ohm = load.step_ohm[0] if seconds == ACCELERATION_S else load.step_ohm[1]
        alone = replace(load, peak_a=current_a, hill_a=current_a, step_ohm=(ohm, ohm))
        return _limit(_worked_out(session, profile, evidence, alone, place), seconds)

    asked = () if profile.load_a is None else tuple(limit(profile.load_a, s) for s in (ACCELERATION_S, HILL_S))
    return replace(found, hill=limit(load.hill_a, HILL_S) if load.hill_a > 1.0 else None, asked=asked), None


def _limit(reserve: Reserve, seconds: float) -> LoadLimit:
    r = reserve
    loaded = r.resting_pack_v_by_display - r.resting_pack_v + r.loaded_pack_v
    return LoadLimit(r.empty_at_current_a, seconds, r.group, r.lowest_soc_at_full_load, r.soc_low, r.soc_high, r.sag_mv,
                 r.resting_pack_v, r.loaded_pack_v, r.resting_pack_v_by_display, round(loaded, 2))  # fmt: skip


def soc_at_start(
    session: Session, profile: PackProfile, phases: tuple[Phase, ...], evidence: Evidence
) -> tuple[float, float, Anchor] | None:
    """SoC of the median group at the start of the session, its standard uncertainty, and what it rests on."""
    return _anchor(session, profile, phases, _moved(session, profile), evidence)


def _amps(session: Session) -> F64:
    return np.zeros(session.scans) if session.current_a is None else np.nan_to_num(session.current_a.astype(np.float64))


def _moved(session: Session, profile: PackProfile) -> F64:
    return charge_moved_ah(session.time_s, _amps(session)) / profile.capacity_ah


def _anchor(
    session: Session, profile: PackProfile, phases: tuple[Phase, ...], moved: F64, evidence: Evidence
) -> tuple[float, float, Anchor] | None:
    """SoC at the start of the session, its standard uncertainty, and what it rests on."""
    ends = [p.end_s for p in phases if p.kind == "charge_cv"]
    if ends:
        k = max(int(np.searchsorted(session.time_s, ends[-1])) - 2, 0)
        read = session.volts_v[k][np.isfinite(session.volts_v[k])]
        level = float(np.median(read)) if len(read) else 0.0
        if level > profile.full_v - _FULL_V and abs(_amps(session)[k]) < profile.capacity_ah * _FULL_C:
            return _soc_at_end(session, profile, evidence, k) - float(moved[k]), _FULL_U, "full"
    return (evidence.soc0, _CURVE_U, "curve") if evidence.depth > _CURVE_DEPTH else None


def _soc_at_end(session: Session, profile: PackProfile, evidence: Evidence, k: int) -> float:
    """SoC of the median group in scan k near the end of a charge: 1 less what the last current still hides."""
    if evidence.curve is None:
        return 1.0
    resting = float(np.nanmedian(session.volts_v[k])) - float(_amps(session)[k] * evidence.curve.ohm.sum())
    return float(np.clip(default_curve(profile.chemistry).soc(resting), 0.95, 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class RideLoad:
    """What a ride asked of the string; currents positive for discharge, u_share relative, of the resistances."""

    peak_a: float
    hill_a: float
    step_ohm: tuple[float, float]  # median group's resistance after 5 s and 60 s
    u_share: float


def ride_load(session: Session, riding: NDArray[np.bool_]) -> RideLoad | None:
    """Currents (discharge positive) and step resistances of the ride, from means of a second; None where none tells."""
    if not riding.any():
        return None
    second = np.floor(session.time_s[riding]).astype(np.int64)
    ridden = np.cumsum(np.diff(second, prepend=second[0]) > 0)  # seconds of riding so far, pauses left out
    keep = ridden > ridden[-1] - _RIDE_ROWS
    at, first = np.unique(second[keep], return_index=True)
    count = np.diff(np.append(first, keep.sum()))
    amps = np.add.reduceat(_amps(session)[riding][keep], first) / count
    volts = np.add.reduceat(median_group_v(session.volts_v[riding][keep]).astype(np.float64), first) / count
    response = step_response(at, amps, volts)
    if response is None:
        return None
    after = tuple(response.after(seconds) for seconds in (ACCELERATION_S, HILL_S))
    u = _LEAST_U + response.left_v / (float(np.std(amps)) * max(after[0], 1e-4)) / _LEFT_PER_U
    peak, hill = (float(-rolling_mean(amps, round(s)).min()) for s in (ACCELERATION_S, HILL_S))
    return RideLoad(peak, hill, (after[0], after[1]), u) if peak > 1.0 else None


def _worked_out(
    session: Session,
    profile: PackProfile,
    evidence: Evidence,
    load: RideLoad,
    place: tuple[float, float, Anchor, F64, NDArray[np.bool_]],
) -> Reserve:
    soc0, _, anchor, moved, riding = place
    visited = float(soc0 + moved[riding].min())
    limits, hills, ocv0, ohm0 = _drawn_limits(profile, evidence, load, place)
    weakest = int(np.argmax(limits[0]))
    best = float(limits[0, weakest])
    down_there = _end_u(profile, best, visited) * np.random.default_rng(2).standard_normal(_DRAWS)
    low, likely, high = np.quantile(limits[1:].max(axis=1) + down_there, [0.05, _SAID, 0.95])
    best = min(max(best, float(likely)), float(_GRID[-1]))
    row = int(np.argmin(np.abs(_GRID - best)))
    resting = float(ocv0[row].sum())
    loaded = resting - load.peak_a * load.step_ohm[0] * float(ohm0[row].sum())
    display = DISPLAY_V if profile.display_offset_v is None else profile.display_offset_v
    return Reserve(
        group=weakest + 1,
        lowest_soc_at_full_load=round(max(best, 0.0), 4),
        empty_at_current_a=round(load.peak_a, 2),
        soc_low=round(max(min(float(low), best), 0.0), 4),
        soc_high=round(max(float(high), best, 0.0), 4),
        load_s=ACCELERATION_S,
        hill_current_a=round(load.hill_a, 2),
        lowest_soc_on_hill=round(max(float(hills.max()), 0.0), 4),
        sag_mv=round(1e3 * load.peak_a * load.step_ohm[0] * float(ohm0[row, weakest]), 1),
        sag_hill_mv=round(1e3 * load.hill_a * load.step_ohm[1] * float(ohm0[row, weakest]), 1),
        anchor=anchor,
        resting_pack_v=round(resting, 2),
        loaded_pack_v=round(loaded, 2),
        resting_pack_v_by_display=round(resting + display, 2),
        lowest_soc_visited=round(visited, 4),
        why="" if best > visited - _BELIEVED else "the ride ended well above this: resistance down there is a belief",
        loaded_pack_v_by_display=round(loaded + display, 2),
        display_offset_v=display,
        temperature_c=_temperature(session, riding),
    )


def _drawn_limits(
    profile: PackProfile, evidence: Evidence, load: RideLoad, place: tuple[float, float, Anchor, F64, NDArray[np.bool_]]
) -> tuple[F64, F64, F64, F64]:
    """SoC at empty under the load, (draws, g), the best estimate first, and under the hill's load, (g,).

    And of the best estimate the open-circuit volts and the scale of the resistance, (grid, g).
    """
    soc0, u_soc, _, moved, riding = place
    visited = float(soc0 + moved[riding].min())
    level = float(soc0 + np.mean(moved[riding]))
    curve, chemistry = default_curve(profile.chemistry), CHEMISTRIES[profile.chemistry]
    place_off = _place_off(curve, evidence, float(moved[riding].min()), visited)
    rng = np.random.default_rng(1)  # the same recording gives the same interval
    sizes = sizes_drawn(evidence, rng)
    limits = np.zeros((_DRAWS + 1, len(evidence.size)))
    for k in range(_DRAWS, -1, -1):  # the best estimate last: its curves are kept
        z = np.zeros(4) if k == 0 else rng.standard_normal(4)
        size = evidence.size if k == 0 else next(sizes)
        rise = max(0.0, chemistry.rise + chemistry.rise_u * z[0]), chemistry.rise_soc
        scale = _rise(_GRID, *rise) / _rise(np.array([level]), *rise) * max(0.3, 1.0 + load.u_share * z[1])
        ohm = scale[:, None] * (1.0 + 0.01 * size[:, RESISTANCE])
        # A wrong anchor moves the counted SoC, not the voltage: the place on the curve moves against it.
        off = u_soc * z[2]
        ocv = _group_ocv(curve, size, soc0 + off, (place_off - off + _SLIP_U * z[3], visited))
        limits[k] = _crossing(ocv - load.peak_a * load.step_ohm[0] * ohm, profile.empty_v)
    hills = _crossing(ocv - load.hill_a * load.step_ohm[1] * ohm, profile.empty_v)
    return limits, hills, ocv, ohm


def _end_u(profile: PackProfile, best: float, visited: float) -> float:
    """Standard uncertainty, of SoC, of a curve's lower end, which the ride came near or not."""
    seen, unseen = _FLAT_END_U if CHEMISTRIES[profile.chemistry].judged_by_charge else _END_U
    return seen if best >= visited - _BELIEVED else unseen


def _temperature(session: Session, riding: NDArray[np.bool_]) -> float | None:
    if session.temps_c is None or not np.isfinite(session.temps_c[riding]).any():
        return None
    return round(float(np.nanmean(session.temps_c[riding])), 1)


def _rise(soc: F64, rise: float, range_soc: float) -> F64:
    return np.asarray(1.0 + rise * np.exp(-np.maximum(soc, 0.0) / range_soc))


def _place_off(curve: OcvCurve, evidence: Evidence, moved: float, counted: float) -> float:
    """How far the place on the profile's curve is from the counted SoC, at the lowest point of the ride."""
    if evidence.curve is None:
        return 0.0
    seen = float(curve.soc(evidence.curve.voltage_at(np.array([moved]))[0]))
    return float(np.clip(seen - counted, -_SLIP_MOST, _SLIP_MOST))


def _group_ocv(curve: OcvCurve, size: F64, soc0: float, slip: tuple[float, float]) -> F64:
    """(grid, g) open-circuit volts of the groups when the median group is at each SoC of the grid.

    `slip`: how far the curve is off, and at which SoC; it fades towards empty, where voltage and charge end together.
    """
    soc = _GRID[:, None] + 0.01 * (size[:, CHARGE] - size[:, CAPACITY] * (_GRID[:, None] - soc0))
    return curve.voltage_v(soc + slip[0] * np.clip(soc / max(slip[1], 0.05), 0.0, 1.0))


def _crossing(volts_v: F64, empty_v: float) -> F64:
    """(g,) SoC of the grid above which a group stays above empty."""
    below = volts_v < empty_v
    last = len(below) - 1 - np.argmax(below[::-1], axis=0)
    return np.asarray(np.where(below.any(axis=0), _GRID[np.minimum(last + 1, len(_GRID) - 1)], _GRID[0]))
