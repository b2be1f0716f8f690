"""What to do with the pack now, and what to record only after it: the only place that words it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from evenstring.analysis.results import Balancing, Charge, Coverage, Event, Hazard, Reason, Ride, Step, Weakness
from evenstring.analysis.series.rows_of_phase import rows_of_kind
from evenstring.report.drawing.axis import clock
from evenstring.report.material import Material
from evenstring.report.words import listed

__all__ = ["next_step", "record_next"]

_SITTING_S = 10 * 3600.0  # longer is no longer one sitting: our choice
_TWO = 2  # neighbours without a reading share one lead
_COLD_C = 10.0  # below this a pack sags clearly more than at 25: common practice
_ALONE = "never alone overnight"


def next_step(material: Material) -> str:
    """What to do now, as one text."""
    return " ".join(_WORDS[r.step](r, material) for r in material.found.verdict.steps)


def record_next(material: Material) -> str:
    """What to record after that: the first thing that would answer what is open; empty when nothing is.

    Nothing where the pack is not to be charged or ridden: a recording would need just that.
    """
    reasons = material.found.verdict.reasons
    if material.found.verdict.action in ("do_not_charge", "inspect"):
        return ""
    wanted = {"no_ride": "ride", "no_charge": "charge", "cells_unknown": "weakness", "stands_out": "weakness"}
    keys = [wanted[r.kind] for r in reasons if r.kind in wanted]
    for key in (*keys, "weakness", "ride", "charge", "reserve", "balancing.remaining_s", "capacity"):
        missing = material.missing(key)
        if missing is not None and missing.record_next:
            return missing.record_next.rstrip(".")
    return ""


def _leave_alone(r: Reason, _m: Material) -> str:
    return (
        f"Do not charge it and do not ride it{_of(r)}. Leave it where a fire could do no harm, off the charger, and let"
        " someone trained open it: a group that was this low may short inside at its next charge."
    )


def _workshop(r: Reason, _m: Material) -> str:
    return f"Neither charge nor ride it until someone trained has looked at it{_of(r)}; take this page along."


def _mend_lead(r: Reason, m: Material) -> str:
    on = r.rests_on
    who = ""
    if isinstance(on, Coverage):
        who = f" of group {listed(on.never_read or on.often_unread)}"
    elif isinstance(on, Event):
        opened = sorted({e.group for e in m.found.events if e.kind == "lead_open"} | {on.group})
        beside = len(opened) == _TWO and opened[1] - opened[0] == 1
        who = f" between groups {listed(opened)}" if beside else f" of group {listed(opened)}"
    return (
        f"With the pack off charger and load, have the sense lead{who} and its plug looked at: a chafed lead can also"
        " short. Then record again."
    )


def _check_joint(r: Reason, _m: Material) -> str:
    return (
        f"Before it is charged or ridden on, have someone trained look at the joints, links and leads{_of(r)}: what"
        " gets hot there can burn. Are they all sound, the cells of that group are worn."
    )


def _find_drain(r: Reason, _m: Material) -> str:
    return (
        "Leave it off the charger, where a fire could do no harm, until someone trained has found what draws"
        f"{_of(r) or ' from the string'}: first the bleeder and the sense leads, then the cells. Feel for warmth and"
        " measure it once a day meanwhile; a group that is drained flat must not be charged again."
    )


def _find_gap(r: Reason, _m: Material) -> str:
    return (
        f"Before it is charged or ridden on, have someone trained find out why{_of(r)}: a leak, a bleeder that is stuck"
        " or a cell that was changed. More hours on the charger do not answer that, and take days; it is brought level"
        " at a bench."
    )


def _find_surplus(r: Reason, _m: Material) -> str:
    return (
        f"Have someone trained look at it{_of(r)}: whether its bleeder draws, then its reading with a calibrated meter,"
        " then how much it holds. Was it changed or charged by itself lately, charge to the end while someone is near,"
        " record that, and see whether it comes down."
    )


def _check_meter(r: Reason, _m: Material) -> str:
    e = r.rests_on
    if not isinstance(e, Event):
        return "Compare the meter with a calibrated one (evenstring calibrate)."
    if e.certainty == "yes":
        return f"Watch group {e.group} at the end of the next charge: the cut-off should keep it under its ceiling."
    until = "" if e.kind == "above_ceiling" else " Until then do not charge it."
    return (
        f"Measure group {e.group} with a calibrated meter (evenstring calibrate) before anything is made of it.{until}"
    )


def _charge_on(r: Reason, _m: Material) -> str:
    b = r.rests_on if isinstance(r.rests_on, Balancing) else _m.found.balancing
    left = b.remaining_s or b.remaining_high_s  # near the target: at most
    if left is not None and left <= _SITTING_S and b.answer == "time":
        span = ""
        if b.remaining_low_s is not None and b.remaining_high_s is not None:
            span = f" ({_hours(b.remaining_low_s)} to {_hours(b.remaining_high_s)})"
        return (
            f"Leave the charger connected for about {_hours(left)} more{span}, with someone near who looks in;"
            f" {_ALONE}. The hours may be split over several charges."
        )
    long = (
        "Getting even takes longer than one sitting" if left is not None else "How long getting even takes is not known"
    )
    return (
        f"{long}: top up and rest by turns. Charge while someone is near, leave it on past the light as long as you are"
        f" awake, unplug for the night, and again the next day; {_ALONE}.{_at_bench(r, _m)}"
    )


def _at_bench(r: Reason, m: Material) -> str:
    short = m.found.charge.short_ah
    group = m.found.charge.lowest_group
    if short is None or group is None or not isinstance(r.rests_on, (Charge, Balancing)):
        return ""
    return f" Quicker: have someone trained bring group {group} level at a bench (about {short:.1f} Ah)."


def _after_ceiling_stop(r: Reason, m: Material) -> str:
    charge = r.rests_on if isinstance(r.rests_on, Charge) else m.found.charge
    who = f"group {listed(charge.cause_groups)}" if charge.cause_groups else "the high group"
    return (
        f"Let it rest for an hour or two so that {who} is bled down, then plug in again, and so on by turns: each turn"
        f" brings the others a little further. Stay near; {_ALONE}. If the same group still stops it after a few"
        " days of this, have the string brought level at a bench by someone trained."
    )


def _other_charger(_r: Reason, m: Material) -> str:
    charger, full = m.found.charger, m.profile.full_v * m.profile.groups
    held = "" if charger is None or charger.plateau_v is None else f" (it holds {charger.plateau_v:.1f} V)"
    return (
        f"If the charger is not set low on purpose{held}, have it checked: a full charge of this string"
        f" is {full:.1f} V. As it is, nothing balances."
    )


def _charger_that_stays(_r: Reason, m: Material) -> str:
    b = m.found.balancing
    short = "" if b.gap_ah is None else f" (about {abs(b.gap_ah):.2f} Ah)"
    return (
        "Charge with one that keeps its voltage after the light, while someone is near; or plug this one in again after"
        f" a rest, several times: each turn gives the balancer a little time. Or have the low group brought level at a"
        f" bench by someone trained{short}. It can be ridden meanwhile; the lowest group is empty first."
    )


def _mend_balancer(r: Reason, _m: Material) -> str:
    group = f" of group {r.rests_on.group}" if isinstance(r.rests_on, Weakness | Hazard) else ""
    return f"Have the balancer{group} looked at by someone trained: more hours on the charger do not mend this."


def _charge_to_the_end(_r: Reason, _m: Material) -> str:
    return f"Charge it to the end, and leave the charger on past its light while someone is near; {_ALONE}."


def _ride_gently(r: Reason, m: Material) -> str:
    on = r.rests_on
    who = f"Group {on.group}" if isinstance(on, (Weakness, Event, Ride)) and on.group else "The weakest group"
    reserve = m.found.reserve
    if reserve is not None and reserve.resting_pack_v:
        share = 100 * reserve.lowest_soc_at_full_load
        depth = f" Ride no lower than {reserve.resting_pack_v:.1f} V at rest ({share:.0f} % of charge).{_cold(m)}"
    else:
        depth = f" Turn back earlier than you used to, and ask for less power when the pack is low or cold.{_cold(m)}"
    who = who[0].lower() + who[1:]
    if r.kind == "high_resistance":
        return f"On the next ride expect {who} to sag deepest when you ask for power, and power to be cut early.{depth}"
    return f"On the next ride expect less: {who} is empty first, and power may be cut then.{depth}"


def _cold(m: Material) -> str:
    """Whether it was the cold of a ride that made the sag deep, said with its degrees."""
    if m.session.temps_c is None:
        return ""
    cold_c = m.session.temps_c[rows_of_kind(m.session.time_s, m.found.phases, "ride")]
    if not np.isfinite(cold_c).any() or (lowest_c := float(np.nanmin(cold_c))) >= _COLD_C:
        return ""
    return f" It was ridden at {lowest_c:.0f} °C: warm, the same pack sags less and gives more."


def _leave_room(_r: Reason, _m: Material) -> str:
    return "Leave room before a long descent: do not start it full, or braking may be cut."


def _mind_temperature(_r: Reason, _m: Material) -> str:
    return "Charge it in the shade and let it cool down after a ride first."


def _mend_sensor(_r: Reason, _m: Material) -> str:
    return "Have the current sensor, its direction and its zero looked at before the next recording."


def _mend_profile(_r: Reason, _m: Material) -> str:
    return "Put the pack profile right (evenstring pack) and make the report again."


def _record(r: Reason, _m: Material) -> str:
    if r.kind == "no_scan":
        return "Check the connection to the board, and record again."
    return "Nothing here says that it must not be ridden, and nothing says that it may: use it as you did, with care."


def _carry_on(r: Reason, _m: Material) -> str:
    if r.kind == "near_target":
        return "Use it as usual; an hour past the charger's light now and then keeps it even."
    if r.kind == "not_converging":
        return "The gap that stays is small: use it as usual, and look again in a few weeks."
    return "Use it as usual, and record a whole ride and charge again in a few weeks."


def _of(reason: Reason) -> str:
    on = reason.rests_on
    return f" (group {on.group})" if isinstance(on, (Event, Weakness, Hazard, Ride)) and on.group else ""


def _hours(seconds: float) -> str:
    return clock(60 * round(seconds / 60))


_WORDS: dict[Step, Callable[[Reason, Material], str]] = {
    "leave_alone": _leave_alone,
    "workshop": _workshop,
    "mend_lead": _mend_lead,
    "check_joint": _check_joint,
    "find_drain": _find_drain,
    "find_gap": _find_gap,
    "find_surplus": _find_surplus,
    "check_meter": _check_meter,
    "charge_on": _charge_on,
    "after_ceiling_stop": _after_ceiling_stop,
    "other_charger": _other_charger,
    "charger_that_stays": _charger_that_stays,
    "mend_balancer": _mend_balancer,
    "charge_to_the_end": _charge_to_the_end,
    "ride_gently": _ride_gently,
    "leave_room": _leave_room,
    "mind_temperature": _mind_temperature,
    "mend_sensor": _mend_sensor,
    "mend_profile": _mend_profile,
    "record": _record,
    "carry_on": _carry_on,
}
