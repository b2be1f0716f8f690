"""All findings of a session, in the order in which they need each other."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.balancing.answer import find_balancing
from evenstring.analysis.balancing.criterion import with_rest
from evenstring.analysis.causes.bleeders import find_balancer_faults, without_consequences
from evenstring.analysis.causes.diagnosis import diagnose
from evenstring.analysis.causes.self_discharge import with_drains
from evenstring.analysis.charging.charge_end import find_charges, told_phases, without_standstill
from evenstring.analysis.charging.charger import find_charger, without_charger
from evenstring.analysis.hazards.all_hazards import find_hazards
from evenstring.analysis.hazards.far_behind import far_behind_by_cause
from evenstring.analysis.hazards.stays_above import without_closing
from evenstring.analysis.phases.segment import phases_of
from evenstring.analysis.readings.current_sensor import look_at_sensor
from evenstring.analysis.readings.limit_visits import find_events, not_excluded, shortest_visible_s
from evenstring.analysis.readings.profile_check import check_profile
from evenstring.analysis.readings.shared_leads import doubted, find_shared_leads, widened, without_lead_drops
from evenstring.analysis.readings.spread import find_spread
from evenstring.analysis.results import Balancing, Charge, Event, Findings, Phase, SharedLeads, Spread, Unknown, Verdict
from evenstring.analysis.riding.capacity import find_capacity
from evenstring.analysis.riding.foretold import find_foretold
from evenstring.analysis.riding.group_figures import group_figures
from evenstring.analysis.riding.level_charge import bench_hours, find_repair
from evenstring.analysis.riding.regen_room import find_room
from evenstring.analysis.riding.reserve import find_reserve
from evenstring.analysis.riding.rides import find_rides
from evenstring.analysis.riding.temperature import find_temperature
from evenstring.analysis.riding.usable import find_usable
from evenstring.analysis.series.arrays import onward
from evenstring.analysis.series.signals import Signals, make_signals
from evenstring.analysis.series.uncertainty import MeterError, meter_error
from evenstring.analysis.verdict.coverage import coverage_of, with_evidence
from evenstring.analysis.verdict.decision import decide
from evenstring.analysis.verdict.validity import own_current, own_readings, own_rest, with_profile_check, with_proof
from evenstring.profile import PackProfile
from evenstring.session import Session

__all__ = ["analyse", "what_happened"]

_ALL = ("spread", "shortest_visible_s", "charge", "charger", "balancing", "ride", "repair", "repair_bench", "usable",
        "capacity", "temperature", "weakness", "reserve", "room_for_braking", "profile_check")  # fmt: skip


_ACROSS_LEADS = 1.5  # a bleeding group falls by the drop, its neighbours rise by half: our choice
_MOST_V = 10.0  # of one cell group, either way: more is no reading of one: our choice
_OPEN = Verdict("too_little_data", ())  # until everything is found


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """What the findings of a session share."""

    session: Session  # its clock never runs back
    profile: PackProfile
    meter: MeterError
    signals: Signals
    phases: tuple[Phase, ...]
    shared: SharedLeads | None
    sensor: tuple[str, ...]  # what is wrong with the current sensor

    @property
    def level(self) -> Signals:
        """The series as if the sense leads were the meter's own."""
        return without_lead_drops(self.signals, self.shared)


def analyse(session: Session, profile: PackProfile) -> Findings:
    """All findings of this string: a pure function of the session and the profile."""
    if session.scans < 1 or session.groups < 1:
        return _nothing(session, profile)
    look = _look(session, profile)
    found, no_rest = _what_happened(look)
    found = own_readings(_with_causes(found, look.session, look.level, profile, look.meter), look.session)
    open_visits = not_excluded(look.session, profile, look.meter, found.events)
    missing = (*_unknowns(found), *((no_rest,) if no_rest else ()), *open_visits)
    check, unfit = check_profile(look.signals, profile, look.phases, look.meter)
    check = replace(check, lines=(*look.sensor, *check.lines), sensor=look.sensor)
    told = told_phases(found.phases, found.charge, look.signals, profile)
    found = replace(found, phases=told, unknown=(*found.unknown, *missing))
    return _decided(with_profile_check(found, check, unfit, profile), profile)


def what_happened(session: Session, profile: PackProfile) -> Findings:
    """Phases, spread, events, charges, balancing, rides: the findings without the causes, for half of the time."""
    if session.scans < 1 or session.groups < 1:
        return _nothing(session, profile)
    look = _look(session, profile)
    found, _ = _what_happened(look)
    return _decided(replace(found, phases=told_phases(found.phases, found.charge, look.signals, profile)), profile)


def _decided(found: Findings, profile: PackProfile) -> Findings:
    """The verdict is made once, when everything is found."""
    return replace(found, verdict=decide(found, profile))


def _of_a_group(volts_v: NDArray[np.float32]) -> NDArray[np.float32]:
    """The same readings, V; what no cell group can have counts as not read."""
    far = np.abs(volts_v) > _MOST_V
    return np.where(far, np.float32(np.nan), volts_v) if far.any() else volts_v


def _look(session: Session, profile: PackProfile) -> _Look:
    session = replace(session, time_s=onward(session.time_s), volts_v=_of_a_group(session.volts_v))
    signals = make_signals(session)
    sensor = look_at_sensor(session, signals, profile)
    if sensor.lines:
        session = sensor.session
        signals = make_signals(session)
    phases = phases_of(signals, profile)
    shared = find_shared_leads(signals, profile, phases)
    return _Look(session, profile, meter_error(session), signals, phases, shared, sensor.lines)


def _what_happened(look: _Look) -> tuple[Findings, Unknown | None]:
    session, profile, meter, signals, phases = look.session, look.profile, look.meter, look.signals, look.phases
    events = find_events(session, profile, phases, meter)
    charges = find_charges(signals, profile, phases, meter)
    charge = charges[-1] if charges else Charge("none")
    spread, no_rest = own_rest(widened(find_spread(session, signals, phases), look.shared, phases), profile)
    balancing = doubted(find_balancing(look.level, profile, phases, charge, meter), look.shared)
    balancing = without_standstill(balancing, charge)
    balancing = with_rest(balancing, spread, profile, signals, phases, charge.lowest_lag_percent)
    charger = find_charger(signals, profile, phases, meter, balancing)
    balancing = without_charger(balancing, charger)
    rides = find_rides(signals, profile, phases, events)
    found = Findings(
        phases=phases,
        spread=spread,
        events=events,
        shortest_visible_s=shortest_visible_s(session),
        verdict=_OPEN,
        charge=charge,
        charges=charges,
        charger=charger,
        balancing=balancing,
        rides=rides,
        foretold=find_foretold(session, profile),
        assumed=meter.assumed,
        shared_leads=look.shared,
        coverage=coverage_of(session, phases),
    )
    return found, no_rest


def _with_causes(
    found: Findings, session: Session, signals: Signals, profile: PackProfile, meter: MeterError
) -> Findings:
    """Findings on the cells themselves added: causes, repair, capacity, reserve, temperature."""
    phases, shared = found.phases, found.shared_leads
    repair, no_repair = find_repair(signals, profile, phases, meter)
    capacity, no_capacity = find_capacity(signals, profile, phases, meter)
    temperature, no_temperature = find_temperature(session, phases)
    own = own_current(session, profile)
    diagnosis = diagnose(own, profile, phases)
    trusted = shared is None or shared.followed
    faults = find_balancer_faults(signals, profile, phases, meter) if trusted else ()
    reserve, no_reserve = find_reserve(session, profile, phases, diagnosis.evidence)
    usable, no_usable = find_usable(diagnosis.evidence, profile, own.has_current)
    no_bench = None if no_repair is None else replace(no_repair, what="repair_bench")
    room, no_room = find_room(own, profile, phases, diagnosis.evidence)
    leads_v = 0.0 if shared is None else _ACROSS_LEADS * 1e-3 * shared.drop_mv
    charged = (found.balancing, found.charge) if trusted else None
    hazards = find_hazards(signals, profile, phases, meter, charged, leads_v)
    told = without_consequences(diagnosis.weakness, faults)
    hazards = (*hazards, *far_behind_by_cause(told, hazards))
    missing = (no_repair, no_capacity, no_temperature, diagnosis.unknown, no_reserve, no_usable, no_room, no_bench)
    return replace(
        found,
        repair=repair,
        capacity=capacity,
        temperature=temperature,
        weakness=with_proof(with_drains(told, hazards, profile), diagnosis.rests),
        hazards=hazards,
        balancing=without_closing(found.balancing, hazards),
        reserve=reserve,
        meter_patterns=diagnosis.patterns,
        usable=usable,
        bench=bench_hours(repair, profile),
        room=room,
        figures=group_figures(own, diagnosis.evidence),
        coverage=with_evidence(found.coverage, diagnosis.evidence),
        unknown=tuple(u for u in missing if u),
    )


def _end_untold(charge: Charge, phases: tuple[Phase, ...]) -> Unknown:
    """Why the end of a charge is not told, and what would tell."""
    held = any(p.kind == "charge_cv" and p.end_s > (charge.start_s or 0.0) for p in phases)
    to_the_end = charge.end_s is not None and phases[-1].end_s <= charge.end_s
    if charge.current_end_a is None and held and to_the_end:
        why = "the voltage was held to the end, and a charger that goes while hardly any current flows leaves no step"
    elif charge.current_end_a is None and held:
        why = "behind long leads the voltage rises while it is held, so that for how long it was does not show"
    elif charge.current_end_a is None:
        why = "it stopped near full or by a small step: a voltage held for a moment, or a charger that stays, is unseen"
    elif held:
        why = f"it ended at {charge.current_end_a:.1f} A: near the light, or while the current had hardly fallen"
        return Unknown("charge.ended", why, "the charger's done_light_a in pack.toml, and a charge to its end")
    else:
        why = "between two scans so far apart a group of iron phosphate shoots up to its ceiling"
        return Unknown("charge.ended", why, "the same with a scan every few seconds")
    return Unknown("charge.ended", why, "the same with a current sensor")


def _unknowns(found: Findings) -> tuple[Unknown, ...]:
    spread, charger, balancing, charge, rides = found.spread, found.charger, found.balancing, found.charge, found.rides
    out = []
    if spread.start_mv is None:
        out.append(Unknown("spread", "no scan in which the string stood still enough", "a minute at rest"))
    if spread.rest_mv is None:
        why = "no rest of 5 minutes or more in this recording"
        out.append(Unknown("spread.rest_mv", why, "leave the pack alone for an hour with the monitor on"))
    if not rides:
        out.append(Unknown("ride", "there is no ride in this recording", "a ride, best with the current sensor"))
    if charge.ended == "none":
        out.append(Unknown("charge", "there is no charge in this recording", "a whole charge, an hour past the light"))
    if charge.ended == "cannot_tell":
        out.append(_end_untold(charge, found.phases))
    if charger is None:
        out.append(Unknown("charger", "no constant-voltage part was recorded", "a charge to its end"))
    elif charger.set == "unknown":
        why = "the meter's absolute uncertainty is more than half the margin that decides"
        out.append(Unknown("charger.set", why, "compare one group with a calibrated meter (evenstring calibrate)"))
    if balancing.remaining_s is None:
        why = "; ".join(balancing.reasons) or "not worked out"
        out.append(Unknown("balancing.remaining_s", why, "an hour or more at constant voltage"))
    return tuple(out)


def _nothing(session: Session, profile: PackProfile) -> Findings:
    events: tuple[Event, ...] = ()
    phases: tuple[Phase, ...] = ()
    spread = Spread(None, None, None, None, None, None, None, 0, session.scans, (None,) * session.groups)
    charge, balancing = Charge("none"), Balancing("not_reached", reasons=("the recording is empty",))
    why = tuple(Unknown(what, "the recording holds no scan", "check the connection and record again") for what in _ALL)
    found = Findings(phases, spread, events, None, _OPEN, charge, balancing=balancing, unknown=why)
    return _decided(found, profile)
